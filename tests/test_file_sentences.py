"""What is wrong with a file, on the page in another language: none of it stays English."""

import ast
import importlib
import math
import re
import threading
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import av
import httpx2
import numpy as np
import pytest
from pages import chromium, open_page
from PIL import Image
from playwright.sync_api import Browser, Page
from standin import draw_frames, draw_texture, write_dicom
from test_review_sentences import sentences_in

from layermotion.clip.video import VIDEO_REMEDY
from layermotion.commands.live import Measuring
from layermotion.commands.measure import MeasureOptions
from layermotion.errors import InputError
from layermotion.files import write_text
from layermotion.geometry import Spacing
from layermotion.live import arrivals as arriving
from layermotion.live.arrivals import Arrival, Arrivals
from layermotion.live.messages import arrivals_message
from layermotion.live.server import arrival_routes
from layermotion.models.registry import load_in_use
from layermotion.record.store import Record
from layermotion.review.place import Stage
from layermotion.review.sentences import day_in_language
from layermotion.review.server import routes_of
from layermotion.review.sources import ALONE, find_sources
from layermotion.review.steps import CHANGED
from layermotion.review.visit import Review
from layermotion.serving.run import serving
from layermotion.serving.sentences import Sentences, sentences_of

SOURCE = Path(__file__).parent.parent / "src" / "layermotion"
# All that opens, measures or writes files while a page is open. Tables, weights, sites and exports
# are read before that, and what is wrong with them is said where the program was started.
PLACES = (
    "analysis", "clip", "efforts", "measures", "series", "tissue", "errors.py", "geometry.py",
    "files.py", "commands/live.py", "commands/results.py", "commands/review.py", "consent/store.py",
    "exchange/reference.py", "exchange/seg.py", "lab/folder.py", "lab/secret.py", "live/taking.py",
    "record/database.py", "record/reading.py", "report/overlay.py", "session/index.py",
    "session/recorded.py",
)  # fmt: skip
RAISED = ("InputError", "MeasurementError", "RecordError", "RecordInUseError", "WeightsError")
# What only the start of the program says, or another command.
AT_THE_START = re.compile(
    "Give either|A depth of view|A frame rate of|'5' is not a pixel size|.* cannot be played|"
    ".* is a file; give --out|.* cannot be written; choose|.* is a laboratory already|"
    "The secret .* (exists|would lie|cannot be written)|.* does not name a frame; keep"
)
# What stands in the place of each expression, where that is neither a number nor a file.
EXAMPLES = {
    "_name_of(syntax)": "JPEG Baseline (Process 1)", "error.strerror": "Permission denied",
    "error.strerror or error": "[Errno 28] No space left on device: 'out'", "place": " at a.py:8",
    "error": "No frame was given to find the image area in; export the clip again.",
    "type(error).__name__": "KeyError", "what": "it holds no frames; export the clip again.",
    "when": " at 1.25 s", "visit.day": "2026-03-01", "value.name": "thickness_rest",
    "side": "row", "path.stat().st_size": "5", "len(paths)": "5", "error.number": "5",
    "remedy": ", free some space and try again",
}  # fmt: skip
OF_A_FRAME = {
    "frame.key": "c-1/7", "count": "2 holes", "_name(structure)": "bladder",
    "_name(layer)": "subcutaneous fat", "_name(one)": "external oblique (EO)",
    "_name(other)": "internal oblique (IO)", "_name(lower)": "internal oblique (IO)",
    "_name(upper)": "external oblique (EO)",
    "remedy": "look again, and give --as-drawn if it is meant so.",
}  # fmt: skip
# A name that a sentence must bear: it looks like the end of one, and like an option.
NAMED = "left; rest, 2.5 --fps.mp4"
NAMES = re.compile(r"name|path|source|target|folder|nearest|record")
WIDTH_PX = 1366
# As scanners name their files: without a place to break the line.
LONG = "20260301_101523_ABDOMEN_LINKS_TRANSVERSUS_EINZIEHEN_SERIE_0001.mp4"
# What both languages write alike, but for names of files.
SAME = {"DICOM", "JPEG", "TIFF", "webm", "first", "view"}


def german() -> Sentences:
    found = sentences_of("de")
    assert found is not None
    return found


def raised_in(path: Path) -> Iterator[str]:
    """Give every sentence that a module raises, with examples in its places."""
    module = ".".join(("layermotion", *path.relative_to(SOURCE).with_suffix("").parts))
    names = vars(importlib.import_module(module.removesuffix(".__init__")))
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = list(ast.walk(tree))
    kept = {ast.unparse(n.targets[0]): [] for n in nodes if isinstance(n, ast.Assign)}
    for node in nodes:
        if isinstance(node, ast.Assign):
            kept[ast.unparse(node.targets[0])].append(node.value)
    for node in nodes:
        if isinstance(node, ast.Call) and ast.unparse(node.func) in RAISED:
            said = node.args[0]
            for one in kept.get(ast.unparse(said), [said]):
                yield text_of(one, names)


def text_of(node: ast.AST, names: Mapping[str, object]) -> str:
    """Give the text of an expression; constants of its module as they are."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(text_of(part, names) for part in node.values)
    if isinstance(node, ast.FormattedValue):
        return text_of(node.value, names)
    if isinstance(node, ast.Call) and ast.unparse(node.func).endswith(".format"):
        pattern = str(names[ast.unparse(node.func).removesuffix(".format")])
        return pattern.format(
            **{str(word.arg): text_of(word.value, names) for word in node.keywords}
        )
    text = ast.unparse(node)
    example = EXAMPLES.get(text, NAMED if NAMES.search(text) else "5")
    return str(names.get(text, example))


def test_every_fault_of_a_file_has_a_translation() -> None:
    found = [SOURCE / place for place in PLACES]
    modules = [m for one in found for m in ([one] if one.is_file() else sorted(one.rglob("*.py")))]
    said = [text for module in modules for text in raised_in(module)]
    assert len(said) > 100
    untold = [text for text in said if german().refuse(text) == text]
    assert [text for text in untold if not AT_THE_START.match(text)] == []


def test_what_is_wrong_with_a_frame_for_the_laboratory_has_a_translation() -> None:
    said = list(sentences_in(SOURCE / "lab" / "checks.py", OF_A_FRAME))
    assert len(said) > 10
    named = [text if text.startswith("c-1/7") else f"c-1/7: {text}" for text in said]
    untold = [text for text in named if german().refuse(text) == text]
    assert untold == [f"c-1/7: {OF_A_FRAME['remedy']}"]


def test_what_a_review_says_of_a_file_has_a_translation() -> None:
    again = "An earlier correction could not be made again: There is no repeat 3 to leave out."
    for text in (ALONE.format(shows="rest", other="contracted"), CHANGED, again):
        assert german().refuse(text) != text


def test_a_fault_that_nobody_foresaw_is_said_in_english_with_its_remedy() -> None:
    # A clip that was not measured has no report to look it up in.
    unknown = "Nobody foresaw this; do that."
    day = day_in_language(
        {"clips": [{"problem": unknown}], "no_means": [], "not_written": unknown}, "de"
    )
    assert day == {"clips": [{"problem": unknown}], "no_means": [], "not_written": unknown}
    # What the system says may be in any language; the sentence around it is not.
    told = german().refuse("a.mp4 cannot be read (Zugriff verweigert); check its access rights.")
    assert told == "a.mp4 ist nicht lesbar (Zugriff verweigert); prüfen Sie die Zugriffsrechte."


def test_a_size_that_is_no_plain_number_is_said_as_well() -> None:
    told = []
    for size in ((1e-5, 0.1), (0.1, math.inf), (0.1, math.nan)):
        with pytest.raises(InputError) as refused:
            Spacing(*size, "typed")
        told.append(german().refuse(str(refused.value)))
    end = "ist nicht möglich; geben Sie einen Wert von 0,005 bis 2 mm an."
    sides = ("Pixelhöhe von 1e-05", "Pixelbreite von inf", "Pixelbreite von nan")
    assert told == [f"Eine {side} mm {end}" for side in sides]


def grey_video(path: Path) -> bytes:
    """Write a video of flat grey, which shows neither view, and give its bytes."""
    with av.open(str(path), "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=25)
        stream.height, stream.width, stream.pix_fmt = 96, 128, "yuv420p"
        for index in range(6):
            grey = np.full((96, 128), 60 + 20 * index, np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(grey, format="gray")))
        container.mux(stream.encode(None))
    return path.read_bytes()


def write_bad_files(folder: Path) -> dict[str, str]:
    """Write files that cannot be measured; give how the German page must begin to say so."""
    (folder / "a.mp4").write_bytes(b"")
    (folder / LONG).write_text("no video at all")
    video = grey_video(folder / "c.mp4")
    (folder / "d.mp4").write_bytes(video)
    (folder / "e.mp4").write_bytes(video[: len(video) // 2])
    frames = draw_frames(6)
    content = write_dicom(folder / "f.dcm", frames).read_bytes()
    rows = b"\x28\x00\x10\x00US"
    (folder / "f.dcm").write_bytes(content.replace(rows + b"\x02", rows + b"\x01"))
    write_dicom(folder / "g.dcm", frames, FrameTime=0)
    write_dicom(folder / "h.dcm", frames, NumberOfFrames=4)
    write_dicom(folder / "i.dcm", frames, NumberOfFrames=100_001)
    write_dicom(folder / "j.dcm", frames, PhotometricInterpretation="HSV")
    write_dicom(folder / "k.dcm", frames, Rows=65535, Columns=65535)
    Image.fromarray(np.zeros((16, 16), np.float32)).save(folder / "l.tif")
    first, second = (Image.fromarray(draw_texture(40 + k, 60)) for k in range(2))
    first.save(folder / "m.tif", save_all=True, append_images=[second])
    first.save(folder / "n.png")
    (folder / "n.png").write_bytes((folder / "n.png").read_bytes()[:800])
    Image.fromarray(np.zeros((4, 4), np.uint8)).save(folder / "o.png")
    first.save(folder / "left_draw_in_1_contracted.png")
    first.save(folder / "right_draw_in_1_rest.png")
    second.save(folder / "right_draw_in_1_contracted.png")
    return {
        "a.mp4": "a.mp4 ist leer (0 Byte); kopieren oder exportieren Sie die Datei neu.",
        LONG: f"{LONG} ist weder als Video noch als Bild lesbar;",
        "c.mp4": "c.mp4: Die Bilder wurden weder als Bauchwand noch als Blase erkannt",
        "d.mp4": "Dieser Clip enthält dieselben Bilder wie ein anderer des Termins.",
        "e.mp4": "e.mp4 enthält kein Video;",
        "f.dcm": "f.dcm ist eine beschädigte DICOM-Datei; exportieren Sie sie neu vom",
        "g.dcm": "g.dcm enthält 6 Bilder ohne Zeitangabe; starten Sie neu mit --fps",
        "h.dcm": "h.dcm enthält nicht die angegebenen 4 Bilder;",
        "i.dcm": "i.dcm gibt 100001 Bilder an, mehr als 100000;",
        "j.dcm": "Die Pixel von j.dcm sind von unbekannter Art;",
        "k.dcm": "Die Bilder von k.dcm haben 65535 x 65535 Pixel",
        "l.tif": "l.tif hat 32 Bit je Pixel;",
        "m.tif": "m.tif enthält mehrere Bilder;",
        "n.png": "n.png ist ein beschädigtes Bild (",
        "o.png": "o.png kann nicht gemessen werden: Ein Bildausschnitt von 4 x 4 Pixeln",
        "left_draw_in_1_contracted.png": "Zu diesem Bild (Anspannung) fehlt das andere (Ruhe);",
        "right_draw_in_1_rest.png": "right_draw_in_1_rest.png hat 40 x 60 Pixel und right",
    }


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("bad")


@pytest.fixture(scope="module")
def expected(folder: Path) -> dict[str, str]:
    return write_bad_files(folder)


@pytest.fixture(scope="module")
def review(folder: Path, expected: dict[str, str]) -> Iterator[Review]:
    """Review the files with the weights that are in use; its results cannot be written."""

    def finish(review: Review) -> Path:
        write_text(folder / "a.mp4" / "visit.html", "")
        raise AssertionError

    names = (*expected, "right_draw_in_1_contracted.png")
    listed = find_sources([folder / name for name in names], None, "most-even")
    with Record.open(folder.with_suffix(".sqlite")) as record:
        made = Review(listed, load_in_use(), record, date(2026, 3, 1), finish)
        made.measure_all()
        yield made


def asked(review: Review, language: str) -> dict[str, str]:
    """Give what the page shows of each file that cannot be measured."""
    headers = {"accept-language": language}
    with serving(routes_of(review)) as running:
        with httpx2.Client(base_url=running.address.origin, headers=headers) as page:
            page.get(running.link())
            clips = page.get("/day").json()["clips"]
            said = {review.places[c["number"]].listed.path.name: c["problem"] for c in clips}
            # A page that was open before asks for the clip itself.
            number = next(c["number"] for c in clips if c["problem"].startswith("a.mp4"))
            assert page.get(f"/clips/{number}").json()["error"] == said["a.mp4"]
    return said


def words_of(text: str) -> set[str]:
    return set(re.findall(r"[^\W\d_]{4,}", re.sub(r"[\w./-]+\.(mp4|dcm|tif|png)", "", text)))


def test_the_page_of_a_visit_says_in_german_what_is_wrong_with_each_file(
    review: Review, expected: dict[str, str]
) -> None:
    english, told = asked(review, "en"), asked(review, "de")
    assert {name: text[: len(expected[name])] for name, text in told.items()} == expected
    for name, text in told.items():
        assert english[name] and words_of(english[name]) & words_of(text) <= SAME


@pytest.mark.parametrize("name", ["open_recording", "Desk.open"])
def test_what_nobody_foresaw_fails_one_clip_and_the_others_go_on(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = [tmp_path / f"{k}.png" for k in range(2)]
    for k, path in enumerate(paths):
        Image.fromarray(draw_texture(40 + k, 60)).save(path)
    listed = find_sources(paths, None, "most-even")

    class Unforeseen:
        """Fails at the first clip by the words of a library, at the second in our own."""

        calls = 0

        def __call__(self, *_: object) -> None:
            self.calls += 1
            raise KeyError("Jane Roe") if self.calls == 1 else InputError("A sentence; do that.")

    monkeypatch.setattr(f"layermotion.review.visit.{name}", Unforeseen())
    with Record.open(tmp_path / "record.sqlite") as record:
        made = Review(listed, load_in_use(), record, date(2026, 3, 1), lambda _: tmp_path)
        made.measure_all()
    first, second = made.places
    assert first.stage is second.stage is Stage.FAILED
    assert first.problem.startswith("0.png failed in a way that was not foreseen (KeyError")
    assert "Jane" not in first.problem and german().refuse(first.problem) != first.problem
    assert second.problem == "A sentence; do that."


# A folder that is a file.
NOT_WRITTEN = {
    "en": "{} cannot be written (Not a directory); choose a folder that you may write to.",
    "de": "In {} kann nicht geschrieben werden (kein Ordner); wählen Sie einen Ordner, in den Sie "
    "schreiben dürfen.",
}


def write_results_of(review: Review) -> None:
    review.write()
    end_s = time.monotonic() + 10
    while review.is_writing and time.monotonic() < end_s:
        time.sleep(0.01)


def test_the_page_says_in_german_why_results_were_not_written(review: Review) -> None:
    write_results_of(review)
    with serving(routes_of(review)) as running:
        for language, said in NOT_WRITTEN.items():
            headers = {"accept-language": language}
            with httpx2.Client(base_url=running.address.origin, headers=headers) as page:
                page.get(running.link())
                day = page.get("/day").json()
            where = review.places[0].listed.path.parent / "a.mp4"
            assert day["not_written"] == said.format(where)
            assert day["finished"] == ""


def test_the_live_page_says_in_german_what_is_wrong_with_a_file(
    folder: Path, expected: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(arriving, "LOOK_S", 0.01)
    measure = Measuring(load_in_use(), None, MeasureOptions())
    arrivals, stop = Arrivals(tmp_path, measure.file), threading.Event()
    names = [name for name in expected if "draw_in" not in name and name != "d.mp4"]
    for name in names:
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    thread = threading.Thread(target=arrivals.watch, args=(stop,))
    thread.start()
    number, found = 0, ()
    try:
        while len([one for one in found if one.failed]) < len(names):
            number, found = arrivals.newest.after(number, 20.0) or pytest.fail("nothing arrived")
    finally:
        stop.set()
        thread.join()
    said = {one["name"]: one["failed"] for one in arrivals_message(found, "", "de")["arrivals"]}
    assert said == {name: text for name, text in said.items() if text.startswith(expected[name])}
    assert len(said) == len(names) > 10


def open_in_german(browser: Browser, link: str) -> tuple[Page, list[str]]:
    viewport: Any = {"width": WIDTH_PX, "height": 768}
    return open_page(browser.new_context(viewport=viewport, locale="de-DE"), link)


def assert_not_wider(page: Page, *places: str) -> None:
    """Fail where something can only be read by moving it sideways."""
    for place in ("html", *places):
        needed_px, given_px = page.locator(place).evaluate("(e) => [e.scrollWidth, e.clientWidth]")
        assert needed_px <= given_px, place


def test_the_sentences_fit_their_place_on_the_page_of_a_visit(review: Review) -> None:
    write_results_of(review)
    with chromium() as browser, serving(routes_of(review)) as running:
        page, errors = open_in_german(browser, running.link())
        page.wait_for_selector("#clips .problem")
        cells = page.locator("#clips .problem").all_inner_texts()
        assert set(cells) == set(asked(review, "de").values())
        assert_not_wider(page, ".scroll:has(#clips)")
        page.click("#to-sign")
        where = review.places[0].listed.path.parent / "a.mp4"
        assert page.inner_text("#finished").startswith(NOT_WRITTEN["de"].format(where))
        assert_not_wider(page)
        assert errors == []


def test_the_sentences_fit_their_place_on_the_live_page(tmp_path: Path) -> None:
    said = f"{LONG} cannot be read as a video or image; {VIDEO_REMEDY}."
    arrivals = Arrivals(tmp_path, open)  # type: ignore[arg-type]
    with chromium() as browser, serving(arrival_routes(arrivals)) as running:
        page, errors = open_in_german(browser, running.link())
        arrivals.newest.put((Arrival(LONG, datetime(2026, 3, 1, tzinfo=UTC), failed=said),))
        page.wait_for_selector("#list .failed")
        told = german().refuse(said)
        assert [page.inner_text(place) for place in ("#list .failed", "#outcome")] == [told, told]
        assert_not_wider(page, "#list", "#outcome")
        assert errors == []
