"""The temporal model on trial: what it sees, how its answer is read, and that it learns."""

# ruff: noqa: E402
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parent.parent / "scripts"))

import effort_model as model
from effort_course import INPUTS, LENGTH_STEP, Part, State, decode, frames_of, inputs_of

from layermotion.efforts.channels import CHANNELS, Signals
from layermotion.labels import Task

# A lift with a cough upon it, and a cough at rest.
COURSE = (
    [Part.REST] * 50 + [Part.RISE] * 12 + [Part.HOLD] * 40 + [Part.DIP] * 6 + [Part.HOLD] * 20
    + [Part.FALL] * 10 + [Part.REST] * 50 + [Part.DIP] * 7 + [Part.REST] * 30
)  # fmt: skip


def likely(course: list[Part], certainty: float) -> np.ndarray:
    """Log odds of an answer that is right everywhere by so much."""
    odds = np.full((len(course), len(Part)), (1 - certainty) / (len(Part) - 1))
    odds[np.arange(len(course)), course] = certainty
    return np.log(odds)


def test_the_course_is_read_with_dips_beside_and_upon_a_lift() -> None:
    found = decode(likely(COURSE, 0.98), 1.0, 3.0)
    assert found.odds.argmax() == 3 and found.odds[3] > 0.99
    assert found.odds.sum() == pytest.approx(1)
    assert [(span.first, span.last, span.is_dip) for span in found.spans] == [
        (50, 137, False), (102, 107, True), (188, 194, True),
    ]  # fmt: skip
    assert set(found.path[102:108]) == {State.DIP_ON_LIFT}


def test_a_lone_frame_is_no_effort_and_doubt_spreads_the_odds() -> None:
    course = [Part.REST] * 60
    course[30] = Part.DIP
    found = decode(likely(course, 0.9), 1.0, 6.0)
    assert not found.spans and found.odds.argmax() == 0
    sure, unsure = (decode(likely(COURSE, each), 1.0, 3.0).odds.max() for each in (0.98, 0.4))
    assert unsure < sure


def test_a_clip_may_begin_and_end_in_a_hold() -> None:
    found = decode(likely([Part.HOLD] * 30 + [Part.FALL] * 9 + [Part.REST] * 40
                          + [Part.RISE] * 9 + [Part.HOLD] * 20, 0.98), 1.0, 3.0)  # fmt: skip
    assert [(span.first, span.last) for span in found.spans] == [(0, 38), (79, 107)]


def test_what_is_not_measured_is_marked_and_time_is_the_models() -> None:
    time_s = np.arange(0, 6, 0.1)
    tra = np.where(time_s < 3, 0.0, 0.5)
    tra[:10] = np.nan
    inputs = inputs_of(Signals.of(time_s, {"thickness tra": tra}), Task.DRAW_IN)
    row, count = list(CHANNELS).index("thickness tra"), len(CHANNELS)
    assert inputs.shape == (INPUTS, frames_of(time_s).size)
    assert inputs.shape[1] % LENGTH_STEP == 0
    seen = inputs[2 * count + row]
    assert not seen[:22].any() and seen[30:140].all() and not seen[155:].any()
    assert inputs[row, 130] - inputs[row, 40] == pytest.approx(np.arcsinh(5.0), abs=0.7)
    assert not inputs[: 3 * count].any(axis=1)[[k for k in range(count) if k != row]].any()
    assert inputs[3 * count :, 0].sum() == 1


@pytest.mark.slow
def test_it_learns_and_is_stored(tmp_path: Path) -> None:
    import torch

    torch.manual_seed(0)
    network = model.Network()
    rng = np.random.default_rng(0)
    inputs, parts = model.batch_of([model.example(seed) for seed in range(4)], rng)
    optimiser = torch.optim.AdamW(network.parameters(), 2e-3)
    losses = []
    for _ in range(12):
        loss = torch.nn.functional.cross_entropy(network(inputs), parts, ignore_index=-1)
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        losses.append(loss.item())
    assert losses[-1] < 0.6 * losses[0]
    model.save(network.state_dict(), tmp_path / "network.npz")
    again = model.load(tmp_path / "network.npz")
    with torch.no_grad():
        first, second = network.eval()(inputs), again(inputs)
    assert torch.allclose(first, second, atol=0.05)


def test_the_stored_network_beats_the_rules_on_the_stored_scenarios(
    capsys: pytest.CaptureFixture[str],
) -> None:
    model.judge(model.FILMED, model.NETWORK, is_aside=True)
    line = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("all"))
    network, rules = (float(line.split()[k]) for k in (2, 5))
    assert network > 75 > rules
