"""Owns which weights are in use at a place: the shipped ones, or local ones after a promotion.

    NAME.onnx, NAME.json   local weights with their card
    in-use.json            every promotion and roll-back, the last one decides
    judgements/            comparisons of two weights, by their checksums

One file decides what is in use, and it is replaced whole, so a killed command changes nothing.
"""

import json
import math
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from pydantic import ConfigDict, RootModel

from layermotion.errors import InputError, WeightsError
from layermotion.files import locked, write_text
from layermotion.models.judging import ALL, Judgement
from layermotion.network.segmenter import (
    WEIGHTS_FOLDER,
    Segmenter,
    load_segmenter,
    missing_errors,
    read_card,
    weights_names,
)
from layermotion.places import default_models
from layermotion.stored import read_stored

HISTORY_NAME = "in-use.json"
# Digits of two checksums that name a judgement.
DIGITS = 16


class Step(StrEnum):
    """What changed the weights in use."""

    PROMOTE = "promote"
    ROLL_BACK = "roll-back"


@dataclass(frozen=True)
class Change:
    """One line of the history: from then on these weights were in use."""

    step: Step
    name: str
    sha256: str
    by: str
    at: str


@dataclass(frozen=True)
class Listed:
    """Weights that can be chosen.

    Parameters
    ----------
    is_local
        False for those that came with this version.
    problem
        Why they cannot be used; empty if they can.
    """

    name: str
    sha256: str
    date: str
    is_local: bool
    is_in_use: bool
    sources: tuple[str, ...]
    problem: str


@dataclass(frozen=True)
class Judged:
    """A stored comparison, with what it was made on."""

    before: str
    after: str
    build: str
    fingerprint: str
    scenes: int
    date: str
    judgement: Judgement


class _History(RootModel[tuple[Change, ...]]):
    """What ``HISTORY_NAME`` holds."""

    model_config = ConfigDict(strict=True)


class _Judged(RootModel[Judged]):
    """A comparison in its file; an interval that does not apply is NaN."""

    model_config = ConfigDict(strict=True)


@dataclass(frozen=True)
class Registry:
    """Local weights and their history in one folder."""

    folder: Path

    def history(self) -> tuple[Change, ...]:
        """Every change, the oldest first.

        Raises
        ------
        InputError
            If the file is damaged.
        """
        path = self.folder / HISTORY_NAME
        if not path.exists():
            return ()
        try:
            return read_stored(path, _History).root
        except (OSError, ValueError) as error:
            raise InputError(
                f"{path} is damaged, so it is not known which weights are in use; restore it from "
                f"the last copy."
            ) from error

    def in_use(self) -> str:
        """Name of the weights in use: the last promoted ones, else the newest shipped ones."""
        promoted = self._promoted()
        return promoted[-1].name if promoted else weights_names()[-1]

    def _promoted(self) -> tuple[Change, ...]:
        """Promotions that no roll-back has taken back, the oldest first."""
        promoted: tuple[Change, ...] = ()
        for change in self.history():
            promoted = (*promoted, change) if change.step is Step.PROMOTE else promoted[:-1]
        return promoted

    def place(self, name: str) -> Path:
        """Folder in which weights lie.

        Raises
        ------
        WeightsError
            If there are none of this name.
        """
        for folder in (self.folder, WEIGHTS_FOLDER):
            if name in weights_names(folder):
                return folder
        raise WeightsError(
            f"There are no weights called {name}; list them with: layermotion models list"
        )

    def card_sum(self, name: str) -> str:
        """Checksum of weights, as their card states it."""
        return str(read_card(name, self.place(name))["sha256"])

    def load(self, name: str, threads: int = 1) -> Segmenter:
        """Load weights of this name, for so many threads a frame (0: one on each core).

        Raises
        ------
        WeightsError
            If there are none, they cannot be used, or they are not those that were promoted.
        """
        segmenter = load_segmenter(name, threads, self.place(name))
        stated = {change.name: change.sha256 for change in self._promoted()}
        if segmenter.sha256 != stated.get(name, segmenter.sha256):
            raise WeightsError(
                f"The weights {name} have checksum {segmenter.sha256[:12]}, but those promoted had "
                f"{stated[name][:12]}; put that file back."
            )
        return segmenter

    def checked(self, name: str) -> str:
        """Load weights as measuring would, and return their checksum.

        Raises
        ------
        WeightsError
            If they do not fit their card or this version, or their error is not known.
        """
        segmenter = self.load(name)
        if missing_errors(segmenter.errors_px):
            raise WeightsError(
                f"The error of the weights {name} is not known, so nothing can be measured with "
                f"them; run: layermotion models calibrate {name} --models {self.place(name)}"
            )
        return segmenter.sha256

    def models(self) -> tuple[Listed, ...]:
        """All weights here and shipped, with what keeps each from use."""
        current = self.in_use()
        listed = []
        for folder in (WEIGHTS_FOLDER, self.folder):
            for name in weights_names(folder):
                problem, card = "", dict[str, Any]()
                try:
                    card = read_card(name, folder)
                    self.checked(name)
                except WeightsError as error:
                    problem = str(error)
                listed.append(
                    Listed(
                        name, str(card.get("sha256", "")), str(card.get("date", "")),
                        folder == self.folder, name == current,
                        tuple(map(str, card.get("image_sources", ()))), problem,
                    )
                )  # fmt: skip
        return tuple(listed)

    def promote(self, name: str, by: str) -> None:
        """Put weights in the place of those in use.

        Raises
        ------
        WeightsError
            If they cannot be used, were not judged against those in use, or are worse.
        """
        current = self.in_use()
        if name == current:
            raise WeightsError(f"The weights {name} are in use already.")
        sha256 = self.checked(name)
        judged = self.judged(self.card_sum(current), sha256)
        if judged is None:
            raise WeightsError(
                f"{name} was not judged against {current}, which is in use; run: "
                f"layermotion lab judge"
            )
        if judged.judgement.objections:
            raise WeightsError(
                f"{name} is not promoted: {'; '.join(judged.judgement.objections)}. {current} "
                f"stays in use."
            )
        self._append(Change(Step.PROMOTE, name, sha256, _who(by), _now()))

    def roll_back(self, by: str) -> str:
        """Return to the newest weights that were in use before and still may be used.

        Raises
        ------
        WeightsError
            If nothing was promoted.
        """
        promoted = [change.name for change in self._promoted()]
        if not promoted:
            raise WeightsError("The shipped weights are in use, so there is nothing to roll back.")
        changes = []
        for name in (*promoted[-2::-1], weights_names()[-1]):
            sha256 = ""
            with suppress(WeightsError):
                sha256 = self.checked(name)
            changes.append(Change(Step.ROLL_BACK, name, sha256, _who(by), _now()))
            if sha256:
                break
        self._append(*changes)
        return changes[-1].name

    def store(self, judged: Judged) -> None:
        """Keep a comparison."""
        text = json.dumps(asdict(judged), indent=1)
        write_text(self._judgement_path(judged.before, judged.after), text + "\n")

    def judged(self, before: str, after: str) -> Judged | None:
        """Comparison of two weights by their checksums, if there is one."""
        path = self._judgement_path(before, after)
        if not path.exists():
            return None
        try:
            result = read_stored(path, _Judged).root
        except (OSError, ValueError) as error:
            raise InputError(f"{path.name} is damaged; run layermotion lab judge again.") from error
        return result if (result.before, result.after) == (before, after) else None

    def _append(self, *changes: Change) -> None:
        with locked(self.folder):
            entries = [asdict(entry) for entry in (*self.history(), *changes)]
            write_text(self.folder / HISTORY_NAME, json.dumps(entries, indent=1) + "\n")

    def _judgement_path(self, before: str, after: str) -> Path:
        name = f"{after[:DIGITS]}-instead-of-{before[:DIGITS]}.json"
        return self.folder / "judgements" / name


def load_in_use() -> Segmenter:
    """Load the weights in use at this place, for one thread a frame.

    Raises
    ------
    LayermotionError
        If the history is damaged, or the weights are missing or altered.
    """
    registry = Registry(default_models())
    name = registry.in_use()
    try:
        return registry.load(name)
    except WeightsError as error:
        raise WeightsError(
            f"{error} They are the weights in use; others come into use with: layermotion models "
            f"roll-back"
        ) from error


def judgement_text(judged: Judged, before: str, after: str) -> str:
    """Say for a screen what was compared, how it came out, and whether it may be promoted.

    Parameters
    ----------
    before, after
        Names of the weights.
    """
    compared = (
        f"{after} ({judged.after[:12]}) instead of {before} ({judged.before[:12]}); build "
        f"{judged.build} ({judged.fingerprint[:12]}), {judged.scenes} synthetic scenes, "
        f"{judged.date}"
    )
    verdict = "Nothing stands against a promotion."
    if judged.judgement.objections:
        verdict = f"Not to be promoted: {'; '.join(judged.judgement.objections)}."
    return "\n".join([compared, tables_text(judged.judgement), verdict])


def tables_text(judgement: Judgement) -> str:
    """Tables of a comparison for a screen."""
    lines = []
    for title, counted, rows in (
        ("Held-out subjects", "subjects", judgement.held_out),
        ("Synthetic benchmark", "pictures", judgement.synthetic),
    ):
        lines += [
            "",
            f"{title:48}{counted:>9}{'before':>9}{'after':>9}   change, 95 % interval",
        ]
        for row in rows:
            scanner = "all scanners" if row.scanner == ALL else row.scanner[:14]
            name = f"{scanner:15}{row.structure:8} {row.metric.words}"
            interval = (
                "one subject, no interval"
                if math.isnan(row.low)
                else f"{row.low:+.3f} to {row.high:+.3f}"
            )
            lines.append(
                f"{name:48}{row.subjects:>9}{row.before:9.3f}{row.after:9.3f}"
                f"  {row.after - row.before:+.3f}, {interval}"
            )
    return "\n".join([*lines, ""])


def _who(by: str) -> str:
    if not by.strip():
        raise InputError("The history needs to know who changes the weights; give --by.")
    return by.strip()


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
