"""Sweeps: every combination checked before anything runs, a folder for each, a table, launchers."""

import json
from pathlib import Path

import pytest

from layermotion.cli import main
from layermotion.errors import ConfigError
from layermotion.training import sweep, tracking
from layermotion.training.checkpoint import RUN_PARTS, load_checkpoint, save_checkpoint
from layermotion.training.sweep import plan_sweep, read_rows, run_sweep, table_text
from layermotion.training.where import Elsewhere, SweepPlace

# As small as a run can be; what does not differ stays out of the names of folders.
SMALL = (
    *("steps=2", "workers=0", "tracking=csv", "validate_every_steps=2", "validation_examples=4"),
    "encoder=tu-test_efficientnet",
)


def test_a_sweep_is_every_combination_by_what_differs() -> None:
    runs = plan_sweep("smoke", ["learning_rate=1e-3,2e-3", "model=small,large", "seed=4"])
    assert list(runs) == [
        f"learning_rate={rate},model={model}"
        for rate in ("0.001", "0.002")
        for model in ("small", "large")
    ]
    large = runs["learning_rate=0.002,model=large"]
    assert (large.learning_rate, large.seed) == (2e-3, 4)
    assert large.encoder != runs["learning_rate=0.002,model=small"].encoder
    assert [s.factors["noise"] for s in plan_sweep("smoke", ["factors.noise=0,1"]).values()] == [
        0,
        1,
    ]


@pytest.mark.parametrize(
    ("overrides", "message"),
    [
        (["steps=3"], "No override has several values; give some, such as steps=100,200."),
        (["seed=1,1"], "Two runs of the sweep would be the same; give values that differ."),
        (["learning_rate=1e-3,0.001"], "Two runs of the sweep would be the same; .*"),
        (["steps=3,0"], "The setting steps cannot be 0; give a value above 0."),
        (["model=small,larg"], "There is no model larg; the nearest is large."),
        (["stps=3,4"], "There is no setting stps; the nearest is steps."),
        (["steps=3,many"], "The setting steps .* of type int, such as 1000."),
        (["steps=[1,2"], "An override cannot be read .*; correct its syntax."),
    ],
)
def test_a_wrong_value_anywhere_stops_a_sweep_before_it_starts(
    overrides: list[str], message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweep, "_wait_for", lambda command: pytest.fail("it was started"))
    with pytest.raises(ConfigError, match=message):
        run_sweep("smoke", overrides, tmp_path)


def test_what_hydra_is_asked_for_and_how_it_may_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[list[str]] = []
    for code, rows in ((130, None), (-2, None), (0, ())):
        monkeypatch.setattr(
            sweep, "_wait_for", lambda words, code=code: asked.append(words) or code
        )
        wanted = ["seed=1,2", "steps=3", "tracking=csv"]
        found = run_sweep("smoke", wanted, tmp_path, start_from="layers-001")
        assert found == rows
    words = asked[0]
    assert words[-4:] == ["optimizer=further", *wanted]
    assert f"hydra.sweep.dir='{tmp_path}'" in words
    assert "hydra.job.config.override_dirname.exclude_keys=[optimizer,steps,tracking]" in words
    assert "+hydra.job.env_set.LAYERMOTION_START_FROM='layers-001'" in words


def test_a_run_that_fails_is_named_and_the_table_has_this_sweep(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of another sweep in the folder the table has nothing."""

    def runs(words: object) -> int:
        for name, has_ended in (("seed=1", True), ("seed=2", False), ("steps=9", True)):
            (tmp_path / name).mkdir()
            tracking.append(tmp_path / name, 4, {"loss_total": 1.0})
            part = {name: {} for name in RUN_PARTS} | {"progress": {"has_ended": has_ended}}
            save_checkpoint(tmp_path / name, part)
        return 1

    monkeypatch.setattr(sweep, "_wait_for", runs)
    with pytest.raises(
        ConfigError,
        match=r"2 of 3 runs of the sweep did not come to their end \(seed=2, seed=3\); the message "
        r"of the first is above, and .*sweep.csv has the numbers of all that began.",
    ):
        run_sweep("smoke", ["seed=1,2,3"], tmp_path)
    lines = (tmp_path / "sweep.csv").read_text().splitlines()
    assert [line.split(",")[0] for line in lines] == ["run", "seed=1", "seed=2"]
    monkeypatch.setattr(sweep, "_wait_for", lambda words: 1)
    with pytest.raises(ConfigError, match="2 of 2 .* is above, and none began."):
        run_sweep("smoke", ["seed=4,5"], tmp_path)
    assert (tmp_path / "sweep.csv").read_text().splitlines() == lines


def test_the_runs_of_a_sweep_share_one_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[list[str]] = []
    monkeypatch.setattr(sweep, "_wait_for", lambda words: asked.append(words) or 0)
    out = tmp_path / "my sweep's"
    run_sweep("smoke", ["seed=1,2"], out)
    (word,) = (word for word in asked[0] if word.startswith("tracking="))
    assert "exclude_keys=[tracking]" in " ".join(asked[0])
    # What hydra makes of the words is one store, which is there before any run begins.
    uris = {s.tracking for s in plan_sweep("smoke", ["seed=1,2", word]).values()}
    assert uris == {f"sqlite:///{out / 'mlflow.db'}"} and (out / "mlflow.db").is_file()


@pytest.mark.parametrize(
    ("place", "word", "message"),
    [
        (
            "slurm",
            "partitoin=gpu",
            "--where slurm takes no --job partitoin; the nearest is partition.",
        ),
        (
            "slurm",
            "timeout_min=ten",
            "--job timeout_min=ten has a value of the wrong kind .*; correct",
        ),
        ("processes", "partition=gpu", "processes takes no --job partition; choose from .*mem_gb"),
        ("slurm", "timeout_min=5", "--where slurm needs srun, .* or give --where processes."),
    ],
)
def test_what_a_place_cannot_give_is_one_sentence(
    place: str, word: str, message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweep, "_wait_for", lambda command: pytest.fail("it was started"))
    monkeypatch.setattr("shutil.which", lambda name: None)
    where = Elsewhere(SweepPlace(place), (word,))
    with pytest.raises(ConfigError, match=message):
        run_sweep("smoke", ["seed=1,2"], tmp_path, where=where)


@pytest.mark.slow
def test_a_launcher_trains_each_combination_in_a_folder_of_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The launcher of clusters, in its mode for one computer: each run is a job of its own."""
    out = tmp_path / "sweep"
    words = [*SMALL, "seed=1,2", "--where", "processes"]
    with pytest.raises(SystemExit) as ended:
        main(["train", "--sweep", "--config", "smoke", "--out", str(out), *words])
    assert ended.value.code == 0
    said = capsys.readouterr().out
    for seed in (1, 2):
        run = out / f"seed={seed}"
        assert json.loads((run / "settings.json").read_text())["seed"] == seed
        assert load_checkpoint(run / "last.pt")["progress"]["step"] == 2
        assert f"seed={seed}" in said
    rows = read_rows(out, ("seed=1", "seed=2"))
    assert [row.step for row in rows] == [2, 2]
    assert said.rstrip().endswith(table_text(rows))
    lines = (out / "sweep.csv").read_text().splitlines()
    assert lines[0] == "run,step,loss_total,dice_mean,images_per_second" and len(lines) == 3
    # The jobs ran beside this process: the launcher kept what they wrote.
    assert len(list((out / ".submitit").glob("[0-9]*"))) == 2
    with pytest.raises(ConfigError, match="holds a run with steps=2, not 3"):
        run_sweep("smoke", ["steps=3", *SMALL[1:], "seed=1,2"], out)


def test_the_table_puts_the_best_first_and_unscored_runs_last(tmp_path: Path) -> None:
    for name, score in (("a", 0.5), ("b", None), ("c", 0.7)):
        (tmp_path / name).mkdir()
        values = {"loss_total": 1.0} | ({} if score is None else {"dice_mean": score})
        tracking.append(tmp_path / name, 4, values)
    rows = read_rows(tmp_path, ("a", "b", "c", "none"))
    assert [row.run for row in rows] == ["c", "a", "b"]
    assert table_text(rows).splitlines()[1].split()[:4] == ["c", "4", "1", "0.7"]
