"""One gate: after a withdrawal nothing uses a subject's pictures, nor what learnt from them."""

import json
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from drawing import Scene, draw_layers
from lab_data import TODAY, labelled_lab, make_lab, store_label, subject_of, unlabel, wall_label
from test_lab_commands import run as command
from test_lab_registry import digest
from tiny import TINY

from layermotion.consent.ledger import Consent, Scope
from layermotion.consent.origins import Origin
from layermotion.errors import ConfigError, InputError, WeightsError
from layermotion.lab.builds import Split, open_build
from layermotion.lab.erasing import erase
from layermotion.lab.folder import Lab, Review, frame_key
from layermotion.lab.making import make_build
from layermotion.lab.mixing import MixedDraw
from layermotion.lab.proposals import find_candidates
from layermotion.lab.review import mask_box, record_review, write_sheets
from layermotion.lab.status import read_status
from layermotion.models.judging import Judgement, Metric, Row
from layermotion.models.registry import Judged, Registry, load_in_use
from layermotion.network.segmenter import WEIGHTS_FOLDER, load_segmenter, read_card, weights_names
from layermotion.training import tracking
from layermotion.training.checkpoint import load_checkpoint
from layermotion.training.data import validation_batches
from layermotion.training.export import export_weights
from layermotion.training.loop import Start, train
from layermotion.training.network import LayerNet
from layermotion.training.samples import write_samples

FINGERPRINT = "f" * 64
ONE_STEP = replace(TINY, steps=1, warmup_steps=1)


@dataclass(frozen=True)
class LocalDraw:
    """Draws pictures that are said to be of a laboratory."""

    origin: Origin
    source: str = "local"

    def __call__(self, rng: np.random.Generator, size_px: int) -> Scene:
        """Draw one picture."""
        return replace(draw_layers(rng, size_px), is_local=True)


@pytest.fixture
def agreed(tmp_path: Path) -> tuple[Lab, str]:
    """Make a laboratory with a build of one subject, whose consent holds; give both."""
    lab, _ = make_lab(tmp_path)
    subject = subject_of(lab, "4711")
    lab.ledger.record([Consent(subject, tuple(Scope), date(2024, 1, 1), None)], "nurse 2")
    lab.register.note_build("spring", FINGERPRINT, [(subject, "train")])
    return lab, subject


def test_no_picture_is_used_after_a_withdrawal(tmp_path: Path, trained_weights: Path) -> None:
    lab, _ = labelled_lab(tmp_path, ("101", "102", "103"))
    make_build(lab, "spring", 1 / 3)
    name, record = next(iter(lab.clips().items()))
    lab.ledger.withdraw(record.subject, TODAY, "nurse 2")
    uses: tuple[Callable[[], object], ...] = (
        lambda: write_sheets(lab, (record,), "again"),
        lambda: store_label(lab, frame_key(name, 0), wall_label()),
        lambda: record_review(lab, (name,), Review.ACCEPTED),
        lambda: mask_box(lab, name, (50, 70, 5, 5)),
        lambda: list(lab.frames(record, [0])),
        lambda: open_build(lab, "spring"),
    )
    before = {path: path.read_bytes() for path in lab.root.rglob("*.*") if path.is_file()}
    for use in uses:
        with pytest.raises(InputError, match=record.subject):
            use()
    assert {path: path.read_bytes() for path in lab.root.rglob("*.*") if path.is_file()} == before
    segmenter = load_segmenter("smoke-001", folder=trained_weights)
    looked_at = {candidate.key.rpartition("-")[0] for candidate in find_candidates(lab, segmenter)}
    assert looked_at == set(lab.clips()) - {name}


def test_runs_inherit_what_they_learnt_from_and_stop_at_the_gate(
    tmp_path: Path, agreed: tuple[Lab, str]
) -> None:
    lab, subject = agreed
    origin = lab.origin(FINGERPRINT)
    names = ("first", "second", "third", "taught")
    runs = first, second, third, taught = tuple(tmp_path / name for name in names)
    train(ONE_STEP, first, LocalDraw(origin), report=str)
    train(ONE_STEP, second, draw_layers, report=str, start=Start(str(first)))
    train(ONE_STEP, third, draw_layers, report=str, start=Start(str(second)))
    train(ONE_STEP, taught, draw_layers, report=str, start=Start(teacher=str(second)))
    for run in runs:
        assert load_checkpoint(run / "last.pt")["progress"]["local_origins"] == [vars(origin)]
    assert lab.register.made_from(subject, "train") == tuple(sorted(runs))
    lab.ledger.withdraw(subject, TODAY, "nurse 2")
    for run in runs:
        for start in (Start(str(run)), Start(teacher=str(run))):
            with pytest.raises(WeightsError, match=f"{subject}, who withdrew"):
                train(ONE_STEP, tmp_path / "fourth", draw_layers, report=str, start=start)
        with pytest.raises(WeightsError, match=f"{subject}, who withdrew"):
            export_weights(run, "local-001", tmp_path / "models")
    with pytest.raises(WeightsError, match="who withdrew"):  # going on where the run stopped
        train(ONE_STEP, third, draw_layers, report=str)
    assert not (tmp_path / "fourth").exists() and not list((tmp_path).glob("models/*.onnx"))
    # A new consent of a later day opens the gate again.
    again = Consent(subject, tuple(Scope), date(2024, 6, 2), None)
    lab.ledger.record([again], "nurse 2")
    assert train(ONE_STEP, tmp_path / "fourth", draw_layers, report=str, start=Start(str(third)))


def test_consents_that_cannot_be_asked_stop_the_use(
    tmp_path: Path, agreed: tuple[Lab, str]
) -> None:
    lab, _ = agreed
    train(ONE_STEP, tmp_path / "first", LocalDraw(lab.origin(FINGERPRINT)), report=str)

    def go_on() -> None:
        train(
            TINY, tmp_path / "next", draw_layers, report=str, start=Start(str(tmp_path / "first"))
        )

    os.rename(lab.root, tmp_path / "moved")
    with pytest.raises(WeightsError, match="bring that laboratory's folder back there"):
        go_on()
    other, _ = make_lab(tmp_path / "other")
    other.register.note_build("spring", FINGERPRINT, [(subject_of(other, "4711"), "train")])
    shutil.copytree(tmp_path / "other" / "lab", lab.root)  # another one in its place
    with pytest.raises(WeightsError, match="bring that laboratory's folder back there"):
        go_on()
    shutil.rmtree(lab.root)
    os.rename(tmp_path / "moved", lab.root)
    go_on()


def test_a_copy_says_blocked_only_of_what_loading_refuses(
    tmp_path: Path, agreed: tuple[Lab, str], capsys: pytest.CaptureFixture[str]
) -> None:
    lab, subject = agreed
    old, inside, new = tmp_path / "first", lab.root / "runs" / "spring", tmp_path / "second"
    for run in (old, inside):
        train(ONE_STEP, run, LocalDraw(lab.origin(FINGERPRINT)), report=str)
    copy = Lab(shutil.copytree(lab.root, tmp_path / "copy"), lab.today)
    train(ONE_STEP, new, LocalDraw(copy.origin(FINGERPRINT)), report=str)
    person = ("--subject", "4711", "--site", "clinic-a", "--by", "nurse-2")
    assert command("lab", "withdraw", copy.root, *person) == 0
    text = capsys.readouterr().out
    copied = copy.root / "runs" / "spring"  # it carries what the first laboratory gave it
    assert f"Blocked runs and weights that learnt from it: {new}.\n" in text
    free = (
        "Not blocked, because they ask the laboratory that this one was copied from; withdraw "
        f"there too: {copied}, {old}"
    )
    assert f"{free}\n" in text
    status = read_status(copy, tmp_path / "models")
    assert status.blocked == (new,) and status.not_blocked == (copied, old)
    lines = list(status.lines(tmp_path))
    assert f"Blocked by a withdrawal: {new}" in lines and free in lines
    receipt, _ = erase(copy, subject, "nurse 2")
    assert receipt.weights == (str(new),) and receipt.not_blocked == (str(copied), str(old))
    for run in (old, copied, new):
        start = Start(str(run))
        if run == new:
            with pytest.raises(WeightsError, match=f"{subject}, who withdrew"):
                train(ONE_STEP, tmp_path / "next", draw_layers, report=str, start=start)
        else:
            train(ONE_STEP, tmp_path / f"of-{run.name}", draw_layers, report=str, start=start)
    # What is not found where it was is refused as well, and said to be.
    lab.root.rename(tmp_path / "elsewhere")
    assert read_status(copy, tmp_path / "models").blocked == (copied, old, new)


@pytest.fixture
def in_use(settings: Path, tmp_path: Path, agreed: tuple[Lab, str]) -> Registry:
    """Give a registry in which two local weights were promoted; the second learnt locally."""
    registry, shipped = Registry(tmp_path / "models"), weights_names()[-1]
    registry.folder.mkdir()
    before = shipped
    for name in ("local-001", "local-002"):
        card = read_card(shipped)
        model = registry.folder / f"{name}.onnx"
        content = (WEIGHTS_FOLDER / f"{shipped}.onnx").read_bytes()
        # An unknown field at the end of the file: another checksum, the same network.
        model.write_bytes(content + bytes([0xFA, 0x3E, 1, ord(name[-1])]))
        card["sha256"] = digest(model)
        card["local_origins"] = [vars(agreed[0].origin(FINGERPRINT))]
        (registry.folder / f"{name}.json").write_text(json.dumps(card))
        row = Row("all", "all", Metric.DICE, 3, 0.8, 0.9, 0.05, 0.15)
        registry.store(
            Judged(
                registry.card_sum(before), registry.card_sum(name), "spring", FINGERPRINT, 3,
                "2024-06-01", Judgement((row,), (row,), ()),
            )
        )  # fmt: skip
        registry.promote(name, "dev 1")
        before = name
    return registry


def test_weights_in_use_stop_and_the_way_back_passes_over_tainted_ones(
    in_use: Registry, agreed: tuple[Lab, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    lab, subject = agreed
    monkeypatch.setattr("layermotion.models.registry.default_models", lambda: in_use.folder)
    assert load_in_use().name == "local-002"
    lab.ledger.withdraw(subject, TODAY, "nurse 2")
    with pytest.raises(WeightsError, match="who withdrew.*models roll-back"):
        load_in_use()
    with pytest.raises(WeightsError, match="who withdrew"):
        in_use.promote("local-001", "dev 1")
    problems = {model.name: model.problem for model in in_use.models()}
    assert subject in problems["local-001"] and subject in problems["local-002"]
    assert in_use.roll_back("dev 1") == weights_names()[-1] == load_in_use().name


@pytest.mark.parametrize("store", ["http://127.0.0.1:5000", "file://elsewhere/runs", "databricks"])
def test_local_pictures_are_never_recorded_elsewhere(
    tmp_path: Path, agreed: tuple[Lab, str], store: str
) -> None:
    draw = LocalDraw(agreed[0].origin(FINGERPRINT))
    with pytest.raises(ConfigError, match="stays on this machine"):
        train(replace(TINY, tracking=store), tmp_path / "run", draw, report=str)
    assert not (tmp_path / "run" / "last.pt").exists()


def test_artefacts_of_local_runs_do_not_leave_by_a_store_that_sends_them(tmp_path: Path) -> None:
    kept: list[str] = []

    class Client:
        """Stands for a store in a file whose artefacts lie elsewhere."""

        def get_run(self, run_id: str) -> SimpleNamespace:
            return SimpleNamespace(info=SimpleNamespace(artifact_uri="s3://elsewhere/runs"))

        def log_artifact(self, run_id: str, path: str, folder: str | None) -> None:
            kept.append(path)

    weights = tmp_path / "weights"
    tracking.keep_file(Client(), {"run_id": "1", "is_local": False}, weights)
    with pytest.raises(ConfigError, match="s3://elsewhere.*stays on this machine"):
        tracking.keep_file(Client(), {"run_id": "1", "is_local": True}, weights)
    assert kept == [str(weights)]


def test_sheets_of_samples_show_no_local_picture(tmp_path: Path, agreed: tuple[Lab, str]) -> None:
    run = tmp_path / "run"
    train(ONE_STEP, run, LocalDraw(agreed[0].origin(FINGERPRINT)), report=str)
    assert not (run / tracking.SHEET_NAME).exists()

    def draw_either(rng: np.random.Generator, size_px: int) -> Scene:
        drawn = draw_layers(rng, size_px)
        is_local = bool(rng.integers(2))
        image = np.full_like(drawn.image, 255) if is_local else drawn.image // 2
        return replace(drawn, image=image, is_local=is_local)

    batches = validation_batches(replace(TINY, validation_examples=16), draw_either)
    assert any(batch.is_local.any() for batch in batches)
    write_samples(
        tmp_path, LayerNet(TINY).eval(), batches, next(LayerNet(TINY).parameters()).device
    )
    sheet = cv2.imread(str(tmp_path / tracking.SHEET_NAME))
    assert sheet is not None and (sheet.min(axis=2) == 255).mean() < 0.01


def test_training_is_watched_by_subjects_held_aside(tmp_path: Path) -> None:
    lab, _ = labelled_lab(tmp_path, ("101", "102", "103", "104", "105", "106"))
    build = make_build(lab, "spring", 1 / 6).build
    draw = MixedDraw(build, 0.5)
    watched = draw.watched
    assert isinstance(watched, MixedDraw) and watched.synthetic_share == 0
    assert len(watched.subjects) == 1 and len(draw.subjects) == 4
    assert set(watched.subjects) | set(draw.subjects) == set(build.subjects(Split.TRAIN))
    assert watched(np.random.default_rng(1), 64).is_local
    assert lab.origin(build.fingerprint) == draw.origin


def test_frames_without_a_label_take_the_place_of_the_generators(tmp_path: Path) -> None:
    lab, _ = labelled_lab(tmp_path, ("101", "102", "103", "104", "105"))
    for name in lab.clips():
        unlabel(lab, frame_key(name, 1))
    build = make_build(lab, "spring", 1 / 5).build
    without, with_them = (MixedDraw(build, 0.75, uses_unlabelled=used) for used in (False, True))
    (aside,) = set(build.subjects(Split.TRAIN)) - set(with_them.subjects)
    assert {f.subject for f in with_them.unlabelled} == set(with_them.subjects)
    assert aside in {f.subject for f in build.unlabelled} and without.unlabelled == ()
    assert without.source != with_them.source
    watched = with_them.watched
    assert isinstance(watched, MixedDraw) and watched.unlabelled == ()
    counts = [0, 0]
    for seed in range(60):
        old, new = (draw(np.random.default_rng(seed), 64) for draw in (without, with_them))
        assert old.label is not None
        # What teaches a label is the same with and without.
        assert old.is_local == (new.is_local and new.label is not None)
        if new.label is not None:
            assert np.array_equal(old.image, new.image)
        counts[0] += old.is_local
        counts[1] += new.label is None
    assert 7 <= counts[0] <= 24 and 7 <= counts[1] <= 24  # a quarter each
