"""Owns looking through imported clips for text left in the picture: sheets, verdicts, masks."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import count
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from pydicom import dcmread

from layermotion.clip import Frame
from layermotion.clip.dicom import read_dicom
from layermotion.errors import InputError
from layermotion.files import atomic_path
from layermotion.lab.deidentify import BASIC_PROFILE, CLEAN_PIXELS
from layermotion.lab.folder import ClipRecord, Lab, Review
from layermotion.lab.storing import save_dicom, write_clip

# A sheet shows this many clips, each by two pictures this wide, large enough to read burned-in
# text of eight pixels on a screen of 1000 (our choice).
CLIPS_A_SHEET, WIDTH_PX, CAPTION_PX, GAP_PX = 8, 560, 26, 10
# Frames that the darkest picture is taken over.
SAMPLE_FRAMES = 12
INK, PAPER = 0, 235
REVIEW_FOLDER = "review"


def write_sheets(lab: Lab, records: tuple[ClipRecord, ...], name: str) -> tuple[Path, ...]:
    """Write contact sheets of clips.

    Each clip shows its middle frame and, beside it, the darkest value of every pixel over the
    clip: tissue moves and fades there, text that was left stands out.

    Returns
    -------
    tuple of Path
        PNG files ``review/NAME-1.png`` and so on, after those that are there. A killed one left
        none, so the next takes its number, and what it left hidden goes.

    Raises
    ------
    InputError
        If no consent of a clip's subject holds today.
    """
    for record in records:
        lab.allow(record)
    paths = []
    numbers = count(1 + max(_sheet_numbers(lab, name), default=0))
    for first, number in zip(range(0, len(records), CLIPS_A_SHEET), numbers, strict=False):
        path = lab.root / REVIEW_FOLDER / f"{name}-{number}.png"
        shown = records[first : first + CLIPS_A_SHEET]
        rows = [_row(lab, record) for record in shown]
        # What a killed writer noted of this number and never wrote.
        lab.register.forget_copy(path.resolve())
        lab.register.note_copies(path, [record.name for record in shown])
        with atomic_path(path) as temporary:
            temporary.write_bytes(cv2.imencode(".png", np.concatenate(rows))[1].tobytes())
        paths.append(path)
    return tuple(paths)


def without_sheet(lab: Lab) -> tuple[ClipRecord, ...]:
    """Clips that wait for review and may be shown, but are on no sheet that is there."""
    shown = lab.register.shown_on((lab.root / REVIEW_FOLDER).glob("*.png"))
    return tuple(lab.clip(name) for name in waiting(lab) if name not in shown)


def clips_on(lab: Lab, sheets: Iterable[Path]) -> tuple[str, ...]:
    """Clips that wait for review, may be shown, and stand on contact sheets as they are now.

    Raises
    ------
    InputError
        If a file is no contact sheet of the laboratory, none of these clips waits, or one was
        masked after its sheet was written.
    """
    wanted, unchanged = frozenset(waiting(lab)), dict[str, bool]()
    for sheet in sheets:
        if not sheet.is_file() or not lab.register.shown_on([sheet]):
            raise InputError(
                f"{sheet} is no contact sheet of {lab.root}; name one of those in "
                f"{lab.root / REVIEW_FOLDER}, or clips."
            )
        for name, is_same in _waiting_on(lab, sheet, wanted).items():
            unchanged[name] = is_same or unchanged.get(name, False)
    if changed := sorted(name for name, is_same in unchanged.items() if not is_same):
        raise InputError(
            f"Changed since the sheet was written: {', '.join(changed)}; write sheets with "
            f"layermotion lab sheets {lab.root} and look through them."
        )
    if not unchanged:
        raise InputError("No clip on these sheets waits for review; see layermotion lab clips.")
    return tuple(sorted(unchanged))


def sheet_to_look_through(lab: Lab) -> Path | None:
    """Give the first contact sheet with a clip that waits for review; None if there is none."""
    wanted = frozenset(waiting(lab))
    for sheet in sorted((lab.root / REVIEW_FOLDER).glob("*.png")):
        unchanged = _waiting_on(lab, sheet, wanted)
        if unchanged and all(unchanged.values()):
            return sheet
    return None


def _waiting_on(lab: Lab, sheet: Path, wanted: frozenset[str]) -> dict[str, bool]:
    """Those of the wanted clips that stand on a sheet, and whether each is as it was shown."""
    written_ns = sheet.stat().st_mtime_ns
    return {
        name: lab.clip_path(name).stat().st_mtime_ns <= written_ns
        for name in lab.register.shown_on([sheet]) & wanted
    }


def waiting(lab: Lab) -> tuple[str, ...]:
    """Clips that wait for review and may be shown."""
    consents = lab.consents()
    return tuple(
        name
        for name, record in lab.clips().items()
        if record.review is Review.PENDING and consents.get(record.subject)
    )


def _sheet_numbers(lab: Lab, name: str) -> Iterator[int]:
    for path in (lab.root / REVIEW_FOLDER).glob(f"{name}-*.png"):
        number = path.stem.removeprefix(f"{name}-")
        if number.isdecimal():
            yield int(number)


def record_review(lab: Lab, names: tuple[str, ...], review: Review) -> None:
    """Write down a person's verdict on clips; an accepted file then states that it was cleaned.

    Raises
    ------
    InputError
        If a clip is not here, or no consent of its subject holds today.
    """
    records = [lab.clip(name) for name in names]
    for record in records:
        lab.allow(record)
    for record in records:
        is_clean = review is Review.ACCEPTED
        data = dcmread(lab.clip_path(record.name))
        codes = [BASIC_PROFILE, CLEAN_PIXELS] if is_clean else [BASIC_PROFILE]
        data.DeidentificationMethodCodeSequence = [code.item() for code in codes]
        data.BurnedInAnnotation = "NO" if is_clean else "YES"
        save_dicom(lab.clip_path(record.name), data)
        lab.save(replace(record, review=review))


def mask_box(lab: Lab, name: str, box: tuple[int, int, int, int]) -> None:
    """Blacken a box (top, left, height, width; px) in every frame of a clip; it waits for review.

    Raises
    ------
    InputError
        If the clip is not here, the box lies outside its frames, or no consent of its subject
        holds today.
    """
    record = lab.clip(name)
    lab.allow(record)
    top, left, height, width = box
    fits = top + height <= record.rows and left + width <= record.columns
    if not (min(top, left) >= 0 and min(height, width) > 0 and fits):
        raise InputError(
            f"The box {top},{left},{height},{width} does not lie in the {record.rows} x "
            f"{record.columns} pixels of {name}; give TOP,LEFT,HEIGHT,WIDTH."
        )
    path = lab.clip_path(name)
    header = dcmread(path, stop_before_pixels=True)

    def blackened() -> Iterator[Frame]:
        for frame in read_dicom(path, None).read():
            pixels = frame.pixels.copy()
            pixels[top : top + height, left : left + width] = 0
            yield replace(frame, pixels=pixels)

    write_clip(path, header, blackened(), record.image_area, record.spacing)
    lab.save(replace(record, review=Review.PENDING))


def _row(lab: Lab, record: ClipRecord) -> NDArray[np.uint8]:
    """One clip of a sheet: a caption over two pictures."""
    numbers = sorted({int(n) for n in np.linspace(0, record.frames - 1, SAMPLE_FRAMES)})
    frames = np.stack(list(lab.frames(record, numbers)))  # (n, rows, columns)
    pictures = [frames[len(frames) // 2], frames.min(axis=0)]
    height = round(WIDTH_PX * record.rows / record.columns)
    row = np.full((CAPTION_PX + height + GAP_PX, 2 * WIDTH_PX + GAP_PX), PAPER, np.uint8)
    for number, picture in enumerate(pictures):
        left = number * (WIDTH_PX + GAP_PX)
        scaled = cv2.resize(picture, (WIDTH_PX, height), interpolation=cv2.INTER_AREA)
        row[CAPTION_PX : CAPTION_PX + height, left : left + WIDTH_PX] = scaled
    captions = (
        f"{record.name}, {record.frames} frames, {record.review}",
        "darkest value over the clip" if record.frames > 1 else "the same, a single frame",
    )
    for number, caption in enumerate(captions):
        place = (number * (WIDTH_PX + GAP_PX) + 6, CAPTION_PX - 8)
        cv2.putText(row, caption, place, cv2.FONT_HERSHEY_SIMPLEX, 0.5, INK, 1, cv2.LINE_AA)
    return row
