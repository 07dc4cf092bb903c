"""Owns the naming help of the session command: what lies in a folder, as a table to fill in."""

import os
import time
from pathlib import Path

import numpy as np

from layermotion.clip import Clip, Frame
from layermotion.clip.acquired import acquired_at
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.commands.progress import telling
from layermotion.errors import InputError, failure_of
from layermotion.models.registry import load_in_use
from layermotion.network.grid import ModelGrid
from layermotion.network.look import decide_view, look_at
from layermotion.network.segmenter import VIEW_CLASSES, Segmenter
from layermotion.session.listing import Seen, find_recordings, write_listing

# Frames looked at to recognise the view, spread over the clip (our choice: enough to see past a
# moment of poor contact).
FEW_FRAMES = 5
NOT_SEEN = "neither view is recognised"
NO_SCALE = "no pixel size in the file: fill in mm_per_pixel or depth_mm"


def list_folder(folder: Path, target: Path, options: SourceOptions) -> int:
    """Write the table of what a folder holds, and print its path.

    Rows stand in the order of recording where every file states a time, else in that of the names.

    Returns
    -------
    int
        0; a file that cannot be read has a note in its row.

    Raises
    ------
    LayermotionError
        If the source is no folder, holds nothing, or the table is there already.
    """
    if not folder.is_dir():
        raise InputError(f"{folder.name} is a file; give --plan a folder of recordings to list.")
    if target.exists():
        raise InputError(
            f"{target.name} is there already, and what is filled in must not be lost; give --plan "
            f"another name, or delete the file."
        )
    above = os.path.abspath(target.parent)
    if not Path(os.path.abspath(folder)).is_relative_to(above):
        raise InputError(
            f"{target.name} would lie neither in {folder.name} nor above it, and a table names "
            f"recordings below itself; give --plan {folder.parent / target.name}"
        )
    paths, left_out = find_recordings(folder)
    if not paths:
        raise InputError(f"{folder.name} holds no recordings; give a folder with clips or images.")
    times = [acquired_at(path) for path in paths]
    known = [time_text for time_text in times if time_text is not None]
    if len(known) == len(paths):
        paths = [path for _, path in sorted(zip(known, paths, strict=True), key=lambda p: p[0])]
    segmenter = load_in_use()
    listed = []
    with telling(len(paths)) as tell:
        if left_out:
            tell.warn(f"Left out, since they are no recordings: {', '.join(left_out)}.")
        for number, path in enumerate(paths, start=1):
            started_s, name = time.monotonic(), f"recording {number}"
            tell.begin(name)
            listed.append((path, look_into(path, options, segmenter)))
            tell.finish(name, time.monotonic() - started_s, "read")
    write_listing(target, listed)
    print(target)
    return 0


def look_into(path: Path, options: SourceOptions, segmenter: Segmenter) -> Seen:
    """Open a recording, count its frames, and recognise its view from a few of them."""
    try:
        clip = open_clip(path, options)
        chosen = set(np.linspace(0, (clip.frame_count or 1) - 1, FEW_FRAMES).astype(int).tolist())
        samples, count, last_s = [], 0, 0.0
        for frame in clip.frames():
            if frame.index in chosen:
                samples.append(frame)
            count, last_s = count + 1, frame.time_s
        view, probability = _view(clip, samples, segmenter)
    except Exception as error:
        return Seen(note=str(failure_of(path.name, error)))
    notes = [*([] if view else [NOT_SEEN]), *([] if clip.spacing else [NO_SCALE])]
    seconds = None if clip.is_still else last_s
    return Seen(count, seconds, view, probability, "; ".join(notes))


def _view(
    clip: Clip, samples: list[Frame], segmenter: Segmenter
) -> tuple[str | None, float | None]:
    """View that some frames show, and its mean probability in them."""
    grid = ModelGrid.for_area(clip.area, clip.spacing, segmenter.size_px)
    views = np.array([look_at(frame, segmenter, grid).view for frame in samples])
    view, _ = decide_view(clip, views)
    if view is None:
        return None, None
    return str(view), float(views[:, VIEW_CLASSES.index(view)].mean())
