"""The report on training for strange looks: looks, subjects and the verdict of a row."""

from pathlib import Path

import numpy as np
import pydicom
import pytest

SCRIPTS = Path(__file__).parent.parent / "scripts"


@pytest.fixture(autouse=True)
def scripts_on_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SCRIPTS))


def test_every_look_changes_a_picture_and_none_is_another() -> None:
    import adapt

    ramp = np.tile(np.linspace(0, 255, 96).astype(np.uint8), (64, 1))
    picture = np.where(np.arange(64)[:, None] % 16 < 3, ramp // 3, ramp).astype(np.uint8)
    shown = {n: look(picture, np.random.default_rng(1)) for n, look in adapt.LOOKS.items()}
    for name, image in shown.items():
        assert image.shape == picture.shape and image.dtype == np.uint8, name
        assert np.abs(image.astype(float) - picture).mean() > 5, name
    assert len({image.tobytes() for image in shown.values()}) == len(adapt.LOOKS) == 8


def test_a_row_is_met_only_if_both_goals_are() -> None:
    import adapt

    kept = {
        "synthetic_surface_before_mm": 0.4,
        "synthetic_surface_after_mm": 0.4,
        "kept_share": 0.6,
        "training_s": 1.0,
        "site_before_mm": 1.2,
        "site_after_mm": 0.7,
    }
    good = adapt.Adaptation("negative", 1.0, 0.9, 0.3, 0.07, 0.07, **kept)
    assert good.gain == pytest.approx(-2 / 3) and good.forgetting == 0 and good.met
    assert not adapt.Adaptation("soft", 1.0, 0.9, 0.7, 0.07, 0.07, **kept).met
    forgetful = adapt.Adaptation("dim", 1.0, 0.9, 0.3, 0.07, 0.08, **kept)
    assert forgetful.forgetting == pytest.approx(1 / 7) and not forgetful.met
    lines = adapt.table_text([good, forgetful]).splitlines()
    assert lines[1].endswith("1.20 -> 0.70  met") and lines[2].endswith("missed")
    assert lines[-1] == "1 of 2 runs met both goals"


def test_a_subject_is_a_clip_with_its_identity_and_a_label_for_each_frame(tmp_path: Path) -> None:
    import adapt

    labels = adapt.write_subject(tmp_path, 7, adapt.LOOKS["negative"])
    data = pydicom.dcmread(tmp_path / "4007.dcm")
    assert data.PatientID == "4007" and data.NumberOfFrames == len(labels)
    assert labels[0].shape == (data.Rows, data.Columns) and set(np.unique(labels[0])) >= {
        1,
        2,
        3,
        4,
    }
