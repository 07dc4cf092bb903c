"""The command line: help, options handed on, and errors as one sentence with the right code."""

import subprocess
import sys
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest

from layermotion import __version__
from layermotion.caution import CAUTION
from layermotion.cli import main
from layermotion.errors import InputError
from layermotion.labels import Task, View
from layermotion.training.where import Elsewhere, SweepPlace

COMMANDS = (
    "measure",
    "review",
    "session",
    "synthesize",
    "train",
    "compare",
    "reliability",
    "plan",
    "demo",
)
HEAVY = (
    "torch",
    "cv2",
    "onnxruntime",
    "matplotlib",
    "av",
    "pydicom",
    "jinja2",
    "scipy",
    "pandas",
    "statsmodels",
    "layermotion_synthetic",
)


class Recorder:
    """Stands in for a command's module and keeps what the command handed to it."""

    def __init__(self, result: object = None) -> None:
        self.calls: list[tuple[object, ...]] = []
        self.result = result

    def __call__(self, *arguments: object, **named: object) -> object:
        """Note the arguments; give the result, or raise it."""
        self.calls.append((*arguments, named) if named else arguments)
        if isinstance(self.result, BaseException):
            raise self.result
        return self.result


def replace_module(monkeypatch: pytest.MonkeyPatch, name: str, **members: object) -> None:
    module = ModuleType(name)
    vars(module).update(members)
    monkeypatch.setitem(sys.modules, name, module)


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


@pytest.mark.parametrize("command", [(), *((name,) for name in COMMANDS)])
def test_help_ends_with_the_caution(
    command: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*command, "--help") == 0
    words = " ".join(capsys.readouterr().out.split())
    assert words.endswith(CAUTION)
    if command:
        assert f"Example: layermotion {command[0]} " in words
    else:
        assert all(f" {name} " in words for name in COMMANDS)


def test_version_is_the_package_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--version") == 0
    assert capsys.readouterr().out == f"layermotion {__version__}\n"


@pytest.mark.parametrize(
    ("option", "value", "sentence"),
    [
        ("--depth-mm", "nan", "--depth-mm nan is not possible; give a number from 10 to 400 mm."),
        ("--depth-mm", "-60", "--depth-mm -60 is not possible; give a number from 10 to 400 mm."),
        ("--depth-mm", "inf", "--depth-mm inf is not possible; give a number from 10 to 400 mm."),
        (
            "--fps",
            "0",
            "--fps 0 is not possible; give a number from 0.5 to 1000 frames per second.",
        ),
        (
            "--fps",
            "nan",
            "--fps nan is not possible; give a number from 0.5 to 1000 frames per second.",
        ),
    ],
)
def test_impossible_number_is_one_sentence(
    option: str, value: str, sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("measure", tmp_path, "--out", tmp_path / "out", option, value) == 2
    assert capsys.readouterr().err == f"layermotion: {sentence}\n"


@pytest.mark.parametrize(
    "arguments",
    [
        ("measure", "no-such-clip.dcm", "--out", "out"),
        ("measure", ".", "--out", "out", "--task", "juggle"),
        ("measure", ".", "--out", "out", "--view", "knee"),
        ("measure", ".", "--out", "out", "--fps", "fast"),
        ("measure", "."),
        ("synthesize", "--out", "out", "--clips", "-1"),
        ("synthesize", "--out", "out", "--seed", "1.5"),
        ("no-such-command",),
    ],
)
def test_wrong_usage_is_code_two_without_traceback(
    arguments: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(*arguments) == 2
    error = capsys.readouterr().err
    assert sum(line.startswith("Error: ") for line in error.splitlines()) == 1
    assert "Traceback" not in error
    assert list(tmp_path.iterdir()) == []


def test_users_error_is_one_line_and_code_two(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    failing = Recorder(InputError("clip 3f has no pixel spacing; give it with --mm-per-pixel."))
    replace_module(monkeypatch, "layermotion.commands.demo", run_demo=failing)
    assert run("demo", "--out", tmp_path) == 2
    captured = capsys.readouterr()
    sentence = "layermotion: clip 3f has no pixel spacing; give it with --mm-per-pixel.\n"
    assert (captured.out, captured.err) == ("", sentence)


def test_interrupt_is_code_130_without_traceback(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    replace_module(monkeypatch, "layermotion.commands.demo", run_demo=Recorder(KeyboardInterrupt()))
    assert run("demo", "--out", tmp_path) == 130
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("code", [0, 1])
def test_measure_hands_every_option_on(
    code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    measure_sources = Recorder(code)
    replace_module(
        monkeypatch,
        "layermotion.commands.measure",
        MeasureOptions=SimpleNamespace,
        measure_sources=measure_sources,
    )
    first, second, out = tmp_path / "a.mp4", tmp_path / "b.mp4", tmp_path / "out"
    first.touch()
    second.touch()
    options = "--mm-per-pixel 0.08,0.11 --depth-mm 60 --fps 25 --task draw_in "
    options += (
        "--view abdominal_wall --site junction:25 --no-overlay --keep-identifiers --no-index "
        "--export fhir --cluster tcp://10.0.0.5:8786"
    )
    assert run("measure", first, second, "--out", out, *options.split()) == code
    assert run("measure", first, "--out", out) == code
    assert measure_sources.calls == [
        (
            [first, second],
            out,
            SimpleNamespace(
                mm_per_pixel="0.08,0.11",
                depth_mm=60.0,
                frame_rate_hz=25.0,
                task=Task.DRAW_IN,
                view=View.ABDOMINAL_WALL,
                site="junction:25",
                overlay=False,
                keep_identifiers=True,
                exports=("fhir",),
                index=False,
            ),
            "tcp://10.0.0.5:8786",
        ),
        (
            [first],
            out,
            SimpleNamespace(
                mm_per_pixel=None,
                depth_mm=None,
                frame_rate_hz=None,
                task=None,
                view=None,
                site="most-even",
                overlay=True,
                keep_identifiers=False,
                exports=(),
                index=True,
            ),
            None,
        ),
    ]


@pytest.mark.parametrize(
    ("view", "views"),
    [
        ("both", (View.ABDOMINAL_WALL, View.BLADDER)),
        ("abdominal_wall", (View.ABDOMINAL_WALL,)),
        ("bladder", (View.BLADDER,)),
    ],
)
def test_synthesize_hands_every_option_on(
    view: str, views: tuple[View, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synthesize = Recorder()
    replace_module(monkeypatch, "layermotion_synthetic.write", synthesize=synthesize)
    options = f"--view {view} --clips 2 --stills 3 --seed 7"
    assert run("synthesize", "--out", tmp_path, *options.split()) == 0
    (call,) = synthesize.calls
    assert call[:-2] == (tmp_path, views, 2, 3, 7) and all(map(callable, call[-2:]))


@pytest.mark.parametrize(("is_finished", "code"), [(True, 0), (False, 130)])
def test_train_hands_every_option_on(
    is_finished: bool, code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    training = Recorder(SimpleNamespace(is_finished=is_finished))
    replace_module(monkeypatch, "layermotion.commands.train", run_training=training)
    assert run("train", "--out", tmp_path, "--config", "smoke", "steps=7", "seed=1") == code
    assert run("train", "--out", tmp_path, "--from", "layers-001") == code
    assert run("train", "--out", tmp_path, "--teacher", "runs/large") == code
    assert training.calls == [
        ("smoke", ["steps=7", "seed=1"], tmp_path, None, None),
        ("train", (), tmp_path, "layers-001", None),
        ("train", (), tmp_path, None, "runs/large"),
    ]


def test_a_sweep_with_a_teacher_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("train", "--sweep", "--out", tmp_path, "--teacher", "runs/large", "seed=1,2") == 2
    assert "A sweep has no teacher" in capsys.readouterr().err


@pytest.mark.parametrize(("rows", "code"), [(("row",), 0), (None, 130)])
def test_a_sweep_hands_every_option_on(
    rows: tuple[str, ...] | None,
    code: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    sweep = Recorder(rows)
    replace_module(
        monkeypatch, "layermotion.training.sweep", run_sweep=sweep, table_text=lambda rows: rows[0]
    )
    place = ("--where", "slurm", "--job", "partition=gpu", "--job", "timeout_min=600")
    words = ("--out", tmp_path, "--config", "smoke", "steps=7,8")
    assert run("train", "--sweep", *place, *words) == code
    where = Elsewhere(SweepPlace.SLURM, ("partition=gpu", "timeout_min=600"))
    monkeypatch.setattr("shutil.which", lambda name: name)
    assert sweep.calls == [("smoke", ["steps=7,8"], tmp_path, None, where)]
    assert where.overrides() == [
        "hydra/launcher=submitit_slurm",
        "hydra.launcher.partition=gpu",
        "hydra.launcher.timeout_min=600",
    ]
    assert capsys.readouterr().out == ("row\n" if rows else "")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--where", "slurm"), "--where and --job say where a sweep runs; give --sweep as well."),
        (("--sweep", "--job", "a=1"), "--job asks something of a cluster; give --where as well."),
        (
            ("--sweep", "--where", "slurm", "--job", "gpu"),
            "--job gpu is not of the form NAME=VALUE.",
        ),
        # A variable of the shell that was never set.
        (("--from", ""), "--from is empty; name the folder of a run or shipped weights."),
        (("--teacher", ""), "--teacher is empty; name the folder of a run or shipped weights."),
    ],
)
def test_what_train_cannot_do_is_refused(
    words: tuple[str, ...], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("train", *words, "--out", tmp_path, "--config", "smoke", "steps=7,8") == 2
    assert capsys.readouterr().err == f"layermotion: {said}\n"


def test_training_without_its_packages_names_the_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert run("train", "--out", tmp_path) == 2
    assert capsys.readouterr().err == (
        "layermotion: Training needs torch, which is not installed; it comes with the train extra: "
        "pip install 'layermotion[train]'.\n"
    )


def loaded_with(module: str) -> set[str]:
    """Names of all that a fresh interpreter loads with a module."""
    program = f"import sys, {module}; print(*sys.modules)"
    ended = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    return set(ended.stdout.split())


def test_starting_loads_no_heavy_package() -> None:
    loaded = loaded_with("layermotion.cli")
    assert "layermotion.cli" in loaded
    assert loaded.isdisjoint(HEAVY)


def test_measuring_loads_what_reads_dicom_only_for_dicom() -> None:
    loaded = loaded_with("layermotion.commands.measure")
    assert "layermotion.clip.source" in loaded
    assert loaded.isdisjoint({"pydicom", "matplotlib"})
