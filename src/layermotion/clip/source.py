"""Owns opening a source: tells what it is, applies the user's options, returns a Clip."""

import hashlib
import math
from dataclasses import dataclass
from pathlib import Path

from layermotion.clip import Clip, clip_id_of
from layermotion.clip.marks import find_marks
from layermotion.clip.reading import Reading, is_frame_rate
from layermotion.clip.screen import find_image_areas
from layermotion.clip.signature import looks_like_dicom
from layermotion.clip.stills import image_paths, looks_like_image, read_folder, read_still
from layermotion.clip.video import read_video
from layermotion.errors import InputError
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import Task, View
from layermotion.limits import DEPTH_RANGE_MM, FRAME_RATE_RANGE_HZ

# Above this difference between the user's and the file's scale a caution is shown (our choice).
SCALE_TOLERANCE = 0.02
# The file's own region is trimmed to the image found in it, unless less than this part of its
# height or width would stay: then most of it is dark tissue, not screen (our choice).
REGION_PART = 0.6
# A picture that reaches below its region by more than this part of the region's height is not what
# was calibrated (our choice; of the public files none does).
BELOW_PART = 0.15


@dataclass(frozen=True)
class SourceOptions:
    """What the user states about a source; None leaves it to the file.

    Parameters
    ----------
    mm_per_pixel
        (row, column) size of a pixel, mm.
    depth_mm
        Depth of view over the height of the image area, mm; pixels then count as square.
    frame_rate_hz
        Frames per second.
    view, task
        What the clip shows and what the patient was asked to do.
    """

    mm_per_pixel: tuple[float, float] | None = None
    depth_mm: float | None = None
    frame_rate_hz: float | None = None
    view: View | None = None
    task: Task | None = None

    def __post_init__(self) -> None:
        if self.mm_per_pixel is not None:
            Spacing(*self.mm_per_pixel, "given by the user")
            if self.depth_mm is not None:
                raise InputError("Give either --mm-per-pixel or --depth-mm, not both.")
        if self.depth_mm is not None:
            low, high = DEPTH_RANGE_MM
            if not (math.isfinite(self.depth_mm) and low <= self.depth_mm <= high):
                raise InputError(
                    f"A depth of view of {self.depth_mm:g} mm is not possible; "
                    f"give --depth-mm a value from {low:g} to {high:g} mm."
                )
        if self.frame_rate_hz is not None and not is_frame_rate(self.frame_rate_hz):
            low, high = FRAME_RATE_RANGE_HZ
            raise InputError(
                f"A frame rate of {self.frame_rate_hz:g} Hz is not possible; "
                f"give --fps a value from {low:g} to {high:g}."
            )


def parse_mm_per_pixel(text: str) -> tuple[float, float]:
    """Read a pixel size as the user types it.

    Parameters
    ----------
    text
        One number for square pixels, or ``ROW,COLUMN``.

    Returns
    -------
    tuple of float
        (row, column), mm per pixel.

    Raises
    ------
    InputError
        If it is not one or two possible numbers.

    Examples
    --------
    >>> parse_mm_per_pixel("0.17")
    (0.17, 0.17)
    >>> parse_mm_per_pixel("0.08,0.11")
    (0.08, 0.11)
    """
    parts = text.split(",")
    try:
        values = [float(part) for part in parts]
    except ValueError:
        values = []
    if len(values) not in (1, 2):
        raise InputError(
            f"'{text}' is not a pixel size; give one number in mm, or ROW,COLUMN such as 0.08,0.11."
        )
    row_mm, column_mm = values[0], values[-1]
    Spacing(row_mm, column_mm, "given by the user")
    return row_mm, column_mm


def open_clip(source: Path, options: SourceOptions, *, is_split: bool = False) -> Clip:
    """Open a DICOM file, video, image or folder of images as a clip.

    Parameters
    ----------
    source
        A file, told apart by its content, or a folder of images.
    options
        What the user states; it wins over the file, with a caution where they differ.
    is_split
        Whether several images are expected on the screen, so that nothing is said about the choice
        of one.

    Returns
    -------
    Clip
        Checked and re-openable; frames are read one at a time.

    Raises
    ------
    InputError
        If the source is missing, empty, damaged, of no known kind, or lacks times.
    """
    try:
        files = image_paths(source) if source.is_dir() else [source]
        reading = _read(source, options)
        clip_id = _content_hash(files)
    except OSError as error:
        raise InputError(
            f"{source.name} cannot be read ({error.strerror}); check its access rights."
        ) from error
    return clip_of(reading, options, clip_id, source.name, is_split=is_split)


def clip_of(
    reading: Reading, options: SourceOptions, clip_id: str, name: str, *, is_split: bool = False
) -> Clip:
    """Find the image area of what was read and apply the user's options to it.

    Parameters
    ----------
    clip_id, name
        Short hash of the source, and what it is called on screen.
    """
    try:
        area, area_cautions = _find_area(reading)
    except InputError as error:
        raise InputError(f"{name} cannot be measured: {error}") from error
    spacing, reason, scale_cautions = _calibrate(reading, area, options)
    if is_split and not reading.has_one_scale:
        raise InputError(
            f"{name} shows two images of different scales; give each as a file of its own."
        )
    choice = () if is_split else (*reading.choice, *area_cautions)
    scale_cautions += _enlarged(reading)
    return Clip(
        clip_id=clip_id,
        source_name=name,
        frame_shape=reading.frame_shape,
        frame_count=reading.frame_count,
        spacing=spacing,
        spacing_reason=reason,
        area=area,
        view=options.view,
        task=options.task,
        is_still=reading.is_still,
        read=find_marks(reading.samples, area).over(reading.read),
        cautions=reading.cautions + choice + scale_cautions,
        provenance=reading.provenance,
    )


def _read(source: Path, options: SourceOptions) -> Reading:
    """Choose the reader by content."""
    if not source.exists():
        raise InputError(f"{source} does not exist; check the path.")
    if source.is_dir():
        return read_folder(source, options.frame_rate_hz)
    if not source.is_file():
        raise InputError(f"{source} is not a regular file; give a file or a folder of images.")
    with source.open("rb") as file:
        head = file.read(132)
    if not head:
        raise InputError(f"{source.name} is empty (0 bytes); copy or export it again.")
    # DICOM first: its free 128-byte preamble may pose as a TIFF.
    if looks_like_dicom(head):
        # Loading pydicom takes longer than opening a video.
        from layermotion.clip.dicom import read_dicom

        return read_dicom(source, options.frame_rate_hz)
    if looks_like_image(head):
        return read_still(source)
    return read_video(source, options.frame_rate_hz)


def _content_hash(files: list[Path]) -> str:
    """Short hash of the content; the order of files does not matter."""
    digests = []
    for path in files:
        with path.open("rb") as file:
            digests.append(hashlib.file_digest(file, "sha256").hexdigest())
    if len(digests) == 1:
        return clip_id_of(digests[0])
    return clip_id_of(hashlib.sha256("".join(sorted(digests)).encode()).hexdigest())


def _find_area(reading: Reading) -> tuple[ImageArea, tuple[str, ...]]:
    """Image area inside the file's region, or in the whole frame."""
    region = reading.region or ImageArea(0, 0, *reading.frame_shape)
    areas = find_image_areas([sample[region.slices] for sample in reading.samples])
    chosen = areas[0]
    is_shrunk = chosen.height < REGION_PART * region.height or (
        chosen.width < REGION_PART * region.width
    )
    if reading.region is not None and is_shrunk and len(areas) == 1:
        return region, ()
    area = ImageArea(
        region.top + chosen.top, region.left + chosen.left, chosen.height, chosen.width
    )
    if len(areas) == 1:
        return area, ()
    return area, (
        f"The screen shows {len(areas)} images; the one at row {area.top}, column {area.left} "
        f"({area.height} x {area.width} pixels) is measured.",
    )


def _enlarged(reading: Reading) -> tuple[str, ...]:
    """Say that the picture goes on below the region that its scale is stated for."""
    region = reading.region
    if region is None:
        return ()
    bottom = region.top + region.height
    deepest = max(area.top + area.height for area in find_image_areas(reading.samples))
    if deepest - bottom <= BELOW_PART * region.height:
        return ()
    return (
        f"The picture goes on for {deepest - bottom} rows below the region that the file states "
        f"its scale for. Where it was enlarged after recording, all lengths are wrong: check the "
        f"scale against the ruler on the screen.",
    )


def _calibrate(
    reading: Reading, area: ImageArea, options: SourceOptions
) -> tuple[Spacing | None, str, tuple[str, ...]]:
    """Spacing, the reason for its absence, and cautions; the user's scale wins."""
    cautions: tuple[str, ...] = ()
    if options.mm_per_pixel is not None:
        given = Spacing(*options.mm_per_pixel, "mm per pixel given by the user (row, column)")
    elif options.depth_mm is not None:
        size_mm = options.depth_mm / area.height
        given = Spacing(
            size_mm,
            size_mm,
            f"depth of view of {options.depth_mm:g} mm given by the user over the {area.height} "
            f"rows of the image area, pixels taken as square",
        )
        cautions = (
            "The scale rests on the given depth of view, the height of the image area as found "
            "on the screen, and square pixels; check it against the ruler on the screen.",
        )
    else:
        remedy = "give --mm-per-pixel ROW,COLUMN or --depth-mm"
        reason = "" if reading.spacing else f"{reading.spacing_reason.rstrip('.')}; {remedy}"
        return reading.spacing, reason, ()
    stored = reading.spacing
    if (
        stored is not None
        and max(abs(given.row_mm / stored.row_mm - 1), abs(given.column_mm / stored.column_mm - 1))
        > SCALE_TOLERANCE
    ):
        cautions += (
            f"The given pixel size of {given.row_mm:.4g}, {given.column_mm:.4g} mm (row, column) "
            f"replaces the file's {stored.row_mm:.4g}, {stored.column_mm:.4g} mm.",
        )
    return given, "", cautions
