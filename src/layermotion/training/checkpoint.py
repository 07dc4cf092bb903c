"""Owns the state of a run on disk: what it holds, when it fits, and where a run may start from."""

import io
import math
import os
from collections.abc import Collection, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from pickle import UnpicklingError
from typing import Any

import torch

from layermotion.errors import ConfigError, WeightsError
from layermotion.files import atomic_path
from layermotion.network.segmenter import WEIGHTS_FOLDER, weights_names
from layermotion.training.settings import TrainSettings

CHECKPOINT_NAME = "last.pt"
# What another run starts from, and what the same run goes on from.
START_PARTS = ("settings", "progress", "average")
RUN_PARTS = (*START_PARTS, "world", "model", "optimizer")
# Settings that may change between two parts of one run, because no number depends on them.
FREE_SETTINGS = {"checkpoint_every_s", "tracking"}


@dataclass
class Progress:
    """What a checkpoint holds beside the tensors.

    Parameters
    ----------
    step
        Steps done.
    sources
        Names of what the weights were trained on, the newest last.
    local_origins
        Builds of laboratories among them, as ``consent.origins`` reads them.
    spacing_range_mm
        Smallest and largest pixel height seen with a label.
    sums, summed_steps
        Losses since the last row of the log, so that a restart in between logs the same mean.
    best_score, best_step, worse
        Best score watched for an early stop, where it was, and how many came since.
    has_ended
        Whether nothing is left to do; a run may end before its last step.
    """

    step: int = 0
    sources: list[str] = field(default_factory=list)
    local_origins: list[dict[str, str]] = field(default_factory=list)
    spacing_range_mm: list[float] = field(default_factory=lambda: [math.inf, -math.inf])
    sums: dict[str, float | torch.Tensor] = field(default_factory=dict)
    summed_steps: int = 0
    best_score: float = -math.inf
    best_step: int = 0
    worse: int = 0
    has_ended: bool = False

    def note_spacing(self, mm_per_pixel: torch.Tensor) -> None:
        """Widen the range of pixel heights by those of pictures, shape (N,)."""
        low, high = self.spacing_range_mm
        seen = mm_per_pixel.tolist()
        self.spacing_range_mm = [min([low, *seen]), max([high, *seen])]

    def joined_with(self, other: "Progress") -> "Progress":
        """Progress of a run that begins with both: each thing that either learnt from, once."""
        both = [self, other]
        low, high = zip(*(each.spacing_range_mm for each in both), strict=True)
        return Progress(
            sources=list(dict.fromkeys(s for each in both for s in each.sources)),
            local_origins=[
                *self.local_origins,
                *(entry for entry in other.local_origins if entry not in self.local_origins),
            ],
            spacing_range_mm=[min(low), max(high)],
        )

    def note_score(self, score: float) -> bool:
        """Note a score of this step, and say whether it is the best so far; NaN never is."""
        if score > self.best_score:
            self.best_score, self.best_step, self.worse = score, self.step, 0
            return True
        self.worse += 1
        return False


def save_checkpoint(out: Path, state: dict[str, Any]) -> None:
    """Replace ``last.pt`` at once, so that a kill leaves the old one or the new one."""
    with atomic_path(out / CHECKPOINT_NAME) as temporary:
        write_tensors(temporary, state)


def write_tensors(path: Path, state: dict[str, Any]) -> None:
    """Write tensors and plain values; a full disk is an OSError, which torch would hide."""
    buffer = io.BytesIO()
    torch.save(state, buffer)
    path.write_bytes(buffer.getbuffer())


def load_checkpoint(path: Path, needed: Collection[str] = START_PARTS) -> dict[str, Any]:
    """Read ``last.pt`` into main memory; only tensors and plain values, so it runs no code.

    Raises
    ------
    WeightsError
        If it cannot be read, or lacks a part that is needed.
    """
    try:
        # Main memory, because AdamW keeps its step counts there; the rest moves when it is loaded.
        state: dict[str, Any] = torch.load(path, map_location="cpu", weights_only=True)
        is_whole = set(needed) <= set(state)
    except (OSError, RuntimeError, EOFError, UnpicklingError, LookupError, TypeError, ValueError):
        is_whole = False
    if not is_whole:
        raise WeightsError(
            f"{path} is damaged or no checkpoint of layermotion; restore it from a copy, or train "
            f"in another folder."
        )
    return state


def refuse_other_settings(out: Path, state: dict[str, Any], new: TrainSettings, world: int) -> None:
    """Refuse to go on with settings or a number of processes that would give other numbers.

    A setting that is newer than the checkpoint counts as its default, which changes nothing.
    """
    free = FREE_SETTINGS | ({"workers"} if new.reuse == 1 else set())
    old = asdict(TrainSettings()) | state["settings"] | {"processes": state["world"]}
    wanted = asdict(new) | {"processes": world}
    for name, value in wanted.items():
        if name not in free and value != old[name]:
            raise ConfigError(
                f"{out} holds a run with {name}={old[name]}, not {value}; choose another folder, "
                f"or give the old value."
            )


def start_names(weights: str | None, teacher: str | None) -> dict[str, str | None]:
    """Name by its option what a run begins with: shipped weights as they are, a path in full."""
    shipped = weights_names(WEIGHTS_FOLDER)

    def name_of(source: str | None) -> str | None:
        if source is None or source in shipped:
            return source
        return os.path.abspath(source).removesuffix(f"{os.sep}{CHECKPOINT_NAME}")

    return {"--from": name_of(weights), "--teacher": name_of(teacher)}


def refuse_other_start(out: Path, state: dict[str, Any], new: Mapping[str, str | None]) -> None:
    """Refuse to go on with a start that is not the run's own; to name none is to go on.

    Checkpoints of earlier versions do not say what their run began with.
    """
    for option, old in (state.get("began") or {}).items():
        if new[option] not in (None, old):
            how = (
                f"with {option} {old}; give it again" if old else f"without {option}; leave it out"
            )
            raise ConfigError(f"{out} was begun {how}, or choose another folder.")


def starting_point(source: str) -> Path:
    """File with averaged weights: of a run (its folder is given) or of shipped weights (name).

    The file itself, NAME.pt beside an exported NAME.onnx, may be given too.

    Raises
    ------
    ConfigError
        If there is neither such a run nor such weights.
    """
    run, shipped = Path(source) / CHECKPOINT_NAME, WEIGHTS_FOLDER / f"{source}.pt"
    for path in (run, Path(source), shipped):
        if path.is_file():
            return path
    raise ConfigError(
        f"{source} is neither the folder of a run with a {CHECKPOINT_NAME} nor the name of shipped "
        f"weights; choose from {', '.join(weights_names(WEIGHTS_FOLDER))}."
    )
