"""Owns the one quantity of a live picture: thickness of the TrA, or the base of the bladder."""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from layermotion.analysis.bladder import MM_SHARE
from layermotion.analysis.footage import FIRST_LOOK
from layermotion.clip import Clip, Frame
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.lateral import lateral_side
from layermotion.edges.site import Site
from layermotion.efforts.windows import Window
from layermotion.labels import Structure, View, label_of
from layermotion.measures.measure import level_of
from layermotion.network.grid import ModelGrid
from layermotion.series.base import base_series
from layermotion.series.disputed import MOST_APART_PX, withhold_disputed
from layermotion.series.probe import without_probe
from layermotion.series.series import Quantity, Scale
from layermotion.series.thickness import thickness_at
from layermotion.series.withhold import (
    BASE_SCATTER_MM,
    LONGEST_STEP_S,
    withhold_jumps,
    withhold_noise,
)
from layermotion.tissue.tracker import MotionTracker, TissueMotion

# How much of what was seen is kept to judge the newest value by, s (our choice: longer than today's
# rest takes, and what a jump is held against).
WINDOW_S = 3.0
# Frames of the rest, and of the time since, that the base is sought in beside the newest one (our
# choice: seeking costs as many times as much as there are frames).
REST_FRAMES, LATER_FRAMES = 8, 8
# Fewest frames that place the site, decide on the view, or make a rest (our choice: where the
# computer has hardly time, two seconds hold so many).
FEWEST_FRAMES = 5
# First time between two later frames that are kept, s; it doubles whenever there are too many.
FIRST_STRIDE_S = 0.5
# A rest in which the muscle or the base moved by this is none, share of the thickness and mm (our
# choice: what an effort is first asked to reach; a quiet breath moves less).
REST_SHARE, REST_MM = 0.20, 3.0
# Movement is from one middle value over so long to another, s (our choice: as the number is read).
PIECE_S = 0.4
# Row of the bladder among the edges.
BLADDER = label_of(Structure.BLADDER) - 1
# Why there is no value, as a key of the page's texts.
NO_SITE, UNSEEN, DISPUTED, JUMP = "no_site", "tra_unseen", "disputed", "jump"
BASE_UNSEEN, SHAKING, NO_REST = "base_unseen", "shaking", "no_rest"


class Rest(StrEnum):
    """How far today's rest has come."""

    MISSING = "missing"
    TAKING = "taking"
    TAKEN = "taken"
    FAILED = "failed"
    MOVED = "moved"


@dataclass(frozen=True, eq=False)
class Moment:
    """One frame with what was seen in it.

    Parameters
    ----------
    edges, again
        Its edges, and those of a second look where there was one.
    """

    time_s: float
    edges: Boundaries
    again: Boundaries | None = None


@dataclass(frozen=True)
class Value:
    """The quantity at one moment.

    Parameters
    ----------
    now
        In ``mm``, or ``px`` without a scale; NaN where it is withheld.
    change
        Against today's rest: ``%`` of a thickness, ``now`` of a displacement; NaN where unknown.
    reason
        Key of the sentence that says why a value is missing; empty where there is one.
    """

    now: float
    change: float
    reason: str


NOTHING = Value(float("nan"), float("nan"), "")


class Follower(Protocol):
    """Follows one quantity from frame to frame."""

    view: View
    rest: float | None

    def see(self, frame: Frame, edges: Boundaries, again: Boundaries | None) -> Value:
        """Take the next frame and give the quantity in it."""
        ...

    def begin_rest(self) -> None:
        """Prepare for a rest that begins with the next frame."""
        ...

    def end_rest(self, since_s: float) -> Rest:
        """Make the mean since then today's rest, unless too little was seen or it moved."""
        ...

    @property
    def is_end_hidden(self) -> bool:
        """Whether the medial end of the muscle is needed and not in view."""
        ...


def follower(view: View, clip: Clip, grid: ModelGrid, site: Site) -> Follower:
    """Make what follows the quantity of a view."""
    return WallFollower(clip, grid, site) if view is View.ABDOMINAL_WALL else BaseFollower(clip)


class WallFollower:
    """Follows the thickness of the TrA at the site, as ``measure`` reads it.

    The site is placed on the first frames that show the TrA, and again with each rest.
    """

    view = View.ABDOMINAL_WALL

    def __init__(self, clip: Clip, grid: ModelGrid, site: Site) -> None:
        self._clip, self._site = clip, site
        self._scale = Scale.of(clip.spacing, clip.area.width)
        self._most_apart = MOST_APART_PX * grid.row_size
        self._moments: deque[Moment] = deque()
        self._read: deque[tuple[float, float]] = deque()
        self._again: dict[float, tuple[float, float]] = {}
        self._site_px: float | None = None
        self._is_end_hidden = False
        self._next_look_s = -np.inf
        self.rest: float | None = None

    @property
    def site_px(self) -> float | None:
        """Column of the site, None before it is placed."""
        return self._site_px

    @property
    def is_end_hidden(self) -> bool:
        """Whether the TrA is seen, but its medial end in too few frames of the last seconds."""
        return self._is_end_hidden

    def see(self, frame: Frame, edges: Boundaries, again: Boundaries | None) -> Value:
        """Give thickness and change in the next frame."""
        self._moments.append(Moment(frame.time_s, edges, again))
        while frame.time_s - self._moments[0].time_s > WINDOW_S:
            self._again.pop(self._moments.popleft().time_s, None)
            if self._read:
                self._read.popleft()
        if self._site_px is None:
            self._place(list(self._moments))
        else:
            self._add(self._moments[-1])
        self._look_for_end(frame.time_s)
        if self._site_px is None:
            return Value(np.nan, np.nan, NO_SITE)
        now, reason = self._newest()
        change = 100 * (now - self.rest) / self.rest if self.rest else np.nan
        return Value(now, change, reason or ("" if self.rest else NO_REST))

    def begin_rest(self) -> None:
        """Forget the rest before."""
        self.rest = None

    def end_rest(self, since_s: float) -> Rest:
        """Place the site anew and take the mean thickness at it."""
        at_rest = [moment for moment in self._moments if moment.time_s >= since_s]
        self._place(at_rest)
        if len(at_rest) < FEWEST_FRAMES or self._site_px is None:
            return Rest.FAILED
        quantity = self._judged()[0]
        first = len(self._moments) - len(at_rest)
        window = Window("rest", first, len(self._moments) - 1, 1)
        level = level_of(quantity, [window], "rest", 1)
        if level is None:
            return Rest.FAILED
        time_s = np.array([moment.time_s for moment in at_rest])
        if moved(time_s, quantity.value[first:]) > REST_SHARE * level.value:
            return Rest.MOVED
        self.rest = level.value
        return Rest.TAKEN

    def _place(self, moments: Sequence[Moment]) -> None:
        """Place the site, and read every frame that is kept at it."""
        shown = [moment.edges for moment in moments if moment.edges.confidence.any()]
        if len(shown) < FEWEST_FRAMES:
            return
        spread = np.unique(np.linspace(0, len(shown) - 1, FIRST_LOOK).astype(int))
        site_px, _ = self._site.place([shown[i] for i in spread], self._clip)
        self._site_px = site_px
        self._read.clear()
        self._again.clear()
        if site_px is not None:
            for moment in self._moments:
                self._add(moment)

    def _add(self, moment: Moment) -> None:
        """Read one frame at the site."""
        assert self._site_px is not None
        at = self._site_px, self._scale
        self._read.append(thickness_at(moment.edges, Structure.TRA, *at))
        if moment.again is not None:
            self._again[moment.time_s] = thickness_at(moment.again, Structure.TRA, *at)

    def _newest(self) -> tuple[float, str]:
        """Thickness in the newest frame, or why it is withheld."""
        kept, agreed, read = self._judged()
        if np.isnan(read.value[-1]):
            return np.nan, UNSEEN
        if np.isnan(agreed.value[-1]):
            return np.nan, DISPUTED
        return float(kept.value[-1]), JUMP if np.isnan(kept.value[-1]) else ""

    def _judged(self) -> tuple[Quantity, Quantity, Quantity]:
        """Thickness of what is kept: without jumps, as both looks agree, and as it was read."""
        time_s = np.array([moment.time_s for moment in self._moments])
        read = self._quantity(list(self._read))
        looked = tuple(int(i) for i in np.flatnonzero(np.isin(time_s, list(self._again))))
        agreed = read
        if looked:
            again = self._quantity([self._again[float(time_s[i])] for i in looked])
            agreed, _ = withhold_disputed(read, again, looked, self._most_apart)
        return withhold_jumps(agreed, time_s, self._scale), agreed, read

    def _quantity(self, rows: Sequence[tuple[float, float]]) -> Quantity:
        table = np.array(rows, float).reshape(-1, 2)
        unit = self._scale.unit
        return Quantity("thickness", Structure.TRA, unit, table[:, 0].copy(), table[:, 1].copy())

    def _look_for_end(self, time_s: float) -> None:
        """Look twice a second whether the medial end of the TrA is in view."""
        if time_s < self._next_look_s:
            return
        self._next_look_s = time_s + 0.5
        shown = [moment.edges for moment in self._moments if moment.edges.confidence.any()]
        spread = np.unique(np.linspace(0, max(len(shown) - 1, 0), FIRST_LOOK).astype(int))
        self._is_end_hidden = bool(shown) and not lateral_side([shown[i] for i in spread])


class BaseFollower:
    """Follows the displacement of the bladder base, without the motion of the probe.

    The base is sought, as ``measure`` seeks it, in the frames of today's rest, in some of those
    since then with the farthest ones either way, and in the newest one.
    """

    view = View.BLADDER
    is_end_hidden = False

    def __init__(self, clip: Clip) -> None:
        self._clip = clip
        self._scale = Scale.of(clip.spacing, clip.area.width)
        self._unit = 1.0 if clip.spacing else MM_SHARE * clip.area.height
        self._values: deque[tuple[float, float]] = deque()
        self.begin_rest()

    def begin_rest(self) -> None:
        """Begin to follow the tissue near the probe anew."""
        clip = self._clip
        self._tracker = MotionTracker(clip.spacing, clip.area, View.BLADDER, None)
        self._moments: list[tuple[Moment, TissueMotion]] = []
        self._at_rest: list[tuple[Moment, TissueMotion]] = []
        self._later: list[tuple[Moment, TissueMotion]] = []
        self._farthest: dict[int, tuple[float, tuple[Moment, TissueMotion]]] = {}
        self._stride_s = FIRST_STRIDE_S
        self._values.clear()
        self.rest: float | None = None

    def see(self, frame: Frame, edges: Boundaries, again: Boundaries | None) -> Value:
        """Give the displacement in the next frame."""
        motion = self._tracker.update(frame.pixels, edges)
        newest = Moment(frame.time_s, edges), motion
        if self.rest is None:
            self._moments.append(newest)
            while frame.time_s - self._moments[0][0].time_s > WINDOW_S:
                self._moments.pop(0)
            return Value(np.nan, np.nan, NO_REST)
        last_s = (self._later or self._at_rest)[-1][0].time_s
        if frame.time_s - last_s >= self._stride_s:
            self._later.append(newest)
            if len(self._later) > LATER_FRAMES:
                self._later, self._stride_s = self._later[::2], 2 * self._stride_s
        value = self._displacement(newest)
        for way in (-1, 1):
            if not np.isnan(value) and way * value > self._farthest.get(way, (0.0,))[0]:
                self._farthest[way] = way * value, newest
        self._values.append((frame.time_s, value))
        while frame.time_s - self._values[0][0] > WINDOW_S:
            self._values.popleft()
        if np.isnan(value):
            return Value(np.nan, np.nan, BASE_UNSEEN)
        return Value(np.nan, np.nan, SHAKING) if self._is_shaking() else Value(value, value, "")

    def end_rest(self, since_s: float) -> Rest:
        """Take some frames since then as the rest that all others are compared with."""
        shown = [pair for pair in self._moments if pair[0].time_s >= since_s]
        if len(shown) < FEWEST_FRAMES:
            return Rest.FAILED
        spread = np.unique(np.linspace(0, len(shown) - 1, REST_FRAMES).astype(int))
        self._at_rest = [shown[i] for i in spread]
        # While nothing moves it may not be known where the base is; the wall must be seen.
        if not all((moment.edges.confidence[BLADDER] > 0).any() for moment, _ in self._at_rest):
            return Rest.FAILED
        base, time_s = self._base(self._at_rest)
        if moved(time_s, base.value) > REST_MM * self._unit:
            return Rest.MOVED
        self._moments, self.rest = [], 0.0
        return Rest.TAKEN

    def _displacement(self, newest: tuple[Moment, TissueMotion]) -> float:
        """Displacement against the mean of the rest."""
        farthest = (pair for _, pair in self._farthest.values())
        used = (*self._at_rest, *self._later, *farthest, newest)
        known = {pair[0].time_s: pair for pair in used}
        base, time_s = self._base([known[time_s] for time_s in sorted(known)])
        level = level_of(base, [Window("rest", 0, len(self._at_rest) - 1, 1)], "rest", 1)
        place = int(np.searchsorted(time_s, newest[0].time_s))
        return float(base.value[place]) - level.value if level else np.nan

    def _base(
        self, pairs: Sequence[tuple[Moment, TissueMotion]]
    ) -> tuple[Quantity, NDArray[np.float64]]:
        """Displacement of the base in some frames without that of the probe, and their times."""
        time_s = np.array([moment.time_s for moment, _ in pairs])
        settle = without_probe([motion for _, motion in pairs], self._clip.spacing, self._clip.area)
        if settle is None:
            nowhere = np.full(time_s.size, np.nan)
            unit = self._scale.unit
            return Quantity("base_displacement", Structure.BLADDER, unit, nowhere, nowhere), time_s
        return base_series([m.edges for m, _ in pairs], self._scale, time_s, settle)[0], time_s

    def _is_shaking(self) -> bool:
        """Tell whether the base shook in the last seconds, as noise does and no tissue."""
        time_s, value = np.array(self._values).T
        if value.size < 2 or np.median(np.diff(time_s)) > LONGEST_STEP_S:
            return False
        found = Quantity("base_displacement", Structure.BLADDER, "mm", value, np.ones(value.size))
        return bool(np.isnan(withhold_noise(found, BASE_SCATTER_MM * self._unit).value).all())


def moved(time_s: NDArray[np.float64], value: NDArray[np.float64]) -> float:
    """How far a quantity went, from its middle value over one ``PIECE_S`` to that over another.

    Examples
    --------
    >>> moved(np.arange(6) * 0.2, np.array([1.0, 1.0, 1.2, 1.2, 1.5, 1.5]))
    0.5
    """
    known = ~np.isnan(value)
    piece = ((time_s - time_s[0]) / PIECE_S).astype(int)[known]
    middles = [np.median(value[known][piece == k]) for k in np.unique(piece)]
    return float(np.ptp(middles)) if middles else 0.0
