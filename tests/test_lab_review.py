"""Clips are accepted by the contact sheets that a person looked through, as they are now."""

from pathlib import Path

import pytest
from lab_data import agree, import_subjects, make_lab
from test_lab_commands import run

from layermotion.errors import InputError
from layermotion.lab.folder import Lab, Review
from layermotion.lab.review import clips_on, mask_box, record_review, write_sheets

SUBJECTS = ("101", "102", "103")


@pytest.fixture
def lab(tmp_path: Path) -> Lab:
    """Make a laboratory with three imported clips on two sheets: two clips and one."""
    lab, secret = make_lab(tmp_path)
    agree(lab, secret, *SUBJECTS)
    import_subjects(lab, secret, tmp_path / "scans", SUBJECTS, "clinic-a")
    records = tuple(lab.clips().values())
    write_sheets(lab, records[:2], "import")
    write_sheets(lab, records[2:], "import")
    return lab


def sheet(lab: Lab, number: int) -> Path:
    """Path of one of the two sheets."""
    return lab.root / "review" / f"import-{number}.png"


def accepted(lab: Lab) -> list[str]:
    """Names of accepted clips."""
    return [name for name, record in lab.clips().items() if record.review is Review.ACCEPTED]


def test_nothing_is_accepted_that_nobody_named(lab: Lab) -> None:
    assert run("lab", "accept", lab.root) == 2
    assert accepted(lab) == []


def test_a_sheet_accepts_its_own_clips_alone(lab: Lab) -> None:
    names = list(lab.clips())
    assert set(clips_on(lab, [sheet(lab, 1)])) == set(names[:2])
    assert clips_on(lab, [sheet(lab, 2)]) == (names[2],)


def test_a_rejected_clip_is_not_accepted_with_its_sheet(lab: Lab) -> None:
    names = list(lab.clips())
    record_review(lab, (names[0],), Review.REJECTED)
    assert clips_on(lab, [sheet(lab, 1)]) == (names[1],)


def test_who_withdrew_is_not_accepted_with_a_sheet(lab: Lab) -> None:
    first, second = list(lab.clips().values())[:2]
    lab.ledger.withdraw(first.subject, lab.today, "nurse 2")
    assert clips_on(lab, [sheet(lab, 1)]) == (second.name,)


def test_a_sheet_of_before_masking_does_not_count(lab: Lab) -> None:
    names = list(lab.clips())
    mask_box(lab, names[0], (50, 70, 5, 5))
    with pytest.raises(InputError, match=f"Changed since the sheet was written: {names[0]}"):
        clips_on(lab, [sheet(lab, 1)])
    (again,) = write_sheets(lab, (lab.clip(names[0]),), "again")
    assert clips_on(lab, [again]) == (names[0],)
    assert set(clips_on(lab, [sheet(lab, 1), again])) == set(names[:2])


def test_another_picture_is_no_sheet(lab: Lab, tmp_path: Path) -> None:
    other = tmp_path / "other.png"
    other.write_bytes(b"")
    with pytest.raises(InputError, match="is no contact sheet of"):
        clips_on(lab, [other])
    with pytest.raises(InputError, match="is no contact sheet of"):
        clips_on(lab, [sheet(lab, 7)])


def test_what_waits_no_more_is_said(lab: Lab) -> None:
    record_review(lab, tuple(lab.clips()), Review.ACCEPTED)
    with pytest.raises(InputError, match="No clip on these sheets waits for review"):
        clips_on(lab, [sheet(lab, 1)])
