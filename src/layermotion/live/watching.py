"""Owns what is seen in each live frame: view, edges, the quantity, and today's rest."""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.analysis.footage import FIRST_LOOK
from layermotion.clip import Clip, Frame
from layermotion.edges.boundaries import Boundaries, no_boundaries
from layermotion.edges.frame import edges_in
from layermotion.edges.second_look import EVERY, look_again
from layermotion.edges.site import Site
from layermotion.labels import View
from layermotion.live.quantity import FEWEST_FRAMES, NOTHING, Follower, Rest, Value, follower
from layermotion.network.grid import ModelGrid
from layermotion.network.look import decide_view, least_shown, look_at
from layermotion.network.segmenter import Segmenter

# How long today's rest is looked at, s (the protocol of this page: a breath out and a little more).
REST_S = 2.0
# Least time between two second looks at a wall, s, beside the number of frames that measuring
# leaves between them (our choice: each costs as much as a first look, and a border is taken for
# another one for seconds).
AGAIN_S = 1.0
NO_VIEW, NOT_SHOWN = "no_view", "not_shown"


@dataclass(frozen=True, eq=False)
class Seen:
    """What was seen in one frame.

    Parameters
    ----------
    frame, edges
        The frame and its edges.
    view
        What the probe looks at; None where that is not recognised.
    value
        The quantity.
    rest, rest_left_s
        How far today's rest has come, and how long it still takes, s.
    is_end_hidden
        Whether the medial end of the TrA is not in view.
    """

    frame: Frame
    edges: Boundaries
    view: View | None
    value: Value
    rest: Rest
    rest_left_s: float
    is_end_hidden: bool


class Watch:
    """Looks at live frames one after the other.

    Parameters
    ----------
    clip
        How the frames lie; its view where a person stated it.
    site
        Where the thickness of the TrA is read.
    """

    def __init__(self, clip: Clip, segmenter: Segmenter, site: Site) -> None:
        self._clip, self._segmenter, self._site = clip, segmenter, site
        self._grid = ModelGrid.for_area(clip.area, clip.spacing, segmenter.size_px)
        self._least = least_shown(clip)
        self._views: deque[NDArray[np.float32]] = deque(maxlen=FIRST_LOOK)
        self._follower: Follower | None = None
        self._rest, self._rest_from_s = Rest.MISSING, 0.0
        self._again_s, self._looks = -np.inf, 0
        self._is_rest_wanted = False

    def take_rest(self) -> None:
        """Take today's rest from the next frame on."""
        self._is_rest_wanted = True

    def interrupt(self) -> None:
        """Let a rest that is under way fail, since it does not go on with the next frame."""
        if self._is_rest_wanted or self._rest is Rest.TAKING:
            self._is_rest_wanted, self._rest = False, Rest.FAILED

    @property
    def rest_now(self) -> float | None:
        """Today's rest, in the unit of the quantity; None where there is none."""
        return self._follower.rest if self._follower else None

    def see(self, frame: Frame) -> Seen:
        """Look at the next frame."""
        look = look_at(frame, self._segmenter, self._grid)
        self._views.append(look.view)
        if self._follower is None or self._is_rest_wanted:
            self._decide()
        if self._is_rest_wanted:
            self._is_rest_wanted = False
            self._rest, self._rest_from_s = Rest.TAKING, frame.time_s
            if self._follower:
                self._follower.begin_rest()
        if self._follower is None:
            self._finish_rest(frame.time_s)
            nowhere = no_boundaries(self._grid)
            missing = Value(NOTHING.now, NOTHING.change, NO_VIEW)
            left_s = self._left_s(frame.time_s)
            return Seen(frame, nowhere, None, missing, self._rest, left_s, False)
        edges = edges_in(look, self._grid, self._follower.view, self._least)
        is_shown = bool(edges.confidence.any())
        value = self._follower.see(frame, edges, self._second_look(frame, is_shown))
        self._finish_rest(frame.time_s)
        if not is_shown:
            value = Value(value.now, value.change, NOT_SHOWN)
        return Seen(
            frame, edges, self._follower.view, value, self._rest, self._left_s(frame.time_s),
            self._follower.is_end_hidden,
        )  # fmt: skip

    def _decide(self) -> None:
        """Decide on the view from the last frames; another view needs another follower."""
        if len(self._views) < FEWEST_FRAMES and self._clip.view is None:
            return
        view, _ = decide_view(self._clip, np.array(self._views))
        if view is not None and (self._follower is None or self._follower.view is not view):
            self._follower = follower(view, self._clip, self._grid, self._site)

    def _second_look(self, frame: Frame, is_shown: bool) -> Boundaries | None:
        """Look a second time at a wall where that is due."""
        is_wall = self._follower is not None and self._follower.view is View.ABDOMINAL_WALL
        self._looks -= 1
        if not (is_wall and is_shown and frame.time_s - self._again_s >= AGAIN_S):
            return None
        if self._looks > 0:
            return None
        self._again_s, self._looks = frame.time_s, EVERY
        return look_again(frame, self._segmenter, self._grid, self._clip.spacing)

    def _left_s(self, time_s: float) -> float:
        return max(0.0, REST_S - (time_s - self._rest_from_s)) if self._rest is Rest.TAKING else 0.0

    def _finish_rest(self, time_s: float) -> None:
        """Take the rest once it was looked at for long enough."""
        if self._rest is Rest.TAKING and time_s - self._rest_from_s >= REST_S:
            seen = self._follower
            self._rest = seen.end_rest(self._rest_from_s) if seen else Rest.FAILED
