"""Owns the commands that ``kills`` ends: what they need, how they run, what must be there after."""

import json
import os
import shutil
import signal
import sqlite3
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ["OMP_NUM_THREADS"] = "1"

import httpx2
import numpy as np
from attack_seeds import draw_frames, write_dicom, write_video
from starlette.routing import BaseRoute

import layermotion.commands.review
import layermotion.lab.tuning
from layermotion.cli import main as run_command
from layermotion.images import write_png
from layermotion.lab.builds import load_build
from layermotion.lab.folder import frame_key, open_lab
from layermotion.models.judging import Judgement, Metric, Row
from layermotion.models.registry import Judged, Registry
from layermotion.network.segmenter import WEIGHTS_FOLDER, read_card, weights_names
from layermotion.record.store import Record
from layermotion.serving.run import serving

SIZE = (240, 320)
FRAMES = 16
SUBJECTS = ("4711", "4712", "4713")
# Saved after each step, in one process.
EACH_STEP = ("workers=0", "checkpoint_every_s=0", "log_every_steps=1", "tracking=csv")
# The smallest network that still trains; and weights in use, whose network is what it is.
TRAINING = (
    "size_px=64", "encoder=tu-test_efficientnet", "decoder_channels=[16,16,16,16]", "steps=8",
    "warmup_steps=2", "validate_every_steps=4", "validation_examples=4", *EACH_STEP,
)  # fmt: skip
TUNING = (
    "steps=4", "warmup_steps=1", "batch_size=2", "validate_every_steps=2",
    "validation_examples=2", *EACH_STEP,
)  # fmt: skip
# Pictures that choose how much of what was learnt is kept.
CHOOSING_PICTURES = 8
# Corrections of each clip of a review.
CORRECTIONS = 6
# What the reviewer was answered, a line each, beside the record.
ANSWERED = "answered"


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
        Where the results lie that must be the same bytes, or the same weights.
    acting
        What else goes on in the process, in that folder.
    """

    name: str
    prepare: Callable[[Path], None]
    arguments: Callable[[Path], list[object]]
    again: str
    check: Callable[[Path], str]
    compared: tuple[str, ...]
    acting: Callable[[Path], None] = lambda folder: None


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
    _run([*words, "--site", "a", "--by", "nurse-2"])


def prepare_labels(folder: Path) -> None:
    """Import the scans, accept them, and write a label for a frame of each."""
    prepare_scans(folder)
    _run(_import(folder))
    _run(["lab", "accept", folder / "lab", *(folder / "lab" / "review").glob("*.png")])
    label = np.zeros(SIZE, np.uint8)
    for value, top in enumerate((60, 85, 110, 135), start=1):
        label[top : top + 20, 110:210] = value
    for name in open_lab(folder / "lab").clips():
        write_png(folder / "labels" / f"{frame_key(name, 1)}.png", label)


def prepare_build(folder: Path) -> None:
    """Store the labels, from which a build is made."""
    prepare_labels(folder)
    _run(["lab", "label", folder / "lab", folder / "labels", "--by", "physio-3"])


def prepare_run(folder: Path) -> None:
    """Make the build, on which weights are trained further."""
    prepare_build(folder)
    _run(_build(folder))


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


def check_review(folder: Path) -> str:
    """Check that the chain holds, that all answers are in the record, and the visit is final."""
    answered = Counter((folder / ANSWERED).read_text(encoding="utf-8").splitlines())
    with Record.open(folder / "record.sqlite", must_exist=True) as record:
        record.verify()
        (patient,) = record.patients()
        visits = record.visits(patient.patient_id)
        if len(visits) != 1 or not visits[0].is_signed:
            return f"{len(visits)} visits, or none signed"
        kept = Counter(event.why for event in record.events(visits[0].visit_id) if event.why)
    if answered - kept:
        return f"lost {sorted((answered - kept).elements())}"
    pages = list((folder / "out").glob("*/visit.html"))
    return "" if len(pages) == 1 else f"{len(pages)} final pages"


def reviewing(folder: Path) -> None:
    """Let the review command be worked by a person who never rests, and end when all is done."""

    def serve(routes: Sequence[BaseRoute], **_: object) -> None:
        with serving(list(routes)) as running:
            origin = running.address.origin
            with httpx2.Client(base_url=origin, headers={"origin": origin}, timeout=60) as page:
                page.get(running.link())
                form = page.get("/").text.split('name="form-key" content="')[1].split('"')[0]
                page.headers["x-layermotion-form"] = form
                work_through(page, folder / ANSWERED)

    layermotion.commands.review.serve = serve  # type: ignore[assignment, attr-defined]


def choosing_quickly(folder: Path) -> None:
    """Let a few pictures choose how much of what was learnt is kept."""
    layermotion.lab.tuning.CHOOSING_PICTURES = CHOOSING_PICTURES


def work_through(page: httpx2.Client, answered: Path) -> None:
    """Correct both clips, confirm all values, sign, and wait for the final results."""

    def day(is_ready: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        while not is_ready(found := page.get("/day").json()):
            time.sleep(0.02)
        return dict(found)

    def tell(path: str, **body: object) -> dict[str, Any]:
        answer = page.post(path, json=body)
        if answer.status_code != 200:
            raise RuntimeError(f"{path}: {answer.text}")
        return dict(answer.json())

    now = day(lambda found: found["is_opened"])
    with answered.open("a", encoding="utf-8") as notes:
        if not now["is_signed"]:
            tell("/begin", patient="P-017", who="A. B.", day="2024-03-02")
            day(lambda found: all(clip["stage"] == "ready" for clip in found["clips"]))
            for clip in range(2):
                for number in range(CORRECTIONS):
                    why, site = f"{os.getpid()}-{clip}-{number}", 120.0 + number
                    correction = {"kind": "move_site", "site_px": site}
                    tell(f"/clips/{clip}/corrections", correction=correction, why=why)
                    notes.write(why + "\n")
                    notes.flush()
                tell(f"/clips/{clip}/seen")
                keys = [m["key"] for m in page.get(f"/clips/{clip}").json()["shown"]["measures"]
                        if m["value"] is not None]  # fmt: skip
                confirm = {"kind": "confirm", "keys": keys}
                tell(f"/clips/{clip}/corrections", correction=confirm, why="")
            tell("/sign", who="A. B.")
        day(lambda found: bool(found["finished"]))


def no_more(folder: Path) -> str:
    """Leave it to the comparison."""
    return ""


def _import(folder: Path) -> list[object]:
    words: list[object] = ["lab", "import", folder / "lab", folder / "scans"]
    return [*words, "--secret", folder / "secret", "--site", "a", "--view", "abdominal_wall"]


def _build(folder: Path) -> list[object]:
    return ["lab", "build", folder / "lab", "first", "--held-out", "0.34"]


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
        "train",
        no_more,  # type: ignore[arg-type]
        lambda f: ["train", "--config", "smoke", "--out", f / "run", *TRAINING],
        "", no_more, ("run/last.pt",),
    ),
    Scenario(
        "review",
        prepare_visit,
        lambda f: ["review", f / "visit", "--record", f / "record.sqlite", "--out", f / "out"],
        "", check_review, (), reviewing,
    ),
    Scenario(
        "lab consent load",
        lambda f: _without_consents(f),
        lambda f: ["lab", "consent", "load", f / "lab", f / "consents.csv", "--secret",
                   f / "secret", "--site", "a", "--by", "nurse-2"],
        "", check_lab, (),
    ),
    Scenario("lab import", prepare_scans, _import, "", check_lab, ("lab/clips",)),
    Scenario(
        "lab label", prepare_labels,
        lambda f: ["lab", "label", f / "lab", f / "labels", "--by", "physio-3"],
        "", check_lab, ("lab/labels",),
    ),
    Scenario(
        "lab build", prepare_build,
        _build,
        "There is a build first already", check_build, ("lab/builds",),
    ),
    Scenario(
        "lab train", prepare_run,
        lambda f: ["lab", "train", f / "lab", "first", "--models", f / "models", "--out",
                   f / "run", *TUNING],
        "", check_build, ("run/last.pt",), choosing_quickly,
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
    code, said, _ = started([str(word) for word in words])
    if code != 0:
        raise SystemExit(f"{words[:3]} left with {code}: {said}")


def started(
    words: Sequence[str],
    acting: Callable[[], None] = lambda: None,
    kill_after_s: float | None = None,
) -> tuple[int, str, float]:
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
            acting()
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
