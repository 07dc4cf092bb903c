"""Early stop: when, with which weights and after a resume; GPU load."""

import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from drawing import draw_layers
from tiny import PATIENT, TINY

from layermotion.errors import ConfigError, InputError, WeightsError
from layermotion.evaluation import clips
from layermotion.network.segmenter import JUDGED_MEASURES
from layermotion.training import loop, tracking, watching
from layermotion.training.checkpoint import load_checkpoint, save_checkpoint
from layermotion.training.export import read_run
from layermotion.training.loop import Start, train
from layermotion.training.throughput import GpuLoad, gpu_command

# The third score is the best, then come two that are not.
SCORES = (0.1, 0.2, 0.5, 0.4, 0.5, 0.9)


@pytest.fixture
def known_scores(monkeypatch: pytest.MonkeyPatch) -> None:
    """Give scores by the step, in place of those of the network."""

    def score(watch: watching.Watch, average: object, step: int) -> float:
        tracking.append(watch.out, step, {"dice_mean": SCORES[step - 1]})
        return SCORES[step - 1]

    monkeypatch.setattr(watching.Watch, "_score", score)


def test_a_run_ends_without_a_better_score_and_keeps_the_best_weights(
    tmp_path: Path, known_scores: None
) -> None:
    lines: list[str] = []
    result = train(PATIENT, tmp_path / "stopped", draw_layers, report=lines.append)
    assert (result.step, result.is_finished) == (5, True)
    assert any("dice_mean was best at step 3, 0.5000; stopping" in line for line in lines)
    state = load_checkpoint(tmp_path / "stopped" / "last.pt")
    # The rate of a step depends on the number of steps, so the run to compare is as long.
    whole = train(
        replace(PATIENT, patience=0), tmp_path / "until", draw_layers, report=str,
        advance=stop_after(3),
    )  # fmt: skip
    assert whole.step == 3
    expected = load_checkpoint(tmp_path / "until" / "last.pt")["average"]
    assert all(torch.equal(state["average"][name], expected[name]) for name in expected)
    # Nothing is left to do, and the weights stay those of the best score.
    again = train(PATIENT, tmp_path / "stopped", draw_layers, report=str)
    assert (again.step, again.is_finished) == (5, True)


def stop_after(step: int) -> object:
    """Ask for a stop, as Ctrl-C does, when a step is done."""

    def advance(done: int) -> None:
        if done == step:
            os.kill(os.getpid(), signal.SIGINT)

    return advance


@pytest.mark.parametrize("step", [2, 4])
def test_a_stop_in_between_changes_nothing(step: int, tmp_path: Path, known_scores: None) -> None:
    train(PATIENT, tmp_path / "whole", draw_layers, report=str)
    first = train(PATIENT, tmp_path / "parts", draw_layers, report=str, advance=stop_after(step))
    assert (first.step, first.is_finished) == (step, False)
    second = train(PATIENT, tmp_path / "parts", draw_layers, report=str)
    assert (second.step, second.is_finished) == (5, True)
    mine, theirs = (load_checkpoint(tmp_path / name / "last.pt") for name in ("parts", "whole"))
    assert mine["progress"] == theirs["progress"] and mine["progress"]["best_step"] == 3
    for name, tensor in theirs["average"].items():
        torch.testing.assert_close(mine["average"][name], tensor, rtol=1e-5, atol=1e-6)


def test_a_score_that_is_not_a_number_is_never_the_best(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watching.Watch, "_score", lambda *_: float("nan"))
    assert train(PATIENT, tmp_path, draw_layers, report=str).step == 2
    assert load_checkpoint(tmp_path / "last.pt")["best"] is None


def test_the_mean_dice_is_a_score_of_every_run(tmp_path: Path) -> None:
    train(TINY, tmp_path, draw_layers, report=str)
    scores = {row.name: row.value for row in tracking.read(tmp_path) if row.step == 4}
    each = [v for name, v in scores.items() if name.startswith("dice_") and name != "dice_mean"]
    assert scores["dice_mean"] == pytest.approx(np.nanmean(each))


def test_gpu_load_is_the_mean_of_what_was_printed_since_the_last_lap() -> None:
    program = "import time; print(40); print('[N/A]'); print(80, flush=True); time.sleep(60)"
    load = GpuLoad([sys.executable, "-c", program])
    try:
        deadline = time.monotonic() + 30
        while len(load._percent) < 2 and time.monotonic() < deadline:
            time.sleep(0.02)
        assert load.lap() == pytest.approx(0.6)
        assert load.lap() is None
    finally:
        load.close()
    assert GpuLoad(None).lap() is None and gpu_command(torch.device("cpu")) is None


ENDLESS = """
import time
from dataclasses import replace
from pathlib import Path
from drawing import draw_layers
from tiny import TINY
from layermotion.training.loop import train
settings = replace(TINY, steps=10**6, workers=2, validate_every_steps=10**6)
def told(step):
    print(step, flush=True)
    time.sleep(0.5)  # as long as a step of a large network
result = train(settings, Path({out!r}), draw_layers, report=str, advance=told)
assert not result.is_finished
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no groups of processes")
def test_a_stop_asked_of_every_process_of_a_run_loses_nothing(tmp_path: Path) -> None:
    # As a cluster does at the end of a job's time: the workers are asked as well.
    with subprocess.Popen(
        [sys.executable, "-c", ENDLESS.format(out=str(tmp_path))],
        cwd=Path(__file__).parent, start_new_session=True, stdout=subprocess.PIPE,
    ) as run:  # fmt: skip
        assert run.stdout is not None
        steps = [int(run.stdout.readline()) for _ in range(3)]
        os.killpg(run.pid, signal.SIGTERM)
        rest = run.stdout.read().split()
        assert run.wait(timeout=60) == 0
    last = int(rest[-1]) if rest else steps[-1]
    assert load_checkpoint(tmp_path / "last.pt")["progress"]["step"] == last


FAILING = """
from dataclasses import replace
from pathlib import Path
from drawing import draw_layers
from tiny import TINY
from layermotion.training.loop import train
def fail(step):
    raise OSError("unexpected")
train(replace(TINY, workers=1), Path({out!r}), draw_layers, report=str, advance=fail)
"""


def test_an_unexpected_error_ends_the_process_and_its_workers(tmp_path: Path) -> None:
    ended = subprocess.run(
        [sys.executable, "-c", FAILING.format(out=str(tmp_path))],
        cwd=Path(__file__).parent, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert ended.returncode == 1 and "OSError: unexpected" in ended.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit on files")
def test_a_full_disk_is_one_sentence_and_keeps_the_old_state(tmp_path: Path) -> None:
    import resource

    save_checkpoint(tmp_path, {"step": 1})
    kept = (tmp_path / "last.pt").read_bytes()
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, limits[1]))
    try:
        with pytest.raises(InputError, match=r"last.pt cannot be written .*free some space"):
            save_checkpoint(tmp_path, {"tensor": torch.zeros(100_000)})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert (tmp_path / "last.pt").read_bytes() == kept


def test_a_run_that_diverges_stops_and_keeps_its_last_good_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = replace(TINY, checkpoint_every_s=0, validate_every_steps=6)
    true_losses = loop.compute_losses

    def diverge(*given: object) -> object:
        losses = true_losses(*given)
        is_late = (tmp_path / "metrics.csv").read_text().count("loss_total") >= 2
        return losses._replace(total=losses.total * float("nan")) if is_late else losses

    monkeypatch.setattr(loop, "compute_losses", diverge)
    with pytest.raises(ConfigError, match=r"has diverged by step 3: .* lower learning_rate"):
        train(settings, tmp_path, draw_layers, report=str)
    state = load_checkpoint(tmp_path / "last.pt")
    assert state["progress"]["step"] == 2 and not state["progress"]["has_ended"]


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"encoder": "resnetxyz"}, "There is no encoder resnetxyz"),
        ({"encoder": "tu-xyz"}, "There is no encoder tu-xyz"),
        ({"tracking": "foo"}, "tracking cannot be foo; give csv, sqlite"),
        ({"hold_weight": 1.0}, "hold_weight needs --from"),
        ({"agree_weight": 1.0}, "agree_weight needs local pictures .* set agree_weight=0."),
    ],
)
def test_what_cannot_be_trained_is_refused_before_anything_is_written(
    changed: dict[str, object], message: str, tmp_path: Path
) -> None:
    with pytest.raises(ConfigError, match=message):
        train(replace(TINY, **changed), tmp_path / "run", report=str)
    assert not (tmp_path / "run").exists()


def test_a_run_below_a_file_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written .*choose a folder"):
        train(TINY, tmp_path / "file" / "run", draw_layers, report=str)


def test_the_last_step_is_scored(tmp_path: Path) -> None:
    train(replace(TINY, steps=1), tmp_path, draw_layers, report=str)
    assert [row.step for row in tracking.read(tmp_path) if row.name == "dice_mean"] == [1]


def test_a_damaged_or_foreign_checkpoint_is_one_sentence(tmp_path: Path) -> None:
    train(replace(TINY, steps=1), tmp_path / "whole", draw_layers, report=str)
    whole = (tmp_path / "whole" / "last.pt").read_bytes()
    save_checkpoint(tmp_path / "foreign", {"weights": torch.zeros(3)})
    foreign = (tmp_path / "foreign" / "last.pt").read_bytes()
    run = tmp_path / "run"
    run.mkdir()
    for content in (b"", b"no tensors", whole[: len(whole) // 2], foreign):
        (run / "last.pt").write_bytes(content)
        for read in (
            lambda: train(TINY, run, draw_layers, report=str),
            lambda: train(TINY, tmp_path / "new", draw_layers, report=str, start=Start(str(run))),
            lambda: read_run(run),
        ):
            with pytest.raises(WeightsError, match=r"last.pt is damaged or no checkpoint"):
                read()
        assert (run / "last.pt").read_bytes() == content


@pytest.mark.parametrize(
    ("lacks", "said"),
    [
        (set(JUDGED_MEASURES), "any measure"),
        ({"change_tra", "base_displacement"}, "change_tra and base_displacement"),
    ],
)
def test_weights_that_do_not_measure_all_are_not_calibrated(
    lacks: set[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "local-001.json").write_text("{}")
    errors = {name: (1.0, 0.0) for name in JUDGED_MEASURES if name not in lacks}
    for name, given in (("evaluate_clips", []), ("load_unjudged", None), ("errors_of", errors)):
        monkeypatch.setattr(clips, name, lambda *_, given=given: given)
    with pytest.raises(
        WeightsError, match=f"local-001 gave no value of {said} in 2 clips; .* or train longer"
    ):
        clips.calibrate(tmp_path, "local-001", [1, 2], lambda _: None)
    assert (tmp_path / "local-001.json").read_text() == "{}"
