"""Errors at the site are those of the thickness that would be given, in mm, on unequal pixels."""

import math

import numpy as np
import pytest
from lab_data import COLUMN_MM, COLUMNS, ROW_MM, ROWS, wall_label

from layermotion.edges.boundaries import Boundaries
from layermotion.geometry import Spacing
from layermotion.lab.site_error import labelled_edges, site_errors_mm
from layermotion.labels import WALL_LAYERS, Structure
from layermotion.series.series import Scale
from layermotion.series.thickness import thickness_at

SCALE = Scale.of(Spacing(ROW_MM, COLUMN_MM, "test"), COLUMNS)


def test_edges_of_a_label_lie_between_its_pixels() -> None:
    label = np.zeros((9, 5), np.uint8)
    label[2:5, 1:4] = 4
    edges = labelled_edges(label)
    tra = (edges.superficial_px[3].tolist(), edges.deep_px[3].tolist())
    assert tra[0][1:4] == [1.5] * 3 and tra[1][1:4] == [4.5] * 3
    assert math.isnan(tra[0][0]) and math.isnan(tra[1][4]) and np.isnan(edges.deep_px[0]).all()


def test_the_error_is_that_of_the_perpendicular_thickness_at_the_site() -> None:
    truth = labelled_edges(wall_label())
    site_px = (70 + 250) / 2
    # Layers of 23 rows that fall by 8 rows of 0.2 mm over 180 columns of 0.25 mm.
    cosine = math.cos(math.atan(8 * ROW_MM / (180 * COLUMN_MM)))
    for layer in WALL_LAYERS:
        mm, _ = thickness_at(truth, layer, site_px, SCALE)
        assert mm == pytest.approx(23 * ROW_MM * cosine, abs=0.02)
    assert site_errors_mm(truth, truth, SCALE) == dict.fromkeys(WALL_LAYERS, (0.0, False))
    deep = truth.deep_px.copy()
    deep[1] += 3
    thicker = Boundaries(truth.column_px, truth.superficial_px, deep, truth.confidence)
    errors = site_errors_mm(thicker, truth, SCALE)
    assert errors[Structure.EO] == (pytest.approx(3 * ROW_MM * cosine, abs=0.02), False)
    assert errors[Structure.IO] == (0.0, False)


def test_what_would_not_be_given_is_withheld_and_has_no_error() -> None:
    truth = labelled_edges(wall_label())
    confidence = truth.confidence.copy()
    confidence[3] = 0.2
    unsure = Boundaries(truth.column_px, truth.superficial_px, truth.deep_px, confidence)
    error_mm, is_withheld = site_errors_mm(unsure, truth, SCALE)[Structure.TRA]
    assert math.isnan(error_mm) and is_withheld


def test_of_the_bladder_it_is_the_depth_of_the_base() -> None:
    label = np.zeros((ROWS, COLUMNS), np.uint8)
    label[60:140, 80:240] = 5
    lower = np.roll(label, 4, axis=0)
    errors = site_errors_mm(labelled_edges(lower), labelled_edges(label), SCALE)
    assert errors == {Structure.BLADDER: (pytest.approx(4 * ROW_MM), False)}
    nothing = labelled_edges(np.zeros_like(label))
    assert site_errors_mm(nothing, labelled_edges(label), SCALE)[Structure.BLADDER][1]
    assert site_errors_mm(nothing, nothing, SCALE) == {}
