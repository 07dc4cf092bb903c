"""Keeping a share of what was learnt: how much, where the weights end, and after a stop."""

import copy
import os
import signal
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from drawing import draw_layers, draw_local_layers
from tiny import TINY
from torch import nn

from layermotion.errors import ConfigError
from layermotion.lab import tuning
from layermotion.lab.tuning import SHARES, settle
from layermotion.training import tracking
from layermotion.training.checkpoint import load_checkpoint, save_checkpoint
from layermotion.training.drawing import Draw
from layermotion.training.loop import Start, train
from layermotion.training.network import LayerNet
from layermotion.training.settings import TrainSettings

SIZE_PX = 64


@pytest.fixture
def few_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tuning, "CHOOSING_PICTURES", 2)


def two_networks() -> tuple[LayerNet, dict[str, torch.Tensor]]:
    """Give a network that learnt, and the weights it began from."""
    torch.manual_seed(1)
    network = LayerNet(TINY).eval()
    start = copy.deepcopy(network.state_dict())
    with torch.no_grad():
        for weight in network.parameters():
            weight += 0.1 * torch.randn_like(weight)
    return network, start


@pytest.mark.parametrize(
    ("growths", "tried", "kept"),
    [
        ({1.0: 0.005}, (0, 1), 1.0),
        ({1.0: -0.2}, (0, 1), 1.0),
        ({1.0: 0.3, 0.6: 0.005, 0.8: 0.02}, (0, 1, 0.6, 0.8), 0.6),
        ({1.0: 0.3, 0.6: 0.005, 0.8: 0.009}, (0, 1, 0.6, 0.8), 0.8),
        ({1.0: 0.3, 0.6: 0.2, 0.4: 0.05, 0.2: 0.02}, (0, 1, 0.6, 0.4, 0.2), 0.0),
        ({1.0: 0.3, 0.6: 0.2, 0.4: 0.05, 0.2: 0.009}, (0, 1, 0.6, 0.4, 0.2), 0.2),
    ],
)
def test_the_largest_share_that_forgets_little_is_kept(
    growths: dict[float, float],
    tried: tuple[float, ...],
    kept: float,
    few_pictures: None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    network, start = two_networks()
    learnt = copy.deepcopy(network.state_dict())
    first = next(iter(start))
    whole = float((learnt[first] - start[first]).norm())
    seen: list[float] = []

    def dice(model: nn.Module, batches: object, device: torch.device) -> dict[str, float]:
        # Each share is scored with its own weights.
        seen.append(round(float((model.state_dict()[first] - start[first]).norm()) / whole, 4))
        return {"dice_mean": 1 - 0.1 * (1 + (growths | {0.0: 0.0})[seen[-1]])}

    monkeypatch.setattr(tuning, "evaluate", dice)
    lines: list[str] = []
    values = settle(network, start, SIZE_PX, lines.append)
    assert values["kept_share"] == kept and kept in (*SHARES, 0.0)
    assert values["forgetting"] == pytest.approx(growths.get(kept, 0.0))
    assert tuple(seen) == tried
    assert lines[-1] == f"keeping {100 * kept:.0f} % of what was learnt"
    assert len(lines) == 1 + len(growths) + 1  # something is said at every step
    for name, tensor in network.state_dict().items():
        if tensor.is_floating_point():
            expected = start[name] + kept * (learnt[name] - start[name])
            torch.testing.assert_close(tensor, expected)
        else:
            assert torch.equal(tensor, learnt[name])


def test_what_is_kept_is_decided_once_and_the_same_after_a_stop(tmp_path: Path) -> None:
    train(TINY, tmp_path / "before", draw_layers, report=str)
    start = load_checkpoint(tmp_path / "before" / "last.pt")["average"]
    began: list[torch.Tensor] = []

    def halve(average: nn.Module, begun: dict[str, torch.Tensor]) -> dict[str, float]:
        began.append(begun["unet.segmentation_head.0.weight"].clone())
        for name, tensor in average.state_dict().items():
            if tensor.is_floating_point():
                tensor.copy_(torch.lerp(begun[name], tensor.clone(), 0.5))
        return {"kept_share": 0.5}

    def go_on(name: str, stop_after: str = "never", settled: bool = True) -> bool:
        def report(line: str) -> None:
            if line.startswith(stop_after):
                os.kill(os.getpid(), signal.SIGTERM)

        result = train(
            TINY, tmp_path / name, draw_layers, report=report,
            start=Start(str(tmp_path / "before"), True, halve if settled else None),
        )  # fmt: skip
        return result.is_finished

    def average(name: str) -> torch.Tensor:
        state = load_checkpoint(tmp_path / name / "last.pt")
        return torch.as_tensor(state["average"]["unet.segmentation_head.0.weight"])

    assert go_on("plain", settled=False) and go_on("whole")
    assert not go_on("parts", "step 3/") and len(began) == 1
    # What the run began from may be gone by now.
    (tmp_path / "before" / "last.pt").unlink()
    assert go_on("parts") and len(began) == 2
    first = start["unet.segmentation_head.0.weight"]
    torch.testing.assert_close(began[0], first)
    torch.testing.assert_close(began[1], first)
    torch.testing.assert_close(average("whole"), (first + average("plain")) / 2)
    torch.testing.assert_close(average("parts"), average("whole"), rtol=1e-5, atol=1e-6)
    assert (average("plain") - first).abs().max() > 1e-4
    done = average("whole")
    assert go_on("whole") and len(began) == 2 and torch.equal(average("whole"), done)
    for name in ("whole", "parts"):
        rows = [row for row in tracking.read(tmp_path / name) if row.name == "kept_share"]
        assert [(row.step, row.value) for row in rows] == [(6, 0.5)]


def test_a_run_that_does_not_say_what_it_began_from_is_refused(tmp_path: Path) -> None:
    train(TINY, tmp_path, draw_layers, report=str)
    state = load_checkpoint(tmp_path / "last.pt")
    del state["start"]
    state["progress"] |= {"step": 3, "has_ended": False}
    save_checkpoint(tmp_path, state)
    with pytest.raises(ConfigError, match="does not say what weights its run began from"):
        train(
            TINY, tmp_path, draw_layers, report=str, start=Start(settle=lambda average, start: {})
        )


def test_generated_pictures_hold_the_answers_the_run_began_with(tmp_path: Path) -> None:
    train(TINY, tmp_path / "before", draw_layers, report=str)
    start = load_checkpoint(tmp_path / "before" / "last.pt")["average"]
    held = replace(TINY, hold_weight=1.0, weight_decay=0.0, learning_rate=1e-3)

    def answers(weights: dict[str, torch.Tensor]) -> torch.Tensor:
        network = LayerNet(TINY).eval()
        network.load_state_dict(weights)
        images = [draw_layers(np.random.default_rng(seed), SIZE_PX).image for seed in range(4)]
        with torch.no_grad():
            return network(torch.from_numpy(np.stack(images)[:, None]))[0].softmax(1)

    def moved(name: str, settings: TrainSettings, draw: Draw, stop_after: str = "never") -> float:
        def report(line: str) -> None:
            if line.startswith(stop_after):
                os.kill(os.getpid(), signal.SIGTERM)

        train(
            settings, tmp_path / name, draw, augment=False, report=report,
            start=Start(str(tmp_path / "before"), keep_normalisation=True),
        )  # fmt: skip
        average = load_checkpoint(tmp_path / name / "last.pt")["average"]
        return float((answers(average) - answers(start)).abs().mean())

    free = moved("free", replace(held, hold_weight=0.0), draw_layers)
    alone = moved("alone", held, draw_layers)
    whole = moved("whole", held, draw_local_layers)
    assert alone < free / 2 and whole > alone
    assert moved("parts", held, draw_local_layers, "step 3/") < whole
    assert moved("parts", held, draw_local_layers) == pytest.approx(whole, rel=1e-4)
    held_losses = [
        row.value for row in tracking.read(tmp_path / "whole") if row.name == "loss_held"
    ]
    assert len(held_losses) == TINY.steps and max(held_losses) > 0


def test_holding_needs_weights_to_begin_from(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="hold_weight needs --from"):
        train(replace(TINY, hold_weight=1.0), tmp_path, draw_layers, report=str)
