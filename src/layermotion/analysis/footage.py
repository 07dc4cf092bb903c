"""Owns the pass over the frames of a clip: their edges, the motion of tissue, and when."""

import os
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import chain, islice, starmap
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from layermotion.clip import Clip, Frame
from layermotion.clip.reading import is_increasing
from layermotion.edges.boundaries import ORDER, Boundaries, no_boundaries
from layermotion.edges.frame import edges_in
from layermotion.edges.recording import ClipEdges, Recording
from layermotion.edges.second_look import EVERY, look_again
from layermotion.edges.site import FAT_ALONE, NO_TRA, Site, centre_px
from layermotion.efforts.channels import PICTURE
from layermotion.errors import MeasurementError
from layermotion.geometry import Spacing
from layermotion.labels import Task, View
from layermotion.network.grid import ModelGrid
from layermotion.network.look import (
    NOT_RECOGNISED,
    Look,
    decide_view,
    least_shown,
    look_at,
    ordered_map,
)
from layermotion.network.segmenter import Segmenter
from layermotion.series.by_hand import ByHand
from layermotion.series.picture import SMALL_SHAPE, quick_changes, small_picture
from layermotion.series.probe import probe_shift
from layermotion.series.series import Quantity, Scale
from layermotion.series.shape import outline_courses
from layermotion.tissue.tracker import UNSEEN, Motions, MotionTracker, TissueMotion

# Frames looked at before the view and the site are settled (our choice: under half a second).
FIRST_LOOK = 12
# Frames over the whole clip from which is told what its beginning may hide (our choice).
LATE_LOOK = 50
# Small picture of a frame that does not show the view.
UNSHOWN = np.zeros(SMALL_SHAPE, np.uint8)


class Seen(NamedTuple):
    """A frame with its edges, those of the second look where there was one, and made small."""

    frame: Frame
    edges: Boundaries
    again: Boundaries | None
    small: NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Footage:
    """A clip as it was seen in one pass.

    Parameters
    ----------
    view, view_reason
        What the probe looks at, and who says so.
    grid
        How the frames lie on the model input.
    time_s
        Shape (F,), s.
    edges
        Of every frame.
    again
        Those of the second look, by the position of its frame, rising.
    motions
        Of the tissue, one for each frame.
    site_px, site_words
        Frame column of the site, None where there is none; and how it was placed.
    found_edges
        Of every frame before a person placed any; None where they placed none.
    by_hand
        What a person settled of the thickness.
    small
        Small pictures of the frames, shape (F, rows, columns), all 0 where one does not show the
        view; None of stills.
    """

    clip: Clip
    view: View
    view_reason: str
    grid: ModelGrid
    time_s: NDArray[np.float64]
    edges: ClipEdges
    again: Mapping[int, Boundaries]
    motions: Motions
    site_px: float | None
    site_words: str
    by_hand: ByHand = field(default_factory=ByHand)
    found_edges: ClipEdges | None = None
    small: NDArray[np.uint8] | None = None

    @property
    def as_found(self) -> "Footage | None":
        """The same before a person placed any edge; None where they placed none."""
        if self.found_edges is None:
            return None
        return replace(self, edges=self.found_edges, by_hand=ByHand(), found_edges=None)

    @property
    def scale(self) -> Scale:
        """Unit of its lengths."""
        return Scale.of(self.clip.spacing, self.clip.area.width)

    @property
    def task(self) -> str:
        """What measures state as their task."""
        return str(self.clip.task) if self.clip.task else "unstated"

    @property
    def is_rest(self) -> bool:
        """Whether no effort is expected in it."""
        return self.clip.task is Task.REST or self.clip.is_still

    @property
    def fat_px(self) -> float | None:
        """Frame column at which the fat is read by itself, because no TrA placed the site."""
        return centre_px(self.clip) if self.site_words == NO_TRA else None

    @property
    def site_said(self) -> str:
        """What a method says of the place of measurement."""
        if self.site_px is not None:
            return self.site_words
        return "" if self.fat_px is None else FAT_ALONE

    @property
    def motion_spacing(self) -> Spacing | None:
        """Pixel size by which motion is told in mm; None without a scale, or a second moment."""
        return None if self.clip.is_still else self.clip.spacing

    @property
    def probe_shift(self) -> tuple[Quantity, ...]:
        """How far the probe moved, where that can be told in mm."""
        if self.motion_spacing is None:
            return ()
        shift = probe_shift(self.motions, self.motion_spacing)
        confidence = shift.confidence.copy()
        return (Quantity("probe_shift", "image", "mm", shift.magnitude_mm, confidence),)

    @property
    def shared_signals(self) -> dict[str, NDArray[np.float64]]:
        """Signals of efforts that both views have: shape of all layers, probe, whole picture."""
        courses = outline_courses(self.edges, ORDER[self.view]) / self.clip.area.height
        known = {"shape": courses[0], "second shape": courses[1]}
        for shift in self.probe_shift:
            known["probe"] = shift.value
        if self.small is not None:
            known |= zip(PICTURE, quick_changes(self.small, self.time_s), strict=True)
        return known


def watch(clip: Clip, segmenter: Segmenter, site: Site, recording: Recording) -> Footage:
    """Look at every frame once; their edges end up in ``recording``.

    Raises
    ------
    MeasurementError
        If the clip has no frames, its times do not increase, or it shows neither view.
    """
    grid = ModelGrid.for_area(clip.area, clip.spacing, segmenter.size_px)
    look = partial(look_at, segmenter=segmenter, grid=grid)
    times: list[float] = []
    motions: list[TissueMotion] = []
    small: list[NDArray[np.uint8]] = []
    # The network has a core less than there are: what is done with its answers is mostly Python,
    # which runs on one core at a time, and on two cores two more threads of it cost a sixth.
    with ThreadPoolExecutor(max(1, (os.cpu_count() or 1) - 1)) as pool:
        frames = clip.frames()
        # Frames that show neither view, such as a black lead-in, are passed over.
        while True:
            first = list(pool.map(look, islice(frames, FIRST_LOOK)))
            if not first:
                what = NOT_RECOGNISED if times else "it holds no frames; export the clip again."
                raise MeasurementError(f"{clip.source_name}: {what}")
            view, view_reason = decide_view(clip, np.array([each.view for each in first]))
            if view:
                break
            for each in first:
                times.append(each.frame.time_s)
                recording.append(no_boundaries(grid))
                motions.append(UNSEEN)
                small.append(UNSHOWN)
        further = partial(_further, segmenter=segmenter, grid=grid, view=view, clip=clip)
        seen_in = partial(_seen_in, grid=grid, view=view, clip=clip)
        start = [seen_in(*further(each)) for each in first]
        del first
        is_wall = view is View.ABDOMINAL_WALL
        site_px, site_words = site.place([e.edges for e in start], clip) if is_wall else (None, "")
        tracker = MotionTracker(clip.spacing, clip.area, view, site_px)
        is_tracking = False
        again: dict[int, Boundaries] = {}
        looks = ordered_map(pool, lambda frame: further(look(frame)), frames)
        for frame, edges, other, little in chain(start, starmap(seen_in, looks)):
            if other is not None:
                again[len(recording)] = other
            times.append(frame.time_s)
            recording.append(edges)
            small.append(little)
            # Tracking starts on tissue, not on a dark frame before it.
            is_tracking = is_tracking or bool(edges.confidence.any())
            motions.append(tracker.update(frame.pixels, edges) if is_tracking else UNSEEN)
    if not is_increasing(times):
        raise MeasurementError(
            f"{clip.source_name} has times that do not increase; export the clip again."
        )
    if is_wall and site_px is None:
        site_px, site_words = site.place(spread(recording), clip)
    return Footage(
        clip, view, view_reason, grid, np.array(times), recording, again, Motions(motions), site_px,
        site_words, small=np.array(small),
    )  # fmt: skip


def watch_stills(clip: Clip, segmenter: Segmenter, site: Site, recording: Recording) -> Footage:
    """Look at every frame of a few stills twice, and at all of them before the site is settled.

    Raises
    ------
    MeasurementError
        If the pictures show neither view.
    """
    grid = ModelGrid.for_area(clip.area, clip.spacing, segmenter.size_px)
    looks = [look_at(frame, segmenter, grid) for frame in clip.frames()]
    view, view_reason = decide_view(clip, np.array([look.view for look in looks]))
    if view is None:
        raise MeasurementError(f"{clip.source_name}: {NOT_RECOGNISED}")
    edges = [edges_in(look, grid, view, least_shown(clip)) for look in looks]
    for boundaries in edges:
        recording.append(boundaries)
    site_px, site_words = None, ""
    again: dict[int, Boundaries] = {}
    if view is View.ABDOMINAL_WALL:
        site_px, site_words = site.place(edges, clip)
        again = {
            index: look_again(look.frame, segmenter, grid, clip.spacing)
            for index, look in enumerate(looks)
            if edges[index].confidence.any()
        }
    time_s = np.array([look.frame.time_s for look in looks])
    return Footage(
        clip, view, view_reason, grid, time_s, recording, again, Motions(), site_px, site_words
    )


def spread(recording: ClipEdges) -> list[Boundaries]:
    """At most ``LATE_LOOK`` frames in which a layer is seen, evenly spread over the clip."""
    chosen = np.unique(np.linspace(0, len(recording) - 1, LATE_LOOK).astype(int))
    looked = (recording[int(index)] for index in chosen)
    return [edges for edges in looked if edges.confidence.any()]


def _further(
    look: Look, segmenter: Segmenter, grid: ModelGrid, view: View, clip: Clip
) -> tuple[Look, Boundaries | None, NDArray[np.uint8]]:
    """Add to a look the edges of a second one, where one is due, and the frame made small."""
    if not look.shows(view, least_shown(clip)):
        return look, None, UNSHOWN
    is_due = view is View.ABDOMINAL_WALL and look.frame.index % EVERY == 0
    again = look_again(look.frame, segmenter, grid, clip.spacing) if is_due else None
    return look, again, small_picture(look.frame.pixels[clip.area.slices])


def _seen_in(
    look: Look,
    again: Boundaries | None,
    small: NDArray[np.uint8],
    grid: ModelGrid,
    view: View,
    clip: Clip,
) -> Seen:
    """Take from the looks at one frame what is kept of them."""
    return Seen(look.frame, edges_in(look, grid, view, least_shown(clip)), again, small)
