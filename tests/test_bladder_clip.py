"""A clip of the bladder: what tells its efforts where the base is hidden."""

from pathlib import Path

import numpy as np
import pytest
from standin import (
    SPACING,
    Labels,
    bladder_labels,
    draw_frames,
    effort,
    truth_segmenter,
    write_dicom,
)

from layermotion.analysis.analysis import analyse
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.labels import Task, View


def with_shadow(descent_rows: int) -> Labels:
    """Bladder whose base goes down where a shadow hides the deepest of it."""
    labels = bladder_labels(-20 - descent_rows)
    labels[:, 100:140] = 0
    return labels


@pytest.mark.parametrize("task", [Task.STRAIN, None])
def test_wall_beside_a_hidden_base_tells_when_the_effort_was(
    tmp_path: Path, task: Task | None
) -> None:
    path = write_dicom(tmp_path / "clip.dcm", draw_frames(150))
    segmenter = truth_segmenter(with_shadow, 40 * effort(150, 50, 110), View.BLADDER)
    clip = open_clip(
        path, SourceOptions(mm_per_pixel=(SPACING.row_mm, SPACING.column_mm), task=task)
    )
    with Recording() as recording:
        found = analyse(clip, segmenter, parse_site("muscle-centre"), recording)  # type: ignore[arg-type]
    base = found.series.get("base_displacement", "bladder")
    assert base is not None and np.isnan(base.value).all()
    assert found.efforts.count.number == 1
