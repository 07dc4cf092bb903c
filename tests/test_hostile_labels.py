"""Label files that are damaged or made to harm: checked against the image before they are used."""

import io
import json
import resource
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lab_data import COLUMNS, ROWS, wall_label
from PIL import Image
from pycocotools import mask as coco_mask

from layermotion.errors import InputError
from layermotion.lab.annotations import LabelledFrame, read_coco, read_mask, write_coco
from layermotion.lab.outlines import filled
from layermotion.labels import STRUCTURES

SQUARE = [10, 10, 40, 10, 40, 40, 10, 40]


def document(segmentation: Any = None, **image: Any) -> dict[str, Any]:
    """One image with one annotation of the fat."""
    return {
        "images": [{"id": 1, "file_name": "c-1-00001.png", "height": 64, "width": 96, **image}],
        "categories": [{"id": 1, "name": "fat"}],
        "annotations": [
            {"id": 1, "image_id": 1, "category_id": 1, "segmentation": segmentation or [SQUARE]}
        ],
    }


def read(folder: Path, content: object) -> list[LabelledFrame]:
    path = folder / "labels.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return read_coco(path)


def run_lengths(counts: object, size: object = (64, 96)) -> dict[str, Any]:
    return {"size": size, "counts": counts}


BAD_SEGMENTATIONS = {
    "far away": [[1e9, 1e9, 2e9, 1e9, 2e9, 2e9]],
    "negative": [[-1e9, 1, 5, 1, 5, 5]],
    "beyond any number": [[1e308, 1, 5, 1, 5, 1e308]],
    "not a number": [[float("nan"), 1, 5, 1, 5, 5]],
    "infinite": [[float("inf"), 1, 5, 1, 5, 5]],
    "words": [["a", "b", "c", "d", "e", "f"]],
    "nothing": [[None] * 6],
    "rings of rings": [[[1, 2], [3, 4], [5, 6], [7, 8], [1, 2], [3, 4]]],
    "a number": 7,
    "truth": [[True, False, True, True, False, False]],
    "negative run": run_lengths([-5, 64 * 96 + 5]),
    "run beyond the image": run_lengths([64 * 96 + 1]),
    "run of words": run_lengths(["a", 64 * 96]),
    "run of fractions": run_lengths([0.5, 64 * 96 - 0.5]),
    "run of 1e30": run_lengths([10**30, 64 * 96 - 10**30]),
    "compressed beyond the image": run_lengths("oooo7oooo7"),
    "compressed and cut": run_lengths("P"),
    "compressed, other letters": run_lengths("\u00ff\u1234 !"),
    "no counts": run_lengths(None),
    "size of words": run_lengths([64 * 96], ["a", 96]),
    "no size": {"counts": [64 * 96]},
}


@pytest.mark.parametrize("segmentation", BAD_SEGMENTATIONS.values(), ids=BAD_SEGMENTATIONS)
def test_a_bad_outline_is_one_sentence(segmentation: Any, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"labels\.json .*export it again") as caught:
        read(tmp_path, document(segmentation))
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 400


def broken(change: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    content = document()
    change(content)
    return content


BAD_DOCUMENTS: dict[str, object] = {
    "huge image": document(height=10**6, width=10**6),
    "infinite image": document(height=float("inf")),
    "image of nothing": document(height=None),
    "negative image": document(height=-64),
    "image of words": document(height="64 px"),
    "infinite number": broken(lambda d: d["images"][0].update(id=float("inf"))),
    "list as number": broken(lambda d: d["categories"][0].update(id=[1])),
    "unknown image": broken(lambda d: d["annotations"][0].update(image_id=9)),
    "list for images": broken(lambda d: d.update(images=[[1]])),
    "words for annotations": broken(lambda d: d.update(annotations="abc")),
    "no object": [1, 2, 3],
    "nested without end": "[" * 100_000,
    "nested objects without end": '{"a":' * 100_000,
    "digits without end": '{"images": ' + "9" * 10_000 + "}",
    "no text": "\ud800".encode("utf-8", "surrogatepass").decode("latin-1"),
    "many large images": {
        **document(),
        "images": [
            {"id": k, "file_name": f"c-1-{k:05}.png", "height": 4000, "width": 4000}
            for k in range(1, 400)
        ],
    },
}


@pytest.mark.parametrize("content", BAD_DOCUMENTS.values(), ids=BAD_DOCUMENTS)
def test_a_bad_document_is_one_sentence(content: object, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"labels\.json ") as caught:
        read(tmp_path, content)
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 400


def test_outlines_a_little_outside_the_image_are_cut_at_its_edge(tmp_path: Path) -> None:
    (frame,) = read(tmp_path, document([[-3.5, -2, 20, -2, 20, 20, -3.5, 20]]))
    expected = np.zeros((64, 96), bool)
    expected[:20, :20] = True
    np.testing.assert_array_equal(frame.masks[0], expected)


def test_run_lengths_are_those_of_the_library() -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        mask = rng.random((33, 47)) < rng.random()
        coded = coco_mask.encode(np.asfortranarray(mask.astype(np.uint8)))
        compressed = {"size": [33, 47], "counts": coded["counts"].decode("ascii")}
        np.testing.assert_array_equal(filled(compressed, (33, 47)), mask)
        flat = mask.ravel(order="F")
        changes = np.flatnonzero(np.diff(np.concatenate([[False], flat, [not flat[-1]]])))
        counts = np.diff(np.concatenate([[0], changes])).tolist()
        np.testing.assert_array_equal(filled({"size": [33, 47], "counts": counts}, (33, 47)), mask)


def test_good_labels_are_as_before(tmp_path: Path) -> None:
    frame = LabelledFrame.of("c-1-00003", wall_label())
    write_coco(tmp_path / "labels.json", [frame], "images")
    (back,) = read_coco(tmp_path / "labels.json")
    np.testing.assert_array_equal(back.label, wall_label())
    assert back.masks.shape == (len(STRUCTURES), ROWS, COLUMNS)


def test_a_huge_mask_is_refused_by_its_header(tmp_path: Path) -> None:
    path = tmp_path / "c-1-00001.png"
    chunk = b"IHDR" + struct.pack(">II", 9000, 9000) + bytes([8, 0, 0, 0, 0])
    with io.BytesIO() as stream:
        Image.fromarray(wall_label()).save(stream, format="PNG")
        content = stream.getvalue()
    path.write_bytes(content[:12] + chunk + struct.pack(">I", zlib.crc32(chunk)) + content[33:])
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(InputError, match=r"c-1-00001\.png has frames of 9000 x 9000 pixels"):
        read_mask(path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 50_000


@pytest.mark.parametrize("part", [0.1, 0.5, 0.9])
def test_a_cut_mask_is_one_sentence(tmp_path: Path, part: float) -> None:
    path = tmp_path / "c-1-00001.png"
    Image.fromarray(wall_label()).save(path)
    content = path.read_bytes()
    path.write_bytes(content[: int(part * len(content))])
    with pytest.raises(InputError, match=r"c-1-00001\.png"):
        read_mask(path)
