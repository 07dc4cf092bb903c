"""Owns synthetic files: clips as DICOM and mp4, stills as PNG, each beside its truth."""

import hashlib
import time
from collections.abc import Callable, Iterable
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple
from zipfile import BadZipFile

import av
import cv2
import numpy as np
import pydicom
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import (
    ExplicitVRLittleEndian,
    RLELossless,
    UltrasoundMultiFrameImageStorage,
    generate_uid,
)

from layermotion.errors import InputError
from layermotion.files import atomic_path
from layermotion.geometry import ImageArea
from layermotion.labels import Task, View
from layermotion_synthetic.clips import ClipPlan, ClipTruth, clip_truth, draw_clip, render_clip
from layermotion_synthetic.display import Grey


class Item(NamedTuple):
    """One clip or still to write."""

    view: View
    kind: str
    k: int

    @property
    def name(self) -> str:
        """Name of its files, without suffix."""
        return f"{self.view.value}-{self.kind}-{self.k:03d}"


def synthesize(
    out: Path,
    views: tuple[View, ...],
    clips: int,
    stills: int,
    seed: int,
    spread: Callable[[Callable[[Item], float], list[Item]], Iterable[float]] = map,
    tell: Callable[[str, float], None] = lambda name, seconds: None,
) -> None:
    """Write ``clips`` clips and ``stills`` stills of each view into ``out``.

    A clip becomes NAME.dcm, NAME.mp4 and NAME.truth.npz; a still NAME.png, NAME.labels.png and
    NAME.truth.npz. The k-th item of a view depends on ``seed``, the view and k alone.

    Parameters
    ----------
    spread
        Applies a function to every item, anywhere; results in order.
    tell
        Called with the name of each clip and still that is written, and how long it took, s.

    Raises
    ------
    InputError
        If ``out`` holds some of another seed, which would stay among these.
    """
    _refuse_other_seed(out, seed)
    items = [
        Item(view, kind, k)
        for view in views
        for kind, count in (("clip", clips), ("still", stills))
        for k in range(count)
    ]
    for item, seconds in zip(items, spread(partial(write_item, out, seed), items), strict=True):
        tell(item.name, seconds)


def _refuse_other_seed(out: Path, seed: int) -> None:
    """Refuse a folder with truth of another seed; earlier versions did not note theirs."""
    for path in sorted(out.glob("*.truth.npz")):
        try:
            with np.load(path) as stored:
                other = int(stored["seed"]) if "seed" in stored else seed
        except (OSError, ValueError, BadZipFile) as error:
            raise InputError(f"{path} is damaged; remove it, or choose another folder.") from error
        if other != seed:
            raise InputError(
                f"{out} holds clips of the seed {other}; choose another folder, or give --seed "
                f"{other}."
            )


def write_item(out: Path, seed: int, item: Item) -> float:
    """Write one clip or still, and return how long it took, s."""
    started_s = time.monotonic()
    number = list(View).index(item.view) * 2 + (item.kind == "still")
    rng = np.random.Generator(np.random.SFC64([seed, number, item.k]))
    if item.kind == "clip":
        write_clip(out, item.name, draw_clip(rng, item.view), seed=seed)
    else:
        write_still(out, item.name, draw_clip(rng, item.view, task=Task.REST), seed=seed)
    return time.monotonic() - started_s


def write_clip(
    out: Path,
    name: str,
    plan: ClipPlan,
    *,
    dicom: bool = True,
    video: bool = True,
    seed: int | None = None,
) -> ClipTruth:
    """Write one clip with its truth and return the truth."""
    frames = [screen for screen, _ in render_clip(plan)]
    if dicom:
        write_dicom(out / f"{name}.dcm", frames, plan)
    if video:
        write_video(out / f"{name}.mp4", frames, plan.frame_rate_hz)
    truth = clip_truth(plan)
    write_truth(out / f"{name}.truth.npz", plan, truth, seed=seed)
    return truth


def write_still(out: Path, name: str, plan: ClipPlan, seed: int | None = None) -> None:
    """Write the first frame of a clip as PNG with its labels and truth."""
    screen, labels = next(iter(render_clip(plan)))
    for suffix, image in ((".png", screen), (".labels.png", labels)):
        with atomic_path(out / f"{name}{suffix}") as temporary:
            # cv2.imwrite says nothing when the disk is full.
            temporary.write_bytes(cv2.imencode(".png", image)[1].tobytes())
    write_truth(out / f"{name}.truth.npz", plan, clip_truth(plan), frames=1, seed=seed)


def write_truth(
    target: Path,
    plan: ClipPlan,
    truth: ClipTruth,
    frames: int | None = None,
    seed: int | None = None,
) -> None:
    """Write exact values: see ``ClipTruth``, plus spacing, image area, side, and seed if any."""
    area, grid = plan.area, plan.grid
    known: dict[str, Any] = {} if seed is None else {"seed": seed}
    with atomic_path(target) as temporary:
        np.savez_compressed(
            temporary,
            time_s=truth.time_s[:frames],
            x_mm=truth.x_mm,
            edges_mm=truth.edges_mm[:frames].astype(np.float32),
            base_displacement_mm=truth.base_displacement_mm[:frames],
            slide_mm=truth.slide_mm[:frames],
            lateral_side=-1 if plan.scene.mirrored else 1,
            spacing_mm=np.array([grid.row_mm, grid.column_mm]),
            area_px=np.array([area.top, area.left, area.height, area.width]),
            view=plan.view.value if plan.view else "neither",
            task=plan.motion.task.value,
            pattern=plan.motion.pattern,
            **known,
        )


def write_video(target: Path, frames: Iterable[Grey], frame_rate_hz: float) -> None:
    """Write grey frames as H.264 (yuv420p), the same bytes however many cores there are."""
    with atomic_path(target) as temporary, av.open(str(temporary), "w", format="mp4") as container:
        rate = Fraction(frame_rate_hz).limit_denominator(1000)
        # How many threads share a picture changes what it looks like.
        options = {"crf": "18", "threads": "1"}
        stream = container.add_stream("libx264", rate=rate, options=options)
        stream.pix_fmt = "yuv420p"
        for i, frame in enumerate(frames):
            rows, columns = frame.shape
            even = np.pad(frame, ((0, rows % 2), (0, columns % 2)), mode="edge")
            if i == 0:
                stream.height, stream.width = even.shape
            container.mux(stream.encode(av.VideoFrame.from_ndarray(even, format="gray")))
        container.mux(stream.encode())


def ultrasound_region(area: ImageArea, row_mm: float, column_mm: float) -> Dataset:
    """One item of the Sequence of Ultrasound Regions (PS3.3 C.8.5.5): 2D tissue, in cm."""
    region = Dataset()
    region.RegionSpatialFormat = 1
    region.RegionDataType = 1
    region.RegionFlags = 0
    region.RegionLocationMinX0, region.RegionLocationMinY0 = area.left, area.top
    region.RegionLocationMaxX1 = area.left + area.width - 1
    region.RegionLocationMaxY1 = area.top + area.height - 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX, region.PhysicalDeltaY = column_mm / 10, row_mm / 10
    return region


def write_dicom(
    target: Path, frames: list[NDArray[np.uint8]], plan: ClipPlan, *, compress: bool = True
) -> None:
    """Write frames as an Ultrasound Multi-frame Image with calibration and Frame Time.

    Names and identifiers are invented, the latter from the pixels, so that the same clip gives
    the same file; the object states that it is synthetic.
    """
    pixels = b"".join(frame.tobytes() for frame in frames)
    content = hashlib.sha256(pixels).hexdigest()
    study, series, instance = (
        generate_uid(entropy_srcs=[content, level]) for level in ("study", "series", "instance")
    )
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UltrasoundMultiFrameImageStorage
    meta.MediaStorageSOPInstanceUID = instance
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data = FileDataset(str(target), {}, file_meta=meta, preamble=b"\0" * 128)
    data.SOPClassUID = meta.MediaStorageSOPClassUID
    data.SOPInstanceUID = instance
    data.StudyInstanceUID, data.SeriesInstanceUID = study, series
    data.PatientName, data.PatientID = "Synthetic^Phantom", "SYNTHETIC"
    data.PatientBirthDate = data.PatientSex = data.StudyDate = data.StudyTime = ""
    data.StudyID = data.AccessionNumber = data.ReferringPhysicianName = ""
    data.Modality, data.Manufacturer = "US", "layermotion synthetic"
    data.SeriesNumber = data.InstanceNumber = 1
    data.ImageType = ["DERIVED", "PRIMARY"]
    data.BurnedInAnnotation = "NO"
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.Rows, data.Columns = frames[0].shape
    data.BitsAllocated = data.BitsStored = 8
    data.HighBit, data.PixelRepresentation = 7, 0
    data.NumberOfFrames = len(frames)
    data.FrameTime = f"{1000 / plan.frame_rate_hz:.6f}"
    data.FrameIncrementPointer = pydicom.tag.Tag(0x0018, 0x1063)
    region = ultrasound_region(plan.area, plan.grid.row_mm, plan.grid.column_mm)
    data.SequenceOfUltrasoundRegions = Sequence([region])
    data.PixelData = pixels + b"\0" * (len(pixels) % 2)
    if compress:
        data.compress(RLELossless, generate_instance_uid=False)
    with atomic_path(target) as temporary:
        data.save_as(temporary, enforce_file_format=True)
