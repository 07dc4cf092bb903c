"""A clock that was set back restores no consent, breaks no chain, and turns no time round."""

import threading
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from held import make_record
from lab_data import TODAY, agree, import_subjects, make_lab
from standin import draw_texture

import layermotion.live.taking as taking
from layermotion.clip.source import SourceOptions
from layermotion.consent.ledger import Consent, Scope
from layermotion.consent.origins import check_weights
from layermotion.errors import InputError, WeightsError
from layermotion.lab.erasing import erase
from layermotion.lab.folder import Lab
from layermotion.record.entries import AMENDMENT
from layermotion.record.store import Record

DAY = timedelta(days=1)


def refused(lab: Lab, on: date) -> bool:
    """Whether the pictures of the only clip and its weights are refused on a day of the clock."""
    (record,) = lab.clips().values()
    origin = lab.origin("f" * 64)
    with pytest.raises(WeightsError, match=f"learning from {record.subject}, who withdrew"):
        check_weights("The weights local-001", [origin], on)
    with pytest.raises(InputError, match="no consent of"):
        list(replace(lab, today=on).frames(record, [0]))
    return replace(lab, today=on).consents() == {record.subject: frozenset()}


@pytest.mark.parametrize("back", [DAY, 100 * DAY])
def test_a_clock_set_back_restores_no_withdrawn_consent(back: timedelta, tmp_path: Path) -> None:
    lab, secret = make_lab(tmp_path)
    (subject,) = agree(lab, secret, "101")
    import_subjects(lab, secret, tmp_path / "scans", ("101",), "clinic-a")
    lab.register.note_build("spring", "f" * 64, [(subject, "train")])
    lab.ledger.withdraw(subject, TODAY, "nurse 2")
    assert refused(lab, TODAY) and refused(lab, TODAY - back)
    # What the clock then says is the day of a new consent is before the withdrawal.
    again = Consent(subject, tuple(Scope), TODAY - back, None)
    lab.ledger.record([again], "nurse 2")
    assert refused(lab, TODAY - back) and refused(lab, TODAY + back)
    # Erasing writes no second withdrawal of an earlier day.
    written = len(lab.ledger.history())
    erase(replace(lab, today=TODAY - back), subject, "nurse 2")
    assert len(lab.ledger.history()) == written
    # The past can still be looked at.
    assert lab.ledger.scopes_of(subject, TODAY - DAY) == set(Scope)


def test_a_withdrawal_under_a_clock_set_back_ends_the_consent(tmp_path: Path) -> None:
    lab, secret = make_lab(tmp_path)
    subject, other = agree(lab, secret, "101", "102")
    lab.ledger.withdraw(subject, date(2023, 12, 31), "nurse 2")
    assert lab.consents() == {subject: frozenset(), other: set(Scope)}


class BackwardClock(datetime):
    """Goes back a day with every look at it."""

    looks = 0

    @classmethod
    def now(cls, tz: object = None) -> datetime:
        """Give the hour."""
        cls.looks += 1
        return datetime(2024, 6, 1, 12, tzinfo=UTC) - cls.looks * DAY


def test_the_record_keeps_its_order_and_its_chain(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("layermotion.record.log.datetime", BackwardClock)
    record, visit = make_record(tmp_path / "record.sqlite")
    with record:
        before = record.visit(visit.visit_id)
        times = [event.when for event in record.events(visit.visit_id)]
        assert len(times) > 5 and times == sorted(times, reverse=True)
        record.verify()
    with Record.open(tmp_path / "record.sqlite") as again:
        again.verify()
        assert again.visit(visit.visit_id) == before
        kinds = [event.kind for event in again.events(visit.visit_id)]
        assert (kinds[0], kinds[-1]) == ("visit_begun", AMENDMENT)
        # The newest value is the one written last, whatever the hour says.
        values = {(v.name, v.repeat): v.value for v in again.values(visit.visit_id)}
        assert values["thickness_contracted", "1"] == 4.2


def test_live_pictures_go_on_in_time_when_the_clock_goes_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    camera = SimpleNamespace(
        isOpened=lambda: True, set=lambda *_: None, read=lambda: (True, draw_texture())
    )
    monkeypatch.setattr(taking.cv2, "VideoCapture", lambda *_: camera)
    hours = iter(range(0, -100, -1))
    monkeypatch.setattr(taking.time, "time", lambda: 1e9 + 3600.0 * next(hours))
    device = taking.Device("/dev/null", SourceOptions())
    pictures = device.taken(threading.Event())
    found = [next(pictures) for _ in range(4)]
    times = np.array([one.frame.time_s for one in found])
    assert (np.diff(times) > 0).all() and times[-1] - times[0] < 60
    assert [one.frame.index for one in found] == [0, 1, 2, 3]
