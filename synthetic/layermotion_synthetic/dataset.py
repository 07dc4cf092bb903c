"""Owns training examples: one random frame, cut and scaled as the measuring side would, and truth.

The cut is sometimes wrong on purpose (loose, tight, unequal scales, marks and text inside), because
finding the image on a real screen is never perfect.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np

from layermotion.geometry import COLUMN_RATIO
from layermotion.labels import Structure, View
from layermotion_synthetic.anatomy import Stack, chance, uniform
from layermotion_synthetic.beams import Grid
from layermotion_synthetic.display import Grey
from layermotion_synthetic.factors import DRAWN, Factors, split
from layermotion_synthetic.pose import Pose, rest_pose
from layermotion_synthetic.scene import draw_scene, field_of_view, pixel_aspect, render
from layermotion_synthetic.screen import (
    cover_with_menu,
    draw_marks,
    draw_ruler,
    draw_text,
    grab,
    mark_layers,
    menu,
)

# View classes in order; 0 is neither view.
VIEWS = (None, View.ABDOMINAL_WALL, View.BLADDER)
_VIEW_SHARES = (0.2, 0.5, 0.3)


@dataclass(frozen=True, eq=False)
class Example:
    """One training example.

    Parameters
    ----------
    image
        uint8, shape (size, size / COLUMN_RATIO).
    label
        uint8, same shape, labels 0 to 5.
    view
        Index into ``VIEWS``.
    mm_per_pixel
        Depth of one row, mm.
    is_local
        False: the generator made it.
    """

    image: Grey
    label: Grey
    view: int
    mm_per_pixel: float
    is_local: bool = False


def draw_example(
    rng: np.random.Generator, size_px: int, forced: Mapping[str, float] = DRAWN
) -> Example:
    """Draw one example of ``size_px`` rows, with pixels ``COLUMN_RATIO`` times as wide as high.

    Parameters
    ----------
    forced
        Strengths of ``Factors`` set from outside; the others are drawn.

    Examples
    --------
    >>> draw_example(np.random.default_rng(1), 64).image.shape
    (64, 32)
    """
    choice, body, cut, screen = split(rng, 4)
    view = int(choice.choice(3, p=_VIEW_SHARES))
    if view == 0 and chance(choice, 0.1):
        image = _squeezed(menu(screen, size_px, size_px))
        return Example(image, np.zeros_like(image), 0, 0.2)
    scene = draw_scene(body, VIEWS[view], forced)
    factors = scene.factors
    halves = 2 if factors.split_screen else 1
    grid = _cut(cut, field_of_view(scene.beams), size_px, size_px // halves, factors)
    turn = 1.5 * factors.decorrelation
    # Two pictures of one wall or bladder, such as rest beside contraction.
    pictures = [
        render(body, scene, draw_pose(body, scene.stack), grid, turn_rad=turn)
        for _ in range(halves)
    ]
    image, label = (
        np.hstack([getattr(picture, name) for picture in pictures]) for name in ("pixels", "labels")
    )
    if image.shape[1] < size_px:
        image, label = (np.pad(a, ((0, 0), (0, size_px - a.shape[1]))) for a in (image, label))
    if chance(screen, 0.25):
        # Screens are not always black around the image.
        inside = np.hstack([picture.inside for picture in pictures])
        inside = np.pad(inside, ((0, 0), (0, size_px - inside.shape[1])))
        image = np.where(inside, image, screen.integers(0, 90)).astype(np.uint8)
    if factors.screen_marks:
        # Much text is rarer than marks.
        draw_text(screen, image, round(7 * factors.screen_marks**2))
        draw_marks(screen, image)
        if chance(screen, 0.3):
            mark_layers(screen, image, label)
        if chance(screen, 0.6):
            draw_ruler(screen, image, max(3.0, uniform(screen, 2, 10) / grid.row_mm))
    if view == 0 and chance(screen, 0.08):
        cover_with_menu(screen, image)
    if factors.screen_grab:
        image = grab(screen, image, factors.screen_grab)
    # Of the columns that are averaged, the label is that of one by chance: no side is favoured.
    label = np.ascontiguousarray(label[:, int(screen.integers(COLUMN_RATIO)) :: COLUMN_RATIO])
    return Example(_squeezed(image), label, view, grid.row_mm)


def _squeezed(screen: Grey) -> Grey:
    """Average neighbouring columns of a square picture into the wide pixels of an example."""
    rows, columns = screen.shape
    size = (columns // COLUMN_RATIO, rows)
    return np.asarray(cv2.resize(screen, size, interpolation=cv2.INTER_AREA), np.uint8)


def draw_pose(rng: np.random.Generator, stack: Stack) -> Pose:
    """Draw a tissue state between rest and strong contraction, and a slightly turned probe."""
    pose = rest_pose(stack)
    ratio = pose.ratio.copy()
    lift = 0.0
    if stack.view is View.ABDOMINAL_WALL and chance(rng, 0.5):
        for structure, low, high in (
            (Structure.TRA, 0.9, 2.2),
            (Structure.IO, 0.85, 1.6),
            (Structure.EO, 0.8, 1.4),
        ):
            ratio[stack.index(structure)] = uniform(rng, low, high)
    if stack.view is View.BLADDER and chance(rng, 0.5):
        lift = uniform(rng, -20, 18)
    return replace(
        pose,
        ratio=ratio,
        lift_mm=lift,
        probe_tilt_rad=rng.normal(0, 0.05),
        probe_depth_mm=uniform(rng, -1.5, 1.5) if chance(rng, 0.3) else 0.0,
    )


def _cut(
    rng: np.random.Generator,
    field: tuple[float, float, float, float],
    rows: int,
    columns: int,
    factors: Factors,
) -> Grid:
    """Choose the part of the field of view that fills the example."""
    left, top, width, height = field
    right, bottom = left + width, top + height
    if chance(rng, 0.45):  # each side of the cut errs on its own
        loose = 0.3 if chance(rng, 0.4) else 0.08
        left -= uniform(rng, -0.05, loose) * width
        right += uniform(rng, -0.05, loose) * width
        top -= uniform(rng, -0.02, loose) * height
        bottom += uniform(rng, -0.08, loose) * height
    if chance(rng, 0.12):  # a close-up
        left += uniform(rng, 0, 0.25) * width
        right -= uniform(rng, 0, 0.25) * width
        bottom -= uniform(rng, 0, 0.25) * height
    width, height = right - left, bottom - top
    aspect = pixel_aspect(factors)
    scale = max(width / columns, height * aspect / rows)
    row_mm, column_mm = scale / aspect, scale
    return Grid(
        rows,
        columns,
        row_mm,
        column_mm,
        left - (columns * column_mm - width) / 2,
        top - (rows * row_mm - height) / 2,
    )
