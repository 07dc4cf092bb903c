"""Owns labelled frames: one mask for each structure, read from COCO JSON, mask PNG or DICOM SEG."""

import json
import warnings
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from pycocotools import mask as coco_mask

from layermotion.clip.damage import DECODE_ERRORS
from layermotion.clip.reading import check_size
from layermotion.errors import InputError
from layermotion.files import write_text
from layermotion.lab.outlines import filled
from layermotion.labels import FULL_NAMES, STRUCTURES, Structure, label_of

# What a person may call a structure, in any case.
NAMES = {str(structure): structure for structure in STRUCTURES} | {
    FULL_NAMES[structure].lower(): structure for structure in STRUCTURES
}
# Masks of five structures in memory take half a gigabyte (our choice).
MOST_PIXELS_OF_FILE = 2**27
# Letters of a library's words on what is wrong, which may quote a whole file (our choice).
MOST_WORDS = 120
# Image modes whose values are label values: grey, palette, and their deeper kinds.
MASK_MODES = ("L", "P", "I;16", "I", "1")


@dataclass(frozen=True, eq=False)
class LabelledFrame:
    """What a person drew on one frame.

    Parameters
    ----------
    key
        Which frame: clip and number, as ``folder.frame_key`` gives.
    masks
        bool, shape (5, rows, columns), in the order of ``STRUCTURES``; they may overlap.
    """

    key: str
    masks: NDArray[np.bool_]

    def __post_init__(self) -> None:
        if self.masks.ndim != 3 or self.masks.shape[0] != len(STRUCTURES):
            raise InputError(f"The label of {self.key} needs one mask for each structure.")

    @property
    def label(self) -> NDArray[np.uint8]:
        """Label values, shape (rows, columns); pixels of two structures count as background."""
        values = np.arange(1, len(STRUCTURES) + 1, dtype=np.uint8)[:, None, None]
        single = self.masks.sum(axis=0) == 1
        return np.asarray((self.masks * values).sum(axis=0) * single, np.uint8)

    @classmethod
    def of(cls, key: str, label: NDArray[np.uint8]) -> "LabelledFrame":
        """Masks of label values, shape (rows, columns)."""
        return cls(key, np.stack([label == label_of(structure) for structure in STRUCTURES]))


def structure_named(name: str, where: str) -> Structure:
    """Structure that a person means by a name.

    Raises
    ------
    InputError
        If none is called so.

    Examples
    --------
    >>> structure_named(" TrA ", "x.json")
    <Structure.TRA: 'tra'>
    """
    structure = NAMES.get(" ".join(name.lower().split()))
    if structure is None:
        raise InputError(
            f"{where} names a structure {name!r}; call them {', '.join(map(str, STRUCTURES))}."
        )
    return structure


def read_coco(path: Path) -> list[LabelledFrame]:
    """Read COCO JSON: polygons, plain and compressed run lengths; one category a structure.

    Pixels are those that pycocotools counts as inside. The name of an image, without folder (of
    any system) and ending, is the key of its frame.

    Raises
    ------
    InputError
        If the file is no COCO JSON, or a category is no structure.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8-sig"))
        categories = {
            int(category["id"]): structure_named(str(category["name"]), path.name)
            for category in content["categories"]
        }
        images = {int(image["id"]): image for image in content["images"]}
        sizes = {n: (int(image["height"]), int(image["width"])) for n, image in images.items()}
        for rows, columns in sizes.values():
            check_size(path.name, rows, columns)
        if sum(rows * columns for rows, columns in sizes.values()) > MOST_PIXELS_OF_FILE:
            raise InputError(f"{path.name} has too many images for one file; split it.")
        masks = {n: np.zeros((len(STRUCTURES), *size), bool) for n, size in sizes.items()}
        for annotation in content["annotations"]:
            number = int(annotation["image_id"])
            structure = categories[int(annotation["category_id"])]
            own = masks[number][STRUCTURES.index(structure)]
            own |= filled(annotation["segmentation"], sizes[number])
        return [
            LabelledFrame(PureWindowsPath(str(images[number]["file_name"])).stem, mask)
            for number, mask in masks.items()
        ]
    except DECODE_ERRORS as error:
        words = f"{type(error).__name__}: {error}"[:MOST_WORDS]
        raise InputError(
            f"{path.name} is not COCO JSON with images, categories and annotations ({words}); "
            f"export it again."
        ) from error


def write_coco(path: Path, frames: Iterable[LabelledFrame], image_folder: str) -> None:
    """Write frames as COCO JSON; reading it gives the same pixels.

    Each separate piece is a polygon that runs a quarter of a pixel inside the pixels' outer
    edges, where every way to fill it gives the same pixels. A structure that encloses something
    is written as run lengths, because a COCO polygon cannot have a hole.
    """
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for number, frame in enumerate(frames, start=1):
        rows, columns = frame.masks.shape[1:]
        name = f"{image_folder}/{frame.key}.png"
        images.append({"id": number, "file_name": name, "height": rows, "width": columns})
        for category, mask in enumerate(frame.masks, start=1):
            for outline in _outlines(mask):
                place = {"image_id": number, "category_id": category}
                annotations.append({"id": len(annotations) + 1, **place, **outline})
    categories = [{"id": label_of(s), "name": str(s)} for s in STRUCTURES]
    content = {"images": images, "annotations": annotations, "categories": categories}
    write_text(path, json.dumps(content) + "\n")


def _outlines(mask: NDArray[np.bool_]) -> Iterator[dict[str, Any]]:
    """Annotations of one structure; (x, y) with pixel (0, 0) from 0 to 1."""
    doubled = mask.astype(np.uint8).repeat(2, axis=0).repeat(2, axis=1)
    rings, levels = cv2.findContours(doubled, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    # A ring with a parent is the edge of a hole.
    if rings and (levels[0, :, 3] >= 0).any():
        run_lengths = coco_mask.encode(np.asfortranarray(mask.astype(np.uint8)))
        yield {
            "segmentation": {
                "size": list(mask.shape),
                "counts": run_lengths["counts"].decode("ascii"),
            },
            "area": int(mask.sum()),
            "bbox": coco_mask.toBbox(run_lengths).tolist(),
            "iscrowd": 1,
        }
        return
    for ring in rings:
        points = (ring[:, 0].astype(np.float64) + 0.5) / 2  # (n, 2)
        left, top = points.min(axis=0)
        right, bottom = points.max(axis=0)
        yield {
            "segmentation": [[round(float(v), 2) for v in points.ravel()]],
            "area": float(cv2.contourArea(points.astype(np.float32))),
            "bbox": [float(v) for v in (left, top, right - left, bottom - top)],
            "iscrowd": 0,
        }


def read_mask(path: Path) -> LabelledFrame:
    """Read a PNG whose values are labels: 0 background, 1 fat, 2 EO, 3 IO, 4 TrA, 5 bladder.

    Raises
    ------
    InputError
        If it is damaged, coloured, or holds another value.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path, formats=("PNG",)) as image:
                check_size(path.name, image.height, image.width)
                mode = image.mode
                values = np.asarray(image).astype(np.int64)
    except (*DECODE_ERRORS, SyntaxError, Image.DecompressionBombError) as error:
        raise InputError(f"{path.name} is no PNG that can be read; save it again.") from error
    if mode not in MASK_MODES:
        raise InputError(
            f"{path.name} is a colour picture ({mode}); save the labels as grey or palette values "
            f"0 to {len(STRUCTURES)}."
        )
    unknown = sorted(set(np.unique(values).tolist()) - set(range(len(STRUCTURES) + 1)))
    if unknown:
        raise InputError(
            f"{path.name} holds the value {unknown[0]}, which is no label; use 0 to "
            f"{len(STRUCTURES)}."
        )
    return LabelledFrame.of(path.stem, values.astype(np.uint8))
