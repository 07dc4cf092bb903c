"""Files of results are read back with every type checked; what is no number is never a value."""

import copy
import hashlib
import json
import shutil
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from layermotion.errors import InputError, LayermotionError, WeightsError
from layermotion.labels import Task
from layermotion.measures.measure import Measure, Status
from layermotion.models.judging import Judgement, Metric
from layermotion.models.judging import Row as JudgedRow
from layermotion.models.registry import Change, Judged, Registry, Step
from layermotion.network.segmenter import WEIGHTS_FOLDER, load_segmenter, read_card, weights_names
from layermotion.session.against import read_visit
from layermotion.session.detectable import DetectableChange, read_detectable_changes
from layermotion.session.plan import Item, Settings, Side
from layermotion.session.recorded import read_recorded
from layermotion.session.results import Row
from layermotion.stored import MOST_BYTES

MEASURE = Measure(
    "slide", "tra", "draw_in", "1", 3.5, "mm", 3.0, 4.0, Status.DRAFT, "", "0-4", "How."
)
ROW = Row(
    "left",
    "draw_in",
    "mean",
    "tra",
    "slide",
    3.5,
    3.0,
    4.0,
    "mm",
    Status.DRAFT,
    "",
    "c1",
    2,
    "How.",
)
ITEM = Item(Side.LEFT, Task.DRAW_IN, 1, (Path("a.dcm"),), None, Settings())
VISIT = {"schema_version": "2.0", "rows": [asdict(ROW)], "provenance": {"weights": "layers-001"}}
MEASURES = {
    "clip": "c1",
    "schema_version": "1.1",
    "picture_width_mm": "80.0",
    "measures": [asdict(MEASURE)],
    "cautions": ["One."],
    "advice": [],
}
OWN = {
    "schema": "layermotion-detectable-change",
    "schema_version": "1.0",
    "source": "a study",
    "changes": [asdict(DetectableChange("slide", "tra", "mm", 1, 0.5, 1.4, "one", 20, 80))],
}
HISTORY = [asdict(Change(Step.PROMOTE, "layers-001", "f" * 64, "dev 1", "2024-06-01"))]
JUDGED = asdict(
    Judged("a" * 64, "b" * 64, "first", "f" * 64, 3, "2024-06-01",
           Judgement((JudgedRow("all", "all", Metric.DICE, 3, 0.8, 0.9, 0.05, 0.15),), (), ()))
)  # fmt: skip


def read(kind: str, folder: Path, content: object) -> object:
    """Write a document and read it as the tool does."""
    text = content if isinstance(content, str) else json.dumps(content)
    judgement = folder / "judgements" / f"{'b' * 16}-instead-of-{'a' * 16}.json"
    path = {
        "visit": folder / "visit.json",
        "measures": folder / "measures.json",
        "own": folder / "own.json",
        "history": folder / "in-use.json",
        "judged": judgement,
    }[kind]
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    if kind == "visit":
        return read_visit(folder)
    if kind == "measures":
        return read_recorded(ITEM, path)
    if kind == "own":
        return read_detectable_changes(path)
    if kind == "history":
        return Registry(folder).history()
    return Registry(folder).judged("a" * 64, "b" * 64)


DOCUMENTS = {
    "visit": VISIT,
    "measures": MEASURES,
    "own": OWN,
    "history": HISTORY,
    "judged": JUDGED,
}
ODD = (
    None,
    True,
    -1,
    7,
    1.5,
    float("nan"),
    float("inf"),
    1e999,
    10**400,
    "",
    "words",
    "\ud800",
    [],
    [[]],
    ["a"],
    {},
    {"a": {}},
)


def places(content: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where the values of a document stand, its parts included."""
    if path:
        yield path
    items = content.items() if isinstance(content, dict) else enumerate(content)
    if isinstance(content, dict | list | tuple):
        for key, value in items:
            if isinstance(value, dict | list | tuple):
                yield from places(value, (*path, key))
            else:
                yield (*path, key)


def put(content: Any, path: tuple[Any, ...], value: object) -> Any:
    changed = json.loads(json.dumps(content))
    part = changed
    for key in path[:-1]:
        part = part[key]
    part[path[-1]] = value
    return changed


def is_like(old: object, new: object) -> bool:
    """Whether a value may stand for another one: of its type, and finite."""
    if isinstance(old, float) or old is None:
        return new is None or (type(new) in (int, float) and abs(new) < 10**9)  # type: ignore[operator]
    return type(old) is type(new)


@pytest.mark.parametrize("kind", DOCUMENTS)
def test_a_document_is_read_and_every_odd_value_in_it_is_one_sentence(
    kind: str, tmp_path: Path
) -> None:
    good = DOCUMENTS[kind]
    assert read(kind, tmp_path, good)
    refused = 0
    for path in places(good):
        old = good
        for key in path:
            old = old[key]  # type: ignore[index, call-overload]
        for value in ODD:
            try:
                read(kind, tmp_path, put(good, path, value))
            except LayermotionError as error:
                assert "\n" not in str(error) and ".json" in str(error)
                refused += 1
                continue
            # What is taken is of the type that stood there; a judgement's interval may be NaN.
            is_free = kind == "judged" or isinstance(old, list | dict | tuple)
            assert is_free or is_like(old, value), (path, value)
    assert refused > 5 * len(list(places(good)))


@pytest.mark.parametrize(
    "change",
    [{"units": 0}, {"units": -(10**12)}, {"repeats": 10**30}, {"spread": -0.1}, {"error_half": -1}]
    + [{"error_half": 1e300}, {"low": 3.6}, {"high": 3.4}, {"value": 1e9}, {"value": 9.0}],
)
def test_a_row_that_no_visit_can_have_is_refused(change: dict[str, object], tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"visit\.json"):
        read("visit", tmp_path, {**VISIT, "rows": [asdict(ROW) | change]})


@pytest.mark.parametrize("kind", DOCUMENTS)
@pytest.mark.parametrize("text", ["", "{", "[" * 99_999, '{"a":' * 99_999, "nul", "\0", "[]", "{}"])
def test_what_is_no_such_document_is_one_sentence(kind: str, text: str, tmp_path: Path) -> None:
    if (kind, text) == ("history", "[]"):
        assert read(kind, tmp_path, text) == ()
        return
    with pytest.raises(InputError, match=r"\.json"):
        read(kind, tmp_path, text)


def test_a_file_of_no_possible_size_is_not_taken_in(tmp_path: Path) -> None:
    with (tmp_path / "visit.json").open("wb") as file:
        file.truncate(MOST_BYTES + 10)
    with pytest.raises(InputError, match=r"visit\.json"):
        read_visit(tmp_path)


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Copy the shipped weights."""
    folder = tmp_path_factory.mktemp("weights")
    for suffix in (".onnx", ".json"):
        shutil.copy(WEIGHTS_FOLDER / f"{weights_names()[-1]}{suffix}", folder)
    return folder


NEEDED = ("sha256", "classes", "views", "size_px", "spacing_range_mm", "errors_px")


@pytest.mark.parametrize("entry", NEEDED)
def test_an_odd_value_in_a_card_is_one_sentence(entry: str, shipped: Path, tmp_path: Path) -> None:
    name = weights_names(shipped)[-1]
    card = read_card(name, shipped)
    (tmp_path / f"{name}.onnx").touch()
    for value in ODD:
        if (entry, value) in [("errors_px", {}), ("size_px", 7)] or type(value) is type(
            card[entry]
        ):
            continue
        text = json.dumps({**copy.deepcopy(card), entry: value})
        (tmp_path / f"{name}.json").write_text(text, encoding="utf-8")
        with pytest.raises(WeightsError, match=f"{name}.json of the weights .*{entry}|no JSON"):
            load_segmenter(name, folder=tmp_path)


def test_damaged_weights_whose_checksum_fits_are_refused(shipped: Path, tmp_path: Path) -> None:
    name = weights_names(shipped)[-1]
    card, content = read_card(name, shipped), (shipped / f"{name}.onnx").read_bytes()
    for damaged in (b"", b"no network", content[: len(content) // 2], content[:-7], content[100:]):
        (tmp_path / f"{name}.onnx").write_bytes(damaged)
        sha256 = hashlib.sha256(damaged).hexdigest()
        (tmp_path / f"{name}.json").write_text(json.dumps({**card, "sha256": sha256}))
        with pytest.raises(WeightsError, match=f"The weights {name} are damaged, though"):
            load_segmenter(name, folder=tmp_path)
