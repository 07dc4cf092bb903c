"""Owns what is attacked: the functions that read each kind of file, and whole commands."""

import hashlib
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from layermotion.agreement.auto import read_auto
from layermotion.agreement.table import read_table
from layermotion.clip.acquired import acquired_at
from layermotion.clip.identifiers import read_identifiers
from layermotion.clip.kinds import is_recording
from layermotion.clip.patient import read_patient
from layermotion.clip.reading import is_increasing
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.lab.annotations import read_coco, read_mask
from layermotion.lab.persons import read_consents
from layermotion.lab.segmentations import read_segmentation
from layermotion.labels import Task
from layermotion.models.registry import Registry
from layermotion.network.segmenter import load_segmenter, weights_names
from layermotion.session.against import compare_visits, read_visit
from layermotion.session.detectable import read_detectable_changes
from layermotion.session.plan import Item, Settings, Side, read_plan
from layermotion.session.recorded import read_recorded

FPS = 25.0
PLAIN, RATED = SourceOptions(), SourceOptions(frame_rate_hz=FPS)
SEED_FRAMES = 8
DICOM = ("plain.dcm", "implicit.dcm", "rle.dcm", "jpeg2000.dcm", "US1_J2KR.dcm",
         "examples_rgb_color.dcm", "examples_palette.dcm")  # fmt: skip
VIDEOS = ("clip.mp4", "mjpeg.mov", "mjpeg.avi", "h264.avi", "clip.mkv", "clip.webm", "clip.gif",
          "clip.mpg", "clip.ts")  # fmt: skip
STILLS = ("still.png", "still.jpg", "still.tif", "still.bmp")
RECORDING = Item(Side.LEFT, Task.DRAW_IN, 1, (Path("a.dcm"),), None, Settings())


@dataclass(frozen=True)
class Reader:
    """One kind of file, what reads it, and how many of every hundred damaged files it gets."""

    name: str
    place: str
    seeds: tuple[str, ...]
    share: int
    read: Callable[[Path, str], tuple[str, str]]


@dataclass(frozen=True)
class Command:
    """A whole command on one damaged file."""

    name: str
    place: str
    seeds: tuple[str, ...]
    arguments: Callable[[Path, Path], list[object]]

    @staticmethod
    def is_half(found: Path) -> bool:
        """Whether something was left half-written: a temporary file, or an unfinished folder."""
        if found.name.startswith(".") and found.name != ".identity.json":
            return True
        return found.is_dir() and not any(found.iterdir())


def read_source(path: Path, how: str) -> tuple[str, str]:
    """Open a recording, look for who and when, and read all its frames."""
    is_series = path.parent.joinpath("frame0.png").exists()
    source = path.parent if is_series else path
    read_identifiers(path), acquired_at(path), is_recording(path), read_patient(path)
    clip = open_clip(source, RATED if is_series else PLAIN)
    frames = list(clip.frames())
    times = [frame.time_s for frame in frames]
    if not is_increasing(times):
        return "no time", f"times {times[:9]}"
    if not is_series and how == "cut" and len(frames) < SEED_FRAMES and not clip.cautions:
        is_clip = path.name not in (*STILLS, *DICOM[4:])
        if is_clip:
            return "silent cut", f"{len(frames)} of {SEED_FRAMES} frames"
    return ("read with a caution" if clip.cautions else "read"), ""


def read_visit_table(path: Path, how: str) -> tuple[str, str]:
    """Read a table of a visit; its paths must stay below it."""
    plan = read_plan(path, path.parent / "out")
    here = path.parent.resolve()
    for item in plan.items:
        for source in item.sources:
            if ".." in source.parts or not source.absolute().is_relative_to(path.parent.absolute()):
                return "outside", f"{source} is not below {here}"
    return "read", ""


def read_earlier(path: Path, how: str) -> tuple[str, str]:
    """Read an earlier visit and compare it with itself."""
    rows = read_visit(path.parent).rows
    numbers = [n for row in rows for n in (row.value, row.low, row.high) if n is not None]
    if not all(type(n) in (int, float) and math.isfinite(n) for n in numbers):
        return "no number", str(numbers)
    compare_visits(rows, rows, None)
    return "read", ""


def read_own(path: Path, how: str) -> tuple[str, str]:
    """Read smallest detectable changes and ask for each of them."""
    own = read_detectable_changes(path)
    for change in own.changes:
        own.find(change.measure, change.structure, change.unit, change.repeats, change.raters)
    return "read", ""


def read_weights(path: Path, how: str) -> tuple[str, str]:
    """Load weights: a damaged card as it is, a damaged network with a checksum that fits."""
    folder = path.parent
    if path.suffix == ".onnx":
        card = folder / f"{path.stem}.json"
        content = json.loads(card.read_text())
        card.unlink()
        content["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
        card.write_text(json.dumps(content))
    segmenter = load_segmenter(path.stem, threads=1, folder=folder)
    rows, columns = segmenter.size_px, segmenter.size_px // 2
    return "read", f"{rows} x {columns}"


def reads(call: Callable[[Path], object]) -> Callable[[Path, str], tuple[str, str]]:
    """Read with one function."""

    def read(path: Path, how: str) -> tuple[str, str]:
        call(path)
        return "read", ""

    return read


RESULTS = "results"
WEIGHTS = tuple(f"{weights_names()[-1]}{suffix}" for suffix in (".json", ".onnx"))
TARGETS = (
    Reader("DICOM recordings", "sources", DICOM, 30, read_source),
    Reader("videos", "sources", VIDEOS, 24, read_source),
    Reader("stills", "sources", STILLS, 9, read_source),
    Reader("folders of images", "sources", ("series/frame1.png",), 4, read_source),
    Reader("visit tables", "tables", ("visit.csv",), 4, read_visit_table),
    Reader(
        "consent tables", "tables", ("consents.csv",), 3,
        reads(lambda path: read_consents(path, "clinic-a")),
    ),
    Reader("COCO labels", "labels", ("labels.json",), 5, reads(read_coco)),
    Reader("label masks", "labels", ("c-1-00001.png",), 3, reads(read_mask)),
    Reader(
        "DICOM segmentations", "labels", ("labels.dcm",), 4,
        reads(lambda path: read_segmentation(path, lambda uid: "c-1")),
    ),
    Reader(
        "calliper tables", "tables", ("callipers.csv", "callipers.xlsx"), 4,
        reads(lambda path: read_table(path, "manual")),
    ),
    Reader("results for compare", RESULTS, ("measures.json",), 2, reads(lambda p: read_auto([p]))),
    Reader("finished recordings", RESULTS, ("measures.json",), 2,
           reads(lambda path: read_recorded(RECORDING, path))),
    Reader("earlier visits", RESULTS, ("visit.json",), 2, read_earlier),
    Reader("detectable changes", RESULTS, ("own.json",), 2, read_own),
    Reader("cards and weights", RESULTS, WEIGHTS, 1, read_weights),
    Reader("history of weights", RESULTS, ("in-use.json",), 1,
           reads(lambda path: Registry(path.parent).history())),
)  # fmt: skip
COMMANDS = (
    Command(
        "measure", "sources", (*DICOM[:4], *VIDEOS, *STILLS),
        lambda path, out: ["measure", path, "--out", out, "--mm-per-pixel", "0.4"],
    ),
    Command(
        "session", "tables", ("visit.csv", "plain.dcm"),
        lambda path, out: ["session", path.parent / "visit.csv", "--out", out, "--no-overlay"],
    ),
    Command(
        "session --plan", "sources", (*DICOM[:4], *VIDEOS, *STILLS),
        lambda path, out: ["session", path.parent, "--plan", path.parent / "plan.csv"],
    ),
    Command(
        "compare", "tables", ("callipers.csv", "callipers.xlsx"),
        lambda path, out: ["compare", path, path.parent / "callipers.csv", "--out", out],
    ),
    Command(
        "reliability", "tables", ("callipers.csv", "callipers.xlsx"),
        lambda path, out: ["reliability", path, "--out", out, "--save", path.parent / "own.json"],
    ),
)  # fmt: skip
