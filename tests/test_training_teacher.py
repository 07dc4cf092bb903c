"""A run learns the answers of other weights beside the truth."""

from dataclasses import replace
from pathlib import Path

import pytest
import torch
from drawing import draw_layers
from tiny import TINY
from torch.nn import functional

from layermotion.errors import ConfigError
from layermotion.training import tracking
from layermotion.training.checkpoint import Progress, load_checkpoint
from layermotion.training.loop import Start, train
from layermotion.training.network import Losses
from layermotion.training.teacher import add_taught, read_teacher

SMALLER = replace(TINY, decoder_channels=(16, 16, 8, 8), steps=4)


@pytest.fixture(scope="module")
def teacher(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("teacher")
    train(replace(TINY, steps=2, seed=5), out, draw_layers, report=str)
    return out


def test_what_is_taught_is_added_to_what_is_true() -> None:
    one = torch.tensor(1.0)
    answers = torch.randn(2, 6, 4, 4), torch.randn(2, 3)
    wanted = torch.randn(2, 6, 4, 4), torch.randn(2, 3)
    settings = replace(TINY, view_weight=0.5, teacher_weight=2.0)
    found = add_taught(Losses(one, one, one, one), answers, wanted, settings)
    classes, views = (
        functional.kl_div(own.log_softmax(1), its.softmax(1), reduction="sum")
        for own, its in zip(answers, wanted, strict=True)
    )
    taught = classes / (2 * 4 * 4) + 0.5 * views / 2
    assert found["taught"] == pytest.approx(taught.item(), rel=1e-5)
    assert found["total"] == pytest.approx(1 + 2 * taught.item(), rel=1e-5)
    same = add_taught(Losses(one, one, one, one), wanted, wanted, settings)
    assert same["total"] == pytest.approx(1, abs=1e-6)


def test_a_teacher_answers_the_same_every_time(teacher: Path) -> None:
    found, _ = read_teacher(str(teacher))
    network = found.network(torch.device("cpu"))
    image = torch.randint(0, 256, (2, 1, TINY.size_px, TINY.size_px // 2), dtype=torch.uint8)
    once, again = network(image), network(image)
    assert all(torch.equal(one, other) for one, other in zip(once, again, strict=True))
    assert not any(answer.requires_grad for answer in once)


def test_a_run_comes_nearer_to_its_teacher(tmp_path: Path, teacher: Path) -> None:
    settings = replace(SMALLER, steps=30, log_every_steps=1, teacher_weight=5.0)
    train(settings, tmp_path, draw_layers, report=str, start=Start(teacher=str(teacher)))
    taught = [row.value for row in tracking.read(tmp_path) if row.name == "loss_taught"]
    assert len(taught) == 30
    assert sum(taught[-5:]) < 0.75 * sum(taught[:5])


def test_stopping_and_going_on_needs_no_teacher_again(tmp_path: Path, teacher: Path) -> None:
    start = Start(teacher=str(teacher))
    train(SMALLER, tmp_path / "whole", draw_layers, report=str, start=start)
    parts = tmp_path / "parts"
    train(SMALLER, parts, draw_layers, report=str, start=start, max_seconds=0)
    assert load_checkpoint(parts / "last.pt")["progress"]["step"] < SMALLER.steps
    train(SMALLER, parts, draw_layers, report=str)
    one, other = (load_checkpoint(tmp_path / n / "last.pt")["average"] for n in ("whole", "parts"))
    assert all(torch.equal(one[name], other[name]) for name in one)


def test_the_same_encoder_begins_as_the_teachers(tmp_path: Path, teacher: Path) -> None:
    begun = tmp_path / "begun"
    start = Start(teacher=str(teacher))
    train(SMALLER, begun, draw_layers, report=str, start=start, max_seconds=0)
    own, its = (load_checkpoint(out / "last.pt")["average"] for out in (begun, teacher))
    name = next(name for name in own if name.startswith("unet.encoder.") and own[name].dim() == 4)
    chance = tmp_path / "chance"
    train(SMALLER, chance, draw_layers, report=str, max_seconds=0)
    far = load_checkpoint(chance / "last.pt")["average"][name]
    assert (own[name] - its[name]).abs().mean() < 0.5 * (far - its[name]).abs().mean()


def test_weights_know_what_their_teacher_learnt_from() -> None:
    entry = {"lab": "a", "build": "b"}
    own = Progress(step=3, sources=["x"], spacing_range_mm=[0.2, 0.3])
    its = Progress(step=9, sources=["y", "x"], local_origins=[entry], spacing_range_mm=[0.1, 0.25])
    both = own.joined_with(its)
    assert (both.step, both.sources, both.local_origins) == (0, ["x", "y"], [entry])
    assert both.spacing_range_mm == [0.1, 0.3]
    assert both.joined_with(its).local_origins == [entry]


def test_a_teacher_with_held_answers_or_nowhere_is_refused(tmp_path: Path, teacher: Path) -> None:
    for changed in ({"hold_weight": 1.0}, {"agree_weight": 1.0}):
        with pytest.raises(ConfigError, match="A teacher answers every picture"):
            train(
                replace(SMALLER, **changed), tmp_path, draw_layers, report=str,
                start=Start(teacher=str(teacher)),
            )  # fmt: skip
    with pytest.raises(ConfigError, match="nowhere is neither"):
        train(SMALLER, tmp_path, draw_layers, report=str, start=Start(teacher="nowhere"))
