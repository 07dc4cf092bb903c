"""Data, loop and export: what training promises, on scenes small enough to check."""

import math
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import pytest
import torch
from drawing import draw_layers, draw_local_layers, draw_partly_labelled
from tiny import TINY
from trained import OVERRIDES, SCENES, STEPS, draw_known

from layermotion import __version__
from layermotion.errors import ConfigError, InputError
from layermotion.network.segmenter import WEIGHTS_FOLDER, load_segmenter
from layermotion.training import checkpoint, tracking
from layermotion.training.augment import Augmentation
from layermotion.training.checkpoint import load_checkpoint
from layermotion.training.composing import load_settings
from layermotion.training.data import Batch, TrainingStream, ValidationSet, collate, seeded
from layermotion.training.drawing import Draw
from layermotion.training.export import export_weights
from layermotion.training.loop import Start, train
from layermotion.training.network import (
    Answers,
    agreement_loss,
    boundary_band,
    compute_local_losses,
    compute_losses,
    held_loss,
    soft_dice_loss,
)
from layermotion.training.samples import GAP_PX, draw_samples
from layermotion.training.scoring import evaluate
from layermotion.training.settings import TrainSettings


def losses(out: Path) -> dict[int, float]:
    return {row.step: row.value for row in tracking.read(out) if row.name == "loss_total"}


# Data


def batches(settings: TrainSettings, first: int, count: int, workers: int = 0) -> list[Batch]:
    stream = TrainingStream(replace(settings, workers=workers), draw_layers, first)
    if workers == 0:
        return list(islice(stream, count))
    from layermotion.training.data import training_batches

    return [next(loader) for loader in [training_batches(stream, pin=False)] for _ in range(count)]


def test_a_batch_is_the_same_wherever_the_run_started_and_with_any_workers() -> None:
    whole = batches(TINY, 0, 5)
    assert torch.equal(batches(TINY, 3, 2)[1].image, whole[4].image)
    for mine, theirs in zip(batches(TINY, 0, 5, workers=2), whole, strict=True):
        assert all(torch.equal(a, b) for a, b in zip(mine, theirs, strict=True))
    assert not torch.equal(whole[0].image, whole[1].image)
    assert not torch.equal(batches(replace(TINY, seed=1), 0, 1)[0].image, whole[0].image)


def test_reuse_shows_each_example_in_that_many_batches_and_never_twice_in_one() -> None:
    settings = replace(TINY, reuse=2, workers=2)
    drawn: list[bytes] = []

    def counted(rng: np.random.Generator, size_px: int) -> object:
        example = draw_layers(rng, size_px)
        drawn.append(example.image.tobytes())
        return example

    seen: list[list[bytes]] = []
    stream = TrainingStream(settings, counted, 0, augment=False)  # type: ignore[arg-type]
    for batch in islice(stream, 12):
        seen.append([image.numpy().tobytes() for image in batch.image])
    assert all(len(set(batch)) == settings.batch_size for batch in seen)
    counts = {image: sum(image in batch for batch in seen) for image in drawn}
    # The first and the last chunks have one of their two uses outside these 12 batches.
    assert sorted(counts.values()) == [1] * 8 + [2] * 20
    resumed = list(islice(TrainingStream(settings, draw_layers, 7), 1))[0]
    direct = list(islice(TrainingStream(settings, draw_layers, 0), 8))[7]
    assert torch.equal(resumed.image, direct.image)


def test_processes_share_no_example() -> None:
    images = [
        {image.numpy().tobytes() for batch in islice(stream, 3) for image in batch.image}
        for rank in (0, 1)
        for stream in [TrainingStream(TINY, draw_layers, 0, rank, 2, augment=False)]
    ]
    assert len(images[0]) == len(images[1]) == 12
    assert not images[0] & images[1]


def test_validation_does_not_depend_on_the_seed_and_shares_nothing_with_training() -> None:
    mine, theirs = (
        ValidationSet(TINY, draw_layers),
        ValidationSet(replace(TINY, seed=5), draw_layers),
    )
    assert np.array_equal(mine[3].image, theirs[3].image)
    training = [
        image
        for batch in islice(TrainingStream(TINY, draw_layers, 0, augment=False), 4)
        for image in batch.image[:, 0].numpy()
    ]
    assert not any(np.array_equal(example.image, image) for example in mine for image in training)


def test_augmentation_is_decided_by_the_generator_and_moves_label_with_image() -> None:
    example = next(e for e in (draw_layers(seeded(i), 320) for i in range(20)) if e.view == 1)
    # An image whose grey tells its label, so that the two can be compared after a change.
    telling = (example.label * 40 + 20).astype(np.uint8)
    augmentation = Augmentation()
    unchanged = 0
    for index in range(40):
        image, plain, label = augmentation(telling, example.label, seeded(1, index))
        again, _, label_again = augmentation(telling, example.label, seeded(1, index))
        assert np.array_equal(image, again) and np.array_equal(label, label_again)
        # Shapes change without greys, and no label changes neither.
        assert (plain == label * 40 + 20)[label > 0].mean() > 0.9
        alone = augmentation(telling, None, seeded(1, index))
        assert np.array_equal(alone.image, image) and np.array_equal(alone.plain, plain)
        assert alone.label is None
        assert image.shape == label.shape == (320, 160)
        assert image.dtype == label.dtype == np.uint8
        assert set(np.unique(label)) <= set(range(6))
        unchanged += np.array_equal(image, telling)
        # Greys are never inverted: the mean grey still rises with the label.
        inside = [image[label == value].mean() for value in (1, 2, 3, 4)]
        assert np.corrcoef(inside, [1, 2, 3, 4])[0, 1] > 0.9
    # Each change has its own chance: few images escape all (6 % expected). With one seed for
    # every link of the chain, half of them did.
    assert unchanged < 8


# Loss and scores


def test_the_band_reaches_the_stated_distance() -> None:
    label = torch.zeros(1, 16, 16, dtype=torch.uint8)
    label[:, 8:] = 3
    rows = boundary_band(label, 2)[0].any(1)
    assert rows.nonzero().flatten().tolist() == [6, 7, 8, 9]


def test_dice_by_hand_and_absent_classes_do_not_count() -> None:
    label = torch.tensor([[[0, 0], [1, 1]]])
    certain = 50 * torch.nn.functional.one_hot(torch.tensor([[[0, 1], [1, 1]]]), 6)
    logits = certain.permute(0, 3, 1, 2).float()
    # Class 0: 2 * 1 / (1 + 2); class 1: 2 * 2 / (3 + 2); classes 2 to 5 do not occur.
    assert soft_dice_loss(logits, label).item() == pytest.approx(1 - (2 / 3 + 4 / 5) / 2)
    wrong = logits.roll(2, 1)
    assert soft_dice_loss(wrong, label).item() == pytest.approx(1, abs=1e-6)


def test_scores_count_only_images_with_the_structure() -> None:
    truth = torch.zeros(2, 8, 8, dtype=torch.uint8)
    truth[0, :4] = 1

    class Fixed(torch.nn.Module):
        def forward(self, image: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
            logits = torch.zeros(2, 6, 8, 8)
            logits[0, 1, :2] = 1  # finds half of the fat in the first image, none in the second
            return logits, torch.tensor([[0.0, 1, 0], [0, 1, 0]])

    image, no = torch.zeros(2, 1, 8, 8), torch.zeros(2, dtype=torch.bool)
    batch = Batch(image, image, truth, torch.tensor([1, 2]), torch.ones(2), no, ~no)
    values = evaluate(Fixed(), [batch], torch.device("cpu"))
    assert values["dice_fat"] == pytest.approx(2 * 16 / (16 + 32))
    assert values["images_fat"] == 1
    assert np.isnan(values["dice_tra"]) and values["images_tra"] == 0
    assert values["view_accuracy"] == 0.5


def test_the_sheet_of_samples_shows_what_was_found_over_what_is_true() -> None:
    class Blind(torch.nn.Module):
        def forward(self, image: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
            logits = torch.zeros(len(image), 6, *image.shape[2:])
            logits[:, 0] = 1
            return logits, torch.zeros(len(image), 3)

    scenes = [draw_layers(seeded(index), 64) for index in range(8)]
    batches = [collate(scenes[:4]), collate(scenes[4:])]
    sheet = draw_samples(Blind(), batches, torch.device("cpu"))
    assert sheet.shape == (2 * 64 + 3 * GAP_PX, 6 * 64 + 7 * GAP_PX, 3)
    found, true = sheet[GAP_PX : 64 + GAP_PX], sheet[64 + 2 * GAP_PX : -GAP_PX]
    # The blind network leaves the grey pictures as they are; the truth below has colours.
    assert (np.ptp(found, axis=2) == 0).all() and (np.ptp(true, axis=2) > 0).mean() > 0.02
    same = np.ptp(true, axis=2) == 0
    assert np.array_equal(found[same], true[same])


def test_held_loss_is_the_divergence_from_what_was_known() -> None:
    own, known = (torch.tensor([[p, 1 - p]]).log()[..., None, None] for p in (0.5, 0.9))
    expected = 0.9 * math.log(0.9 / 0.5) + 0.1 * math.log(0.1 / 0.5)
    assert float(held_loss(own.expand(1, 2, 3, 4), known.expand(1, 2, 3, 4))) == pytest.approx(
        expected
    )
    assert float(held_loss(known + 3, known)) == pytest.approx(0, abs=1e-6)


def test_local_pictures_teach_their_truth_and_the_others_hold_what_was_known() -> None:
    settings = replace(TINY, hold_weight=2.0)
    torch.manual_seed(0)
    batch = collate([draw_local_layers(np.random.default_rng(seed), 64) for seed in range(6)])
    local = batch.is_local
    assert 0 < int(local.sum()) < len(local)
    answers, known = (
        (torch.randn(6, 6, 64, 32, requires_grad=True), torch.randn(6, 3)) for _ in range(2)
    )

    def find(answers: Answers, batch: Batch) -> dict[str, torch.Tensor]:
        held = ~batch.is_local
        begun = {images.numpy().tobytes(): n for n, images in enumerate(batch.image)}

        def began_as(images: torch.Tensor) -> Answers:
            places = [begun[image.numpy().tobytes()] for image in images]
            assert places == held.nonzero().flatten().tolist()
            return known[0][places], known[1][places]

        return compute_local_losses(answers, batch, settings, began_as, fail)

    found = find(answers, batch)
    taught = compute_losses(answers[0][local], answers[1][local], batch.where(local), settings)
    held = held_loss(answers[0][~local], known[0][~local]) + settings.view_weight * held_loss(
        answers[1][~local], known[1][~local]
    )
    share = float(local.float().mean())
    total = share * taught.total + 2.0 * (1 - share) * held
    torch.testing.assert_close(found["total"], total)
    torch.testing.assert_close(found["held"], held)
    torch.testing.assert_close(found["dice"], taught.dice)
    only = find(answers, batch._replace(is_local=local | True))
    torch.testing.assert_close(only["total"], compute_losses(*answers, batch, settings).total)
    none = find(known, batch._replace(is_local=local & False))
    assert float(none["total"].detach()) == pytest.approx(0, abs=1e-6)
    assert float(none["dice"]) == 0


def fail(images: torch.Tensor) -> Answers:
    """Stand for a network that nobody is to ask."""
    raise AssertionError(images.shape)


def test_agreement_by_hand() -> None:
    own, wanted = (torch.tensor(p).log()[None, :, None, None] for p in ((0.5, 0.5), (0.9, 0.1)))
    loss = agreement_loss(own.expand(1, 2, 3, 4) + 7, wanted.expand(1, 2, 3, 4))
    assert float(loss) == pytest.approx(2 * 0.4**2)
    assert float(agreement_loss(wanted, wanted)) == 0


def test_pictures_without_a_label_agree_with_the_average_on_the_plain_picture() -> None:
    settings = replace(TINY, agree_weight=3.0, batch_size=12)
    batch = next(iter(TrainingStream(settings, draw_partly_labelled, 0)))
    unlabelled = ~batch.is_labelled
    assert 0 < int(unlabelled.sum()) < int(batch.is_local.sum()) < 12
    assert not torch.equal(batch.image[unlabelled], batch.plain[unlabelled])

    def average(images: torch.Tensor) -> Answers:
        grey = images.float() / 255
        return torch.cat([grey, grey.expand(-1, 5, -1, -1) / 2], 1), grey.mean((2, 3)).expand(-1, 3)

    answers = (torch.randn(12, 6, 64, 32, requires_grad=True), torch.randn(12, 3))
    found = compute_local_losses(answers, batch, settings, None, average)
    wanted = average(batch.plain[unlabelled])
    agreed = agreement_loss(answers[0][unlabelled], wanted[0])
    agreed += settings.view_weight * agreement_loss(answers[1][unlabelled], wanted[1])
    rest = batch.is_labelled
    taught = compute_losses(answers[0][rest], answers[1][rest], batch.where(rest), settings)
    share = float(unlabelled.float().mean())
    torch.testing.assert_close(found["agreed"], agreed)
    torch.testing.assert_close(found["total"], (1 - share) * taught.total + 3.0 * share * agreed)
    # Without a label there is no truth, whatever stands in its place.
    other = batch._replace(label=batch.label + unlabelled[:, None, None].byte())
    again = compute_local_losses(answers, other, settings, None, average)
    assert torch.equal(again["total"], found["total"])
    only = batch.where(unlabelled)
    few = (answers[0][unlabelled], answers[1][unlabelled])
    alone = compute_local_losses(few, only, settings, fail, average)
    torch.testing.assert_close(alone["total"], 3.0 * agreed)
    assert float(alone["dice"].detach()) == 0


# Loop


@pytest.mark.parametrize(
    ("changed", "draw"),
    [
        ({}, draw_layers),
        ({"reuse": 2}, draw_layers),
        ({"agree_weight": 1.0}, draw_partly_labelled),
    ],
)
def test_stopping_and_going_on_equals_not_stopping(
    tmp_path: Path, changed: dict[str, Any], draw: Draw
) -> None:
    settings = replace(TINY, **changed)
    whole, parts = tmp_path / "whole", tmp_path / "parts"
    train(settings, whole, draw, report=str)
    lines: list[str] = []

    def stop_at_three(line: str) -> None:
        lines.append(line)
        if line.startswith("step 3/"):
            os.kill(os.getpid(), signal.SIGTERM)

    first = train(settings, parts, draw, report=stop_at_three)
    assert (first.step, first.is_finished) == (3, False)
    second = train(settings, parts, draw, report=lines.append)
    assert (second.step, second.examples_seen, second.is_finished) == (6, 24, True)
    assert any("going on from step 3" in line for line in lines)
    assert losses(parts) == losses(whole)
    mine, theirs = (load_checkpoint(out / "last.pt") for out in (parts, whole))
    for kind in ("model", "average"):
        for name, tensor in mine[kind].items():
            assert torch.equal(tensor, theirs[kind][name])
    assert mine["progress"] == theirs["progress"]
    # A finished run is left alone.
    assert train(settings, parts, draw, report=str).step == 6


def test_a_mean_in_the_log_survives_a_stop_between_two_rows(tmp_path: Path) -> None:
    settings = replace(TINY, log_every_steps=4, validate_every_steps=100, checkpoint_every_s=0)
    train(settings, tmp_path / "whole", draw_layers, report=str)
    parts = tmp_path / "parts"
    count = 0

    def stopping(rng: np.random.Generator, size_px: int) -> object:
        nonlocal count
        count += 1
        if count == 4 * 3:
            os.kill(os.getpid(), signal.SIGINT)
        return draw_layers(rng, size_px)

    stopping.__module__, stopping.__qualname__ = draw_layers.__module__, "draw_layers"
    assert train(settings, parts, stopping, report=str).step == 3  # type: ignore[arg-type]
    train(settings, parts, draw_layers, report=str)
    assert losses(parts) == pytest.approx(losses(tmp_path / "whole"), rel=1e-6)


def test_rows_after_the_checkpoint_are_written_again_not_twice(tmp_path: Path) -> None:
    train(replace(TINY, steps=4), tmp_path, draw_layers, report=str)
    expected = tracking.read(tmp_path)
    tracking.append(tmp_path, 5, {"loss_total": 9.0})
    with (tmp_path / "metrics.csv").open("a") as file:
        file.write("6,17")  # cut short by a kill
    train(replace(TINY, steps=4), tmp_path, draw_layers, report=str)
    assert tracking.read(tmp_path) == expected


def test_a_folder_with_other_settings_is_refused(tmp_path: Path) -> None:
    train(replace(TINY, steps=1), tmp_path, draw_layers, report=str)
    with pytest.raises(ConfigError, match="holds a run with steps=1, not 6; choose another folder"):
        train(TINY, tmp_path, draw_layers, report=str)
    # What no number depends on may change.
    train(
        replace(TINY, steps=1, checkpoint_every_s=9, workers=2), tmp_path, draw_layers, report=str
    )


def test_a_run_starts_from_another_run_or_from_shipped_weights(
    tmp_path: Path, trained_weights: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checkpoint, "WEIGHTS_FOLDER", trained_weights)
    run = trained_weights / "run"
    first = load_checkpoint(run / "last.pt")["average"]
    # A step of no length leaves the weights where they started.
    still = replace(
        load_settings("smoke", OVERRIDES), steps=1, learning_rate=1e-30, weight_decay=0.0
    )
    for number, (source, tolerance) in enumerate(((str(run), 1e-6), ("smoke-001", 1e-3))):
        out = tmp_path / str(number)
        train(still, out, draw_known, report=str, start=Start(source))
        state = load_checkpoint(out / "last.pt")
        weight = "unet.segmentation_head.0.weight"
        torch.testing.assert_close(
            state["model"][weight], first[weight], rtol=tolerance, atol=tolerance
        )
        assert state["progress"]["spacing_range_mm"][0] <= 0.3
        scores = {row.name: row.value for row in tracking.read(run) if row.step == STEPS}
        begun = {row.name: row.value for row in tracking.read(out) if row.step == 0}
        assert begun == pytest.approx({name: scores[name] for name in begun}, abs=tolerance)
        assert begun["dice_fat"] > 0, "what it starts with is scored"
    with pytest.raises(ConfigError, match="holds another network; give the same encoder"):
        train(TINY, tmp_path / "other", draw_layers, report=str, start=Start("smoke-001"))
    with pytest.raises(ConfigError, match="nowhere is neither the folder of a run .* smoke-001"):
        train(TINY, tmp_path / "none", draw_layers, report=str, start=Start("nowhere"))


@pytest.mark.parametrize("option", ["--from", "--teacher"])
def test_a_run_that_began_otherwise_is_refused(option: str, tmp_path: Path) -> None:
    short = replace(TINY, steps=1)
    for name in ("one", "other"):
        train(short, tmp_path / name, draw_layers, report=str)

    def go_on(run: str, source: str | None) -> bool:
        source = source and str(tmp_path / source)
        start = Start(source) if option == "--from" else Start(teacher=source)
        return train(short, tmp_path / run, draw_layers, report=str, start=start).is_finished

    assert go_on("run", "one")
    assert go_on("run", "one/last.pt")
    # The same start in other letters, and none, go on; what it began with may be gone.
    shutil.move(tmp_path / "one", tmp_path / "moved")
    assert go_on("run", "one/") and go_on("run", None)
    whole = (tmp_path / "run" / "last.pt").read_bytes()
    with pytest.raises(
        ConfigError, match=f"run was begun with {option} .*one; give it again, or choose another f"
    ):
        go_on("run", "other")
    assert (tmp_path / "run" / "last.pt").read_bytes() == whole
    with pytest.raises(
        ConfigError, match=f"moved was begun without {option}; leave it out, or choose another f"
    ):
        go_on("moved", "other")


def test_a_time_limit_stops_and_saves(tmp_path: Path) -> None:
    result = train(replace(TINY, steps=9999), tmp_path, draw_layers, max_seconds=2, report=str)
    assert not result.is_finished and result.step > 0
    assert load_checkpoint(tmp_path / "last.pt")["progress"]["step"] == result.step


@pytest.mark.slow
def test_a_run_killed_at_any_moment_goes_on_with_the_same_losses(tmp_path: Path) -> None:
    # So many steps that they take longer than the latest kill.
    settings = replace(TINY, steps=40, validate_every_steps=100)
    train(settings, tmp_path / "whole", draw_layers, report=str)
    parts = tmp_path / "parts"
    saving = replace(settings, checkpoint_every_s=0)
    code = TRAIN_CODE.format(settings=saving, out=str(parts))
    process = subprocess.Popen([sys.executable, "-c", code], cwd=HERE)
    while process.poll() is None and not (parts / "last.pt").exists():
        time.sleep(0.01)
    time.sleep(np.random.default_rng().uniform(0, 0.3))  # a new moment in every run of this test
    process.kill()
    assert process.wait() == -signal.SIGKILL
    assert 0 < load_checkpoint(parts / "last.pt")["progress"]["step"] < settings.steps
    assert train(settings, parts, draw_layers, report=str).is_finished
    assert losses(parts) == pytest.approx(losses(tmp_path / "whole"), rel=1e-6)


HERE = Path(__file__).parent
TRAIN_CODE = """
from pathlib import Path
from drawing import draw_layers
from layermotion.training.loop import train
from layermotion.training.settings import TrainSettings
train({settings!r}, Path({out!r}), draw_layers, report=str)
"""


# Tracking


def test_a_run_is_recorded_once_and_only_new_rows_are_added(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    from mlflow import MlflowClient

    lines: list[str] = []
    train(replace(TINY, tracking="sqlite"), tmp_path, draw_layers, report=lines.append)
    assert capfd.readouterr().err == ""
    assert not any("nan" in line for line in lines)
    client = MlflowClient(f"sqlite:///{tmp_path / 'mlflow.db'}")
    run_id = tracking.record_run(tmp_path)
    run = client.get_run(run_id)
    assert run.info.status == "FINISHED"
    assert run.data.params["size_px"] == "64"
    history = client.get_metric_history(run_id, "loss_total")
    assert {m.step: m.value for m in history} == losses(tmp_path)
    assert run.data.tags["layermotion"] == __version__
    assert len(run.data.tags["code_sha256"]) == 64
    assert run.data.tags["pictures"].startswith("drawing.draw_layers ")
    weights = tmp_path / "local-001.onnx"
    weights.write_bytes(b"weights")
    tracking.record_files(tmp_path, [weights])
    tracking.record_files(tmp_path / "never-recorded", [weights])
    assert [file.path for file in client.list_artifacts(run_id)] == ["samples.png", "weights"]
    (kept,) = (tmp_path / "artifacts").rglob("weights/local-001.onnx")
    assert kept.read_bytes() == b"weights"
    tracking.append(tmp_path, 7, {"loss_total": 0.25})
    assert tracking.record_run(tmp_path) == run_id
    assert len(client.get_metric_history(run_id, "loss_total")) == 7


def test_a_store_that_cannot_be_opened_is_refused_before_training(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    present = tracking.importlib.util.find_spec
    monkeypatch.setattr(
        tracking.importlib.util, "find_spec", lambda n: None if n == "sqlalchemy" else present(n)
    )
    with pytest.raises(ConfigError, match="needs the package sqlalchemy.*give tracking=csv"):
        train(replace(TINY, tracking="sqlite"), tmp_path / "run", draw_layers, report=str)
    assert not (tmp_path / "run").exists()


# Export


def test_the_card_tells_what_the_weights_are(trained_weights: Path) -> None:
    import hashlib
    import json

    card = json.loads((trained_weights / "smoke-001.json").read_text())
    content = (trained_weights / "smoke-001.onnx").read_bytes()
    assert card["sha256"] == hashlib.sha256(content).hexdigest()
    assert card["classes"] == ["background", "fat", "eo", "io", "tra", "bladder"]
    assert (card["training_steps"], card["examples_seen"]) == (STEPS, 4 * STEPS)
    assert card["export_difference"] < 1e-4
    assert 0 < card["eight_bit_difference"] < 0.01
    low, high = card["spacing_range_mm"]
    assert 0.1 <= low < high <= 0.3  # what draw_layers draws
    assert len(content) < 16 * 2**20


def test_a_name_is_used_once(trained_weights: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="smoke-001 is taken"):
        export_weights(tmp_path, "smoke-001", trained_weights)
    with pytest.raises(InputError, match="smoke_1 cannot name weights"):
        export_weights(tmp_path, "smoke_1", trained_weights)
    with pytest.raises(InputError, match="holds no last.pt"):
        export_weights(tmp_path, "smoke-002", trained_weights)


def test_four_scenes_are_learnt_by_heart_and_survive_export(trained_weights: Path) -> None:
    segmenter = load_segmenter("smoke-001", threads=1, folder=trained_weights)
    batch = collate(SCENES)
    probabilities, view = segmenter.run(batch.image[:, 0].numpy())
    predicted, truth = probabilities.argmax(1), batch.label.numpy()
    for label in range(1, 6):
        mine, theirs = predicted == label, truth == label
        assert theirs.any()
        assert 2 * (mine & theirs).sum() / (mine.sum() + theirs.sum()) > 0.9, label
    assert view.argmax(1).tolist() == batch.view.tolist()


def test_the_generator_and_the_weights_agree_on_the_views() -> None:
    from layermotion.network.segmenter import VIEW_CLASSES
    from layermotion_synthetic.dataset import VIEWS

    assert VIEWS == VIEW_CLASSES


def test_shipped_weights_name_no_file_of_the_machine_that_exported_them() -> None:
    (path,) = WEIGHTS_FOLDER.glob("*.onnx")
    model = onnx.load(path)
    parts = (model, model.graph, *model.graph.node, *model.graph.value_info)
    assert not any(part.metadata_props or part.doc_string for part in parts)
