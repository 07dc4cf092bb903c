"""Kills commands at random moments, runs each again, and compares with a run that nobody killed.

    python scripts/kills.py --kills 100 --out out/kills

After the second run everything must be there, byte for byte as without a kill; nothing hidden is
left, and the SQLite files are sound. Run it in parts with ``--first``.
"""

import argparse
import hashlib
import json
import os
import shutil
import signal
import sqlite3
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = "1"

import cv2
import numpy as np
from attack_seeds import draw_frames, write_dicom, write_video

from layermotion.cli import main as run_command
from layermotion.images import write_png
from layermotion.lab.builds import load_build
from layermotion.lab.folder import frame_key, open_lab
from layermotion.models.judging import Judgement, Metric, Row
from layermotion.models.registry import Judged, Registry
from layermotion.network.segmenter import WEIGHTS_FOLDER, read_card, weights_names

SEED = 100
SIZE = (240, 320)
FRAMES = 16
SUBJECTS = ("4711", "4712", "4713")


@dataclass(frozen=True)
class Scenario:
    """A command that is killed.

    Parameters
    ----------
    prepare
        Makes what it needs in a folder, once; every kill works on a copy.
    arguments
        Of the command, in that folder.
    again
        Words of a refusal that says the killed run had finished all the same; empty if none may
        come.
    check
        Words on what is wrong after the second run; empty where nothing is.
    compared
        Where the results lie that must be the same bytes.
    """

    name: str
    prepare: Callable[[Path], None]
    arguments: Callable[[Path], list[object]]
    again: str
    check: Callable[[Path], str]
    compared: tuple[str, ...]


def prepare_visit(folder: Path) -> None:
    """Write two clips of a visit."""
    (folder / "visit").mkdir()
    for number in (1, 2):
        frames = draw_frames(FRAMES, *SIZE, seed=number)
        write_dicom(folder / "visit" / f"left_draw_in_{number}.dcm", frames)
    write_video(folder / "clip.mp4", draw_frames(FRAMES, *SIZE, seed=3), "libx264", "yuv420p")


def prepare_scans(folder: Path) -> None:
    """Make a laboratory with consents, and scans to import."""
    key = ["--secret", folder / "secret"]
    _run(["lab", "init", folder / "lab", *key])
    rows = [f"{subject},both,2024-01-01," for subject in SUBJECTS]
    (folder / "consents.csv").write_text("\n".join(["subject,scope,day,expiry", *rows]) + "\n")
    (folder / "scans").mkdir()
    for seed, subject in enumerate(SUBJECTS):
        frames = draw_frames(3, *SIZE, seed=seed)
        write_dicom(folder / "scans" / f"{subject}.dcm", frames, patient=subject)
    words = ["lab", "consent", "load", folder / "lab", folder / "consents.csv", *key]
    _run([*words, "--by", "nurse-2"])


def prepare_labels(folder: Path) -> None:
    """Import the scans, accept them, and write a label for a frame of each."""
    prepare_scans(folder)
    _run(_import(folder))
    _run(["lab", "accept", folder / "lab"])
    label = np.zeros(SIZE, np.uint8)
    for value, top in enumerate((60, 85, 110, 135), start=1):
        label[top : top + 20, 110:210] = value
    for name in open_lab(folder / "lab").clips():
        write_png(folder / "labels" / f"{frame_key(name, 1)}.png", label)


def prepare_build(folder: Path) -> None:
    """Store the labels, from which a build is made."""
    prepare_labels(folder)
    _run(["lab", "label", folder / "lab", folder / "labels"])


def prepare_models(folder: Path) -> None:
    """Make local weights that were judged better than those in use."""
    shipped = weights_names()[-1]
    (folder / "models").mkdir()
    shutil.copy(WEIGHTS_FOLDER / f"{shipped}.onnx", folder / "models" / "local-001.onnx")
    card = read_card(shipped)
    (folder / "models" / "local-001.json").write_text(json.dumps(card))
    row = Row("all", "all", Metric.DICE, 3, 0.8, 0.9, 0.05, 0.15)
    judgement = Judgement((row,), (row,), ())
    judged = Judged(card["sha256"], card["sha256"], "b", "f" * 64, 3, "2024-06-01", judgement)
    Registry(folder / "models").store(judged)


def check_results(folder: Path) -> str:
    """Every folder of a recording holds its last file."""
    found = [path for path in (folder / "out").iterdir() if path.is_dir()]
    missing = [path.name for path in found if not (path / "measures.json").exists()]
    return f"unfinished: {missing}" if missing or not found else ""


def check_lab(folder: Path) -> str:
    """Check that the ledger is sound, each consent there once, and each clip with its record."""
    with closing(sqlite3.connect(folder / "lab" / "consent.sqlite")) as connection:
        (sound,) = connection.execute("PRAGMA integrity_check").fetchone()
        (rows,) = connection.execute("SELECT count(*) FROM history").fetchone()
    clips = open_lab(folder / "lab").clips()
    files = {path.stem for path in (folder / "lab" / "clips").glob("*.dcm")}
    if sound != "ok" or rows != 2 * len(SUBJECTS):
        return f"ledger {sound}, {rows} rows"
    if set(clips) != files or len(clips) not in (0, len(SUBJECTS)):
        return f"{len(clips)} records, {len(files)} clips"
    return ""


def check_build(folder: Path) -> str:
    """Check that the build fits its fingerprint."""
    load_build(folder / "lab" / "builds" / "first")
    return check_lab(folder)


def check_models(folder: Path) -> str:
    """Check that the history has one promotion."""
    steps = [change.name for change in Registry(folder / "models").history()]
    return "" if steps == ["local-001"] else f"history {steps}"


def no_more(folder: Path) -> str:
    """Leave it to the comparison."""
    return ""


def _import(folder: Path) -> list[object]:
    words: list[object] = ["lab", "import", folder / "lab", folder / "scans"]
    return [*words, "--secret", folder / "secret", "--site", "a", "--view", "abdominal_wall"]


SCENARIOS = (
    Scenario(
        "measure",
        prepare_visit,
        lambda f: ["measure", f / "visit" / "left_draw_in_1.dcm", f / "clip.mp4", "--out",
                   f / "out", "--mm-per-pixel", "0.2"],
        "", check_results, ("out",),
    ),
    Scenario(
        "session",
        prepare_visit,
        lambda f: ["session", f / "visit", "--out", f / "out", "--no-overlay"],
        "", check_results, ("out",),
    ),
    Scenario(
        "synthesize",
        no_more,  # type: ignore[arg-type]
        lambda f: ["synthesize", "--out", f / "out", "--view", "bladder", "--clips", "0",
                   "--stills", "4"],
        "", no_more, ("out",),
    ),
    Scenario(
        "lab consent load",
        lambda f: _without_consents(f),
        lambda f: ["lab", "consent", "load", f / "lab", f / "consents.csv", "--secret",
                   f / "secret", "--by", "nurse-2"],
        "", check_lab, (),
    ),
    Scenario("lab import", prepare_scans, _import, "", check_lab, ("lab/clips",)),
    Scenario(
        "lab label", prepare_labels,
        lambda f: ["lab", "label", f / "lab", f / "labels"], "", check_lab, ("lab/labels",),
    ),
    Scenario(
        "lab build", prepare_build,
        lambda f: ["lab", "build", f / "lab", "first", "--held-out", "0.34"],
        "There is a build first already", check_build, ("lab/builds",),
    ),
    Scenario(
        "models promote", prepare_models,
        lambda f: ["models", "promote", "local-001", "--models", f / "models", "--by", "dev-1"],
        "in use already", check_models, (),
    ),
)  # fmt: skip


def _without_consents(folder: Path) -> None:
    prepare_scans(folder)
    (folder / "lab" / "consent.sqlite").unlink()


def _run(words: Sequence[object]) -> None:
    """Run a command of the preparation, which must succeed."""
    code, said, _ = started([str(word) for word in words], None)
    if code != 0:
        raise SystemExit(f"{words[:3]} left with {code}: {said}")


def started(words: Sequence[str], kill_after_s: float | None) -> tuple[int, str, float]:
    """Run a command in a process group of its own; kill all of it after a while."""
    began_s = time.monotonic()
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.setsid()
        for handle in (1, 2):
            os.dup2(writing, handle)
        os.close(reading)
        try:
            run_command(list(words))
        except SystemExit as left:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(left.code if isinstance(left.code, int) else 70)
        except BaseException as error:
            os.write(2, f"Traceback {type(error).__name__}: {error}".encode())
            os._exit(70)
    os.close(writing)
    if kill_after_s is not None:
        time.sleep(kill_after_s)
        try:
            os.killpg(child, signal.SIGKILL)
        except ProcessLookupError:
            pass
    with os.fdopen(reading, "rb") as stream:
        said = stream.read().decode("utf-8", "replace")
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status), said, time.monotonic() - began_s


def digests(folder: Path, compared: Sequence[str]) -> dict[str, str]:
    """Checksum of every result, by its path; times of day that a file states are left out."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for part in compared
        for path in (folder / part).rglob("*")
        if path.is_file() and path.name != ".identity.json"
    }


def hidden(folder: Path) -> list[str]:
    """Find what is hidden below a folder, but for what a visit keeps so."""
    return [p.name for p in folder.rglob(".*") if p.name != ".identity.json"]


def kill_once(scenario: Scenario, made: Path, expected: dict[str, str], after_s: float) -> str:
    """Kill one run, run it again, and tell what is wrong; empty where nothing is."""
    # The same path each time, since some files state where they are.
    work = made.with_name("work")
    shutil.rmtree(work, ignore_errors=True)
    shutil.copytree(made, work)
    words = [str(word) for word in scenario.arguments(work)]
    code, _, _ = started(words, after_s)
    killed = "killed" if code == -signal.SIGKILL else "finished"
    code, said, _ = started(words, None)
    is_done_before = code == 2 and scenario.again and scenario.again in said
    if "Traceback" in said or (code != 0 and not is_done_before):
        return f"{killed} after {after_s:.2f} s, then code {code}: {said[-300:]}"
    if wrong := scenario.check(work):
        return f"{killed} after {after_s:.2f} s: {wrong}"
    if left := hidden(work):
        return f"{killed} after {after_s:.2f} s: left {left}"
    if (found := digests(work, scenario.compared)) != expected:
        differing = sorted(k for k in {*found, *expected} if found.get(k) != expected.get(k))
        return f"{killed} after {after_s:.2f} s: differs in {differing[:4]}"
    return ""


def main(arguments: Sequence[str] | None = None) -> int:
    """Kill, print a line for each command, and return 1 if anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", help="name of one command")
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    options.out.mkdir(parents=True, exist_ok=True)
    os.environ["XDG_CONFIG_HOME"] = str(options.out.absolute() / "settings")
    chosen = [s for s in SCENARIOS if options.only in (None, s.name)]
    lost = 0
    print(f"{'command':20}{'s':>6}{'kills':>7}{'lost':>6}")
    for place, scenario in enumerate(chosen):
        folder = options.out.absolute() / scenario.name.replace(" ", "-")
        shutil.rmtree(folder, ignore_errors=True)
        made, work = folder / "made", folder / "work"
        made.mkdir(parents=True)
        scenario.prepare(made)
        shutil.copytree(made, work)
        code, said, whole_s = started([str(w) for w in scenario.arguments(work)], None)
        if code != 0:
            raise SystemExit(f"{scenario.name} fails without a kill: {said}")
        expected = digests(work, scenario.compared)
        random = np.random.default_rng([SEED, place, options.first])
        count = len(range(place, options.kills, len(chosen)))
        wrong = [
            kill_once(scenario, made, expected, float(random.uniform(0, 1.05 * whole_s)))
            for _ in range(count)
        ]
        for words in filter(None, wrong):
            print(f"  {scenario.name}: {words}")
        lost += sum(map(bool, wrong))
        print(f"{scenario.name:20}{whole_s:6.1f}{count:7}{sum(map(bool, wrong)):6}", flush=True)
        shutil.rmtree(folder, ignore_errors=True)
    return int(lost > 0)


if __name__ == "__main__":
    sys.exit(main())
