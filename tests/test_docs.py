"""README, model card, change log and package agree with the program."""

import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import numpy as np
import pytest
from typer.main import get_command

import layermotion
from layermotion.cli import app
from layermotion.labels import Task, View
from layermotion.network.segmenter import WEIGHTS_FOLDER, read_card, weights_names
from layermotion_synthetic.clips import draw_clip
from layermotion_synthetic.factors import PLAIN
from layermotion_synthetic.write import write_clip

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
# What may stand at the top of the repository, beside files whose name starts with a dot.
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "configs", "src"}
TOP_LEVEL |= {"tests", "synthetic", "scripts"}
SIZE_LIMIT_BYTES = 16 * 2**20


# What the map shows of each package: its name, and the names of its modules.
MAP_ROW = re.compile(r"^\| `(\w+)/` \| [^|]+ \| ([^|]*)\|$", flags=re.MULTILINE)


def blocks(language: str) -> list[str]:
    """Content of the code blocks of one language in the two documents."""
    found = re.findall(r"^```(\w*)\n(.*?)^```", README + DEVELOPERS, flags=re.MULTILINE | re.DOTALL)
    return [content for word, content in found if word == language]


def documented_commands() -> list[list[str]]:
    """Words of every ``layermotion`` command in a code block of the two documents."""
    lines = [line.split("  #")[0] for block in blocks("") for line in block.splitlines()]
    return [shlex.split(line)[1:] for line in lines if line.startswith("layermotion ")]


def commands() -> dict[str, Any]:
    """Every command of the program by its words, groups opened."""

    def opened(command: Any, words: str) -> dict[str, Any]:
        if not hasattr(command, "commands"):
            return {words: command}
        found: dict[str, Any] = {}
        for name, inner in command.commands.items():
            found |= opened(inner, f"{words} {name}".strip())
        return found

    return opened(get_command(app), "")


def test_there_are_documented_commands() -> None:
    assert len(documented_commands()) >= 5


@pytest.mark.parametrize("words", documented_commands(), ids=" ".join)
def test_a_documented_command_is_understood(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Parse it as the program would, among files and folders of the names that it gives."""
    monkeypatch.chdir(tmp_path)
    command: Any = get_command(app)
    while hasattr(command, "commands"):
        assert words[0] in command.commands
        command, words = command.commands[words[0]], words[1:]
    for word in words:
        if re.fullmatch(r"[\w/-]+\.[a-z]\w+", word):
            Path(word).parent.mkdir(exist_ok=True)
            Path(word).touch()
        elif re.fullmatch(r"[a-z/-]{5,}", word):
            Path(word).mkdir(parents=True, exist_ok=True)
    command.make_context(command.name, list(words))


@pytest.mark.parametrize("words", sorted(commands()))
def test_every_command_has_help_and_is_documented(words: str) -> None:
    command = commands()[words]
    assert command.help
    # Of a group the README shows the way through; its help lists the rest.
    shown = words.split()[0]
    assert f"layermotion {shown}" in README, f"README.md does not show layermotion {shown}"
    for parameter in command.params:
        assert getattr(parameter, "help", None) or parameter.param_type_name == "argument"


def test_the_numbers_in_the_readme_are_those_of_the_card() -> None:
    result = read_card(weights_names()[-1])["evaluation"]
    assert f"`{result['command']}`" in README
    row_of = r"^\| error of ([\w ]+) \| (\d+\.\d+) mm \|"
    rows = dict(re.findall(row_of, README, flags=re.MULTILINE))
    names = {"fat": "fat", "eo": "EO", "io": "IO", "tra": "TrA", "bladder": "bladder base"}
    for row in result["frames"]:
        assert rows[names[row["structure"]]] == f"{row['mean_absolute_error_mm']:.2f}"
        verdict = "met" if row["mean_absolute_error_mm"] <= row["limit_mm"] else "**missed**"
        start = f"| error of {names[row['structure']]} |"
        line = next(x for x in README.splitlines() if x.startswith(start))
        assert f"{row['limit_mm']:.2f}, {verdict} |" in line


def test_the_numbers_begin_with_where_they_come_from() -> None:
    section = README.split("\n## Numbers\n")[1].strip()
    first = " ".join(section.split("**")[1].split())
    assert section.startswith("**")
    assert "intervals are calibrated on generated (synthetic) clips" in first
    assert "no figure here comes from a real scanner" in first


def test_the_python_examples_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.Generator(np.random.SFC64(30))
    plan = draw_clip(rng, View.ABDOMINAL_WALL, PLAIN, task=Task.REST, frame_rate_hz=5.0)
    write_clip(tmp_path, "drawin", plan, video=False)
    monkeypatch.chdir(tmp_path)
    (example,) = blocks("python")
    names: dict[str, Any] = {}
    exec(compile(example, "README.md", "exec"), names)
    assert "tra thickness_rest 1 " in capsys.readouterr().out
    assert names["labels"].shape == names["grey"].shape and names["labels"].any()


def test_every_public_name_of_python_is_listed() -> None:
    section = README.split("\n## From Python\n")[1].split("\n## ")[0]
    listed = set(re.findall(r"\b\w+\b", section))
    assert set(layermotion.__all__) - {"__version__"} <= listed


def test_the_map_names_every_module_of_every_package() -> None:
    source = Path(layermotion.__file__).parent
    shown = {name: set(re.findall(r"`(\w+)`", cell)) for name, cell in MAP_ROW.findall(DEVELOPERS)}
    there = {
        path.parent.name: {module.stem for module in path.parent.glob("[!_]*.py")}
        for path in source.glob("*/__init__.py")
    }
    assert shown == there


def test_every_module_that_the_developers_page_names_exists() -> None:
    source = Path(layermotion.__file__).parent
    named = set(re.findall(r"`((?:[a-z_]+/)+[a-z_]+\.py)`", DEVELOPERS))
    places = (source, ROOT, ROOT / "synthetic")
    missing = [name for name in named if not any((place / name).exists() for place in places)]
    assert named and not missing


def test_the_model_card_says_what_the_json_card_holds() -> None:
    script = ROOT / "scripts" / "model_card.py"
    checked = subprocess.run([sys.executable, script, "--check"], capture_output=True, text=True)
    assert checked.returncode == 0, checked.stderr


def test_one_set_of_weights_travels_and_is_small() -> None:
    (name,) = weights_names()
    files = sorted(path for path in WEIGHTS_FOLDER.iterdir() if path.stem.startswith("layers-"))
    assert {path.stem for path in files} == {name}
    assert {path.suffix for path in files} == {".json", ".md", ".onnx", ".pt"}
    assert sum(path.stat().st_size for path in files) < SIZE_LIMIT_BYTES


def test_the_version_is_stated_once_and_alike() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == layermotion.__version__
    last = re.findall(r"^## (.+)$", DEVELOPERS, flags=re.MULTILINE)[-1]
    assert last == "Changes"


def test_the_top_level_holds_only_what_was_agreed() -> None:
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    top = {line.split("/")[0] for line in tracked.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_the_warning_stands_in_readme_and_card() -> None:
    card = (WEIGHTS_FOLDER / f"{weights_names()[-1]}.md").read_text(encoding="utf-8")
    for text in (README, card):
        flat = " ".join(text.split()).lower()
        assert "not a medical device" in flat
        assert "draft until a licensed clinician" in flat


@pytest.mark.slow
def test_the_wheel_works_away_from_the_clone(tmp_path: Path) -> None:
    """Weights, settings and the generator come with the wheel; nothing is read from the clone."""
    # The build backend is a test dependency, so that nothing is fetched.
    how = ("--no-deps", "--no-build-isolation", "--no-index", "-q", "-w", str(tmp_path))
    subprocess.run([sys.executable, "-m", "pip", "wheel", str(ROOT), *how], check=True)
    (wheel,) = tmp_path.glob("*.whl")
    # Dependencies come from this environment; the project itself comes from the wheel alone.
    site = tmp_path / "site"
    ZipFile(wheel).extractall(site)
    program = (
        "import sys, pathlib, layermotion, layermotion_synthetic.clips\n"
        "from layermotion import load_segmenter\n"
        "from layermotion.training.composing import load_settings\n"
        "print(load_segmenter().name, load_settings('smoke').size_px)\n"
        "print(pathlib.Path(layermotion.__file__), pathlib.Path(layermotion_synthetic.__file__))\n"
    )
    inherited = [path for path in sys.path if path and not path.startswith(str(ROOT / "src"))]
    own = (ROOT, ROOT / "tests", ROOT / "synthetic")
    inherited = [path for path in inherited if Path(path) not in own]
    packages = {path for path in site.iterdir() if path.suffix != ".dist-info"}
    assert {path.name for path in packages} == {"layermotion", "layermotion_synthetic"}
    assert all((path / "py.typed").is_file() for path in packages)
    lines = f"import sys; sys.path[:0] = {[str(site), *inherited]!r}\n{program}"
    ran = subprocess.run(
        [sys.executable, "-S", "-I", "-c", lines], cwd=tmp_path, capture_output=True, text=True
    )
    assert ran.returncode == 0, ran.stderr
    first, second = ran.stdout.splitlines()
    assert first.split() == [weights_names()[-1], "64"]
    assert all(path.startswith(str(site)) for path in second.split())
