"""Two processes that train one network: what they write, when they stop, what they log."""

from dataclasses import replace
from pathlib import Path

import pytest
from drawing import draw_layers
from processes import run_two
from tiny import TINY

from layermotion.errors import ConfigError
from layermotion.training import tracking
from layermotion.training.checkpoint import load_checkpoint
from layermotion.training.loop import train

pytestmark = pytest.mark.slow

SETTINGS = replace(TINY, steps=4, checkpoint_every_s=0)
PLAIN = """
from dataclasses import replace
from pathlib import Path
from drawing import draw_layers
from tiny import PATIENT, TINY
from layermotion.training.loop import Start, train
out = Path({out!r})
train(replace(TINY, steps=4, checkpoint_every_s=0), out / "plain", draw_layers, report=str)
"""
# A rate of nothing leaves every score as the first one, so that one more ends the run.
STOPPED = """
still = replace(PATIENT, learning_rate=1e-30, weight_decay=0.0, ema_decay=0.0, patience=1)
start = Start(keep_normalisation=True)
result = train(still, out / "stopped", draw_layers, report=str, start=start)
assert (result.step, result.is_finished) == (2, True), result
"""
UNEVEN = """
import time
def slow(rng, size_px):
    time.sleep(0.2 * int(os.environ["RANK"]))
    return draw_layers(rng, size_px)
slow.source = "slow"
settings = replace(PATIENT, steps=4, log_every_steps=2, patience=0, validate_every_steps=9)
train(settings, out / "uneven", slow, report=str)
"""


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of three runs of two processes: one to its end, one stopped early, one uneven."""
    out = tmp_path_factory.mktemp("runs")
    run_two(PLAIN.format(out=str(out)), STOPPED, UNEVEN)
    return out


def test_two_processes_train_one_network(runs: Path) -> None:
    state = load_checkpoint(runs / "plain" / "last.pt")
    assert (state["progress"]["step"], state["world"]) == (4, 2)
    rows = tracking.read(runs / "plain")
    assert [row.step for row in rows if row.name == "loss_total"] == [1, 2, 3, 4]
    with pytest.raises(ConfigError, match="holds a run with processes=2, not 1"):
        train(SETTINGS, runs / "plain", draw_layers, report=str)


def test_two_processes_stop_at_the_same_step(runs: Path) -> None:
    # That both ended at the second step, each of them has checked itself.
    progress = load_checkpoint(runs / "stopped" / "last.pt")["progress"]
    assert (progress["best_step"], progress["worse"], progress["has_ended"]) == (1, 1, True)


def test_the_logged_wait_is_that_of_the_process_which_waits_longest(runs: Path) -> None:
    rows = tracking.read(runs / "uneven")
    shares = [row.value for row in rows if row.name == "data_wait_share"]
    # The first process, which writes, draws at once, and waits in the step for the second one.
    assert len(shares) == 2 and min(shares) > 0.5, shares
