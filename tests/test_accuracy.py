"""The shipped weights against geometric truth, on pictures and clips of fixed seeds.

Limits are about twice what the run named beside them gave, so that they catch a break and not a
rounding of another machine.
"""

import numpy as np
import pytest

from layermotion.analysis.analysis import analyse
from layermotion.clip import Clip, Frame
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.errors import MeasurementError
from layermotion.evaluation.compare import compare_frames
from layermotion.geometry import Spacing
from layermotion.labels import WALL_LAYERS, Structure, Task, View
from layermotion.network.segmenter import Segmenter, load_segmenter
from layermotion_synthetic.clips import ClipPlan, clip_truth, draw_clip, render_clip
from layermotion_synthetic.factors import USUAL

pytestmark = pytest.mark.slow

# First word of every seed here; no training or evaluation seed starts with it.
ACCURACY_STREAM = 20_271_125
# Frames a second, few because each takes long to measure; one of a second is compared. Pictures of
# neither view need no motion.
RATE_HZ, STILL_RATE_HZ = 3.0, 1.0
# Most that the median error may be, mm, and the share of values withheld. Measured with layers-008:
# fat 0.087 and 0.18, EO 0.100 and 0, IO 0.099 and 0.13, TrA 0.093 and 0.17.
WALL_LIMITS = {
    Structure.FAT: (0.16, 0.34),
    Structure.EO: (0.21, 0.08),
    Structure.IO: (0.16, 0.18),
    Structure.TRA: (0.17, 0.28),
}
# mm; measured with layers-008: 0.042 in lifts and 0.044 in strains, with no value withheld.
BASE_LIMIT_MM = 0.09
# Of 20; measured with layers-008: all.
FEWEST_REFUSED = 19


@pytest.fixture(scope="module")
def segmenter() -> Segmenter:
    return load_segmenter(threads=1)


def plan_of(number: int, view: View | None, task: Task, rate_hz: float = RATE_HZ) -> ClipPlan:
    rng = np.random.Generator(np.random.SFC64([ACCURACY_STREAM, number]))
    return draw_clip(rng, view, USUAL, task=task, frame_rate_hz=rate_hz)


def clip_of(plan: ClipPlan) -> Clip:
    """Build the clip that a reader would give, without a file in between."""
    pictures = [screen for screen, _ in render_clip(plan)]
    rows, columns = pictures[0].shape
    return Clip(
        clip_id="accuracy",
        source_name="accuracy",
        frame_shape=(rows, columns),
        frame_count=len(pictures),
        spacing=Spacing(plan.grid.row_mm, plan.grid.column_mm, "truth"),
        spacing_reason="",
        area=plan.area,
        view=None,
        task=plan.motion.task,
        is_still=False,
        read=lambda: (
            Frame(i, i / plan.frame_rate_hz, picture) for i, picture in enumerate(pictures)
        ),
    )


def frame_errors_mm(
    numbers: range, view: View, task: Task, segmenter: Segmenter
) -> dict[Structure, list[float]]:
    """Errors of single frames per structure; NaN where a value was withheld."""
    errors: dict[Structure, list[float]] = {}
    for number in numbers:
        plan = plan_of(number, view, task)
        with Recording() as recording:
            analysis = analyse(clip_of(plan), segmenter, parse_site("muscle-centre"), recording)
        assert analysis.view is view
        frames = range(0, plan.motion.time_s.size, int(RATE_HZ))
        for found in compare_frames(analysis, plan, clip_truth(plan), frames):
            errors.setdefault(Structure(found.structure), []).append(found.error)
    return errors


def test_thickness_of_every_layer_follows_the_truth(segmenter: Segmenter) -> None:
    errors = frame_errors_mm(range(9), View.ABDOMINAL_WALL, Task.DRAW_IN, segmenter)
    for layer in WALL_LAYERS:
        found = np.abs(errors[layer])
        limit_mm, withheld = WALL_LIMITS[layer]
        assert np.isnan(found).mean() < withheld, layer
        assert np.nanmedian(found) < limit_mm, layer


@pytest.mark.parametrize("task", [Task.PELVIC_FLOOR_LIFT, Task.STRAIN])
def test_displacement_of_the_base_follows_the_truth(segmenter: Segmenter, task: Task) -> None:
    errors = frame_errors_mm(range(20, 22), View.BLADDER, task, segmenter)
    found = np.abs(errors[Structure.BLADDER])
    assert np.isnan(found).mean() < 0.1
    assert np.nanmedian(found) < BASE_LIMIT_MM


def test_pictures_of_neither_view_are_refused(segmenter: Segmenter) -> None:
    refused = 0
    for number in range(40, 60):
        with Recording() as recording:
            clip = clip_of(plan_of(number, None, Task.REST, STILL_RATE_HZ))
            try:
                analyse(clip, segmenter, parse_site("muscle-centre"), recording)
            except MeasurementError as error:
                refused += "not recognised" in str(error)
    assert refused >= FEWEST_REFUSED
