"""Owns what goes over the sockets of a live view, as bytes and JSON."""

import json
import math
import struct
from typing import Any

import cv2
import numpy as np

from layermotion.labels import View
from layermotion.live.arrivals import Arrival
from layermotion.live.live import Live, State
from layermotion.live.practice import Phase
from layermotion.live.quantity import Rest
from layermotion.live.taking import Taken
from layermotion.serving.sentences import refuse_in, say_in

# Good enough to see the borders by, and quick (our choice).
JPEG_QUALITY = 80
# Pictures are sent no larger than this, px: more than the page shows of them (our choice).
LONGEST_SIDE_PX = 760
# The patient's shape goes a little beyond its band, share of the far edge.
FULLEST = 1.3


def packed(header: dict[str, Any], body: bytes) -> bytes:
    """Join a header and a body: length of the header (uint32, little-endian), header, body."""
    text = json.dumps(header, allow_nan=False).encode()
    text += b" " * (-len(text) % 4)  # so that numbers in the body lie as they must
    return struct.pack("<I", len(text)) + text + body


def picture_message(taken: Taken) -> bytes:
    """Pack a picture as JPEG, with its size in the pixels that edges are given in."""
    pixels = taken.frame.pixels
    rows, columns = pixels.shape
    scale = LONGEST_SIDE_PX / max(rows, columns)
    if scale < 1:
        size = (round(columns * scale), round(rows * scale))
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    jpeg = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])[1].tobytes()
    header = {"at": taken.at_s, "index": taken.frame.index, "rows": rows, "columns": columns}
    return packed(header, jpeg)


def state_message(live: Live, state: State, language: str) -> bytes:
    """Pack all that the clinician's page shows, with the edges.

    The body holds float32, shape (11, C): columns, then the superficial and the deep edge of each
    structure in label order, rows in px of the picture; NaN where a structure is not seen.
    """
    edges = state.seen.edges
    both = np.stack([edges.superficial_px, edges.deep_px], axis=1).reshape(-1, edges.column_px.size)
    body = np.concatenate([edges.column_px[None], both]).astype("<f4").tobytes()
    value = state.seen.value
    header = {
        "at": state.at_s,
        "view": str(state.seen.view or ""),
        "unit": "px" if live.clip.spacing is None else "mm",
        "now": known(value.now),
        "change": known(value.change),
        "number": known(state.number),
        "reason": value.reason,
        "rest": str(state.seen.rest),
        "restLeft": round(state.seen.rest_left_s, 2),
        "restNow": state.rest_now,
        "endHidden": state.seen.is_end_hidden,
        "low": state.target.low,
        "high": state.target.high,
        "hold": state.target.hold_s,
        "repeats": state.target.repeats,
        "count": state.target.count_s,
        "pause": state.target.pause_s,
        "phase": str(state.phase),
        "left": round(state.left_s, 2),
        "held": round(state.held_s, 2),
        "done": state.done,
        "tried": state.tried,
        "rate": round(state.values_hz, 1),
        **situation(live, language),
    }
    return packed(header, body)


def situation(live: Live, language: str) -> dict[str, Any]:
    """Tell how the live view itself is."""
    wrong = live.error or live.unseen or live.recorder.failed
    return {
        "ended": live.has_ended,
        "frozen": live.is_frozen,
        "error": refuse_in(language, wrong),
        "recording": live.recorder.is_recording,
        "cautions": [say_in(language, caution) for caution in live.clip.cautions],
    }


def patient_message(live: Live, state: State) -> dict[str, Any]:
    """Tell the patient's page shares and states; nothing of it is a measured number."""
    target = state.target
    change = state.seen.value.change
    along = target.sign * change / target.far
    is_wall = state.seen.view is not View.BLADDER
    count_in = state.phase is Phase.COUNT_IN and target.count_s > 0
    return {
        "shape": "muscle" if is_wall else "base",
        "down": target.sign < 0,
        "fill": known(float(np.clip(along, -0.2, FULLEST))),
        "near": target.near / target.far,
        "inBand": bool(target.near <= target.sign * change <= target.far),
        "ready": state.seen.rest is Rest.TAKEN,
        "resting": state.seen.rest is Rest.TAKING,
        "phase": str(state.phase),
        "counted": 1 - state.left_s / target.count_s if count_in else 0,
        "held": min(1.0, state.held_s / target.hold_s),
        "done": state.done,
        "repeats": target.repeats,
        "paused": live.is_frozen or live.has_ended,
    }


def arrivals_message(arrivals: tuple[Arrival, ...], error: str, language: str) -> dict[str, Any]:
    """Tell what arrived, the newest first."""
    return {
        "error": refuse_in(language, error),
        "arrivals": [
            {
                "name": arrival.name,
                "at": f"{arrival.at:%H:%M:%S}",
                "outcome": arrival.outcome.shown(language) if arrival.outcome else None,
                "failed": refuse_in(language, arrival.failed),
            }
            for arrival in arrivals
        ],
    }


def known(value: float) -> float | None:
    """Give a number, None where it is not known."""
    return None if math.isnan(value) else value
