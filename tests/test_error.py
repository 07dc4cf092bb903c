"""How large an error is said to be: it grows as confidence falls, and each measure has its own."""

import math
from typing import Any

import pytest

from layermotion.network.segmenter import Segmenter


def test_error_grows_as_confidence_falls() -> None:
    session: Any = None  # nothing is segmented
    errors_px = {"thickness_tra": (0.8, 3.0), "base_displacement": (1.5, 0.0)}
    segmenter = Segmenter("none-001", "0" * 64, 320, (0.05, 1.0), errors_px, session)
    assert segmenter.error_px("thickness_tra", 1.0) == pytest.approx(0.8)
    assert segmenter.error_px("thickness_tra", 0.8) == pytest.approx(0.8 * math.exp(0.6))
    for confidence in (1.0, 0.5):
        assert segmenter.error_px("base_displacement", confidence) == pytest.approx(1.5)
