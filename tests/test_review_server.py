"""What the review page asks its program for: every route, what it refuses, and what is kept."""

import json
import re
import struct
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urljoin

import httpx2
import numpy as np
import pytest
from lab_data import BOTH, OPTIONS, make_lab, subject_of
from reviewed import PATIENCE_S, Alike, make_review
from standin import SPACING
from visits import DrawnVisit

from layermotion.commands.identity import VisitIdentity
from layermotion.consent.ledger import Consent
from layermotion.errors import InputError, RecordError
from layermotion.lab.annotations import read_mask
from layermotion.lab.folder import open_lab, open_secret
from layermotion.lab.importing import import_folder
from layermotion.lab.labelling import read_note
from layermotion.labels import Structure
from layermotion.review.corrections import Confirm, LeaveOut, MoveEdge, MoveSite, TakeIn
from layermotion.review.desk import Desk
from layermotion.review.handing import Laboratory
from layermotion.review.place import Place, Stage, in_order
from layermotion.review.server import MOST_FRAMES, routes_of
from layermotion.review.steps import CHANGED, OF_ANOTHER_VISIT, SIGNED_OTHERWISE
from layermotion.review.visit import Review
from layermotion.serving.run import serving
from layermotion.serving.sentences import refuse_in
from layermotion.session.identity import SEVERAL_DAYS, Identity
from layermotion.session.plan import Side

DAY = date(2026, 3, 2)
READ = ("/", "/texts", "/looks", "/day", "/course", "/clips/0", "/clips/0/outlines",
        "/clips/0/frames/0/3", "/review/review.js")  # fmt: skip
CHANGES: dict[str, dict[str, Any]] = {
    "/begin": {"patient": "P-017", "who": "A. B.", "day": "2026-03-02"},
    "/sign": {"who": "A. B."},
    "/clips/0/corrections": {"correction": {"kind": "move_site", "site_px": 120.0}, "why": ""},
    "/clips/0/undo": {},
    "/clips/0/seen": {},
    "/amend": {"who": "A. B.", "text": "Seen with the patient."},
    "/withdraw": {"who": "A. B.", "text": "Of another patient."},
}
# Of a signed visit: what may still be done.
STILL = ("/begin", "/amend")
TRA = "thickness_contracted/tra/1/mm"


@pytest.fixture(scope="module")
def alike() -> Alike:
    """Measure the clip of these tests once."""
    return Alike()


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> DrawnVisit:
    """Draw a visit of one clip."""
    visit = DrawnVisit(tmp_path_factory.mktemp("drawn") / "visit")
    visit.wall("left_draw_in_1.dcm", 20)
    return visit


@pytest.fixture
def review(
    drawn: DrawnVisit, alike: Alike, tmp_path: Path, plain_reports: None
) -> Iterator[Review]:
    """Measure the visit, and begin nothing."""
    made = make_review(drawn, tmp_path / "record.sqlite", DAY, alike)
    yield made
    made.record.close()


class Client(httpx2.Client):
    """The page, without a browser."""

    form = ""

    def tell(self, path: str, body: Any = None) -> httpx2.Response:
        """Ask for a change, as the page does."""
        body = CHANGES[path] if body is None else body
        return self.post(path, json=body, headers={"x-layermotion-form": self.form})

    def correct(self, **correction: Any) -> dict[str, Any]:
        """Settle something about the clip, and give the answer."""
        answer = self.tell("/clips/0/corrections", {"correction": correction, "why": ""})
        assert answer.status_code == 200, answer.text
        found: dict[str, Any] = answer.json()
        return found


@pytest.fixture
def page(review: Review) -> Iterator[Client]:
    """Open the page of the visit."""
    with (
        serving(routes_of(review)) as running,
        Client(base_url=running.address.origin, headers={"origin": running.address.origin}) as page,
    ):
        page.get(running.link())
        page.form = page.get("/").text.split('name="form-key" content="')[1].split('"')[0]
        yield page


def refusal(answer: httpx2.Response) -> str:
    assert answer.status_code == 422, answer.text
    sentence: str = answer.json()["error"]
    return sentence


def value_of(shown: dict[str, Any], key: str) -> dict[str, Any]:
    (found,) = [each for each in shown["measures"] if each["key"] == key]
    return dict(found)


def test_every_route_is_read(page: Client, review: Review) -> None:
    for path in READ:
        assert page.get(path).status_code == 200, path
    shown = page.get("/clips/0").json()["shown"]
    edges = np.frombuffer(page.get("/clips/0/outlines").content, "<f4")
    assert edges.size == shown["frames"] * 10 * len(shown["columns"])
    content = page.get("/clips/0/frames/2/3").content
    (size,) = struct.unpack_from("<I", content)
    assert content[4 : 4 + size] == review.places[0].opened.picture(2)
    assert content[4:6] == b"\xff\xd8"


def test_the_page_asks_for_every_module_at_once(page: Client) -> None:
    needed, found = ["/review/review.js"], set[str]()
    while needed:
        path = needed.pop()
        found.add(path)
        for name in re.findall(r'^import .* from "([^"]+)"', page.get(path).text, re.MULTILINE):
            other = urljoin(path, name)
            needed += [other] if other not in found else []
    asked = re.findall(r'rel="modulepreload" href="([^"]+)"', page.get("/").text)
    assert len(found) > 20
    assert sorted(asked) == sorted(found)


def test_every_number_that_is_told_is_the_one_that_was_measured(
    page: Client, review: Review
) -> None:
    found = review.places[0].opened.analysis
    told = page.get("/clips/0").json()["shown"]
    names = ("name", "structure", "repeat", "value", "low", "high", "unit", "status", "reason")
    assert [[m[name] for name in names] for m in told["measures"]] == [
        [getattr(m, name) for name in names] for m in found.measures
    ]
    assert told["time_s"] == pytest.approx(found.series.time_s.tolist(), abs=1e-4)
    for line, own in zip(told["series"], found.given.quantities, strict=True):
        assert (line["quantity"], line["structure"], line["unit"]) == (
            own.name, own.structure, own.unit,
        )  # fmt: skip
        values = [np.nan if value is None else value for value in line["value"]]
        np.testing.assert_allclose(values, own.value, atol=1e-4)
    assert [(w["state"], w["first"], w["last"], w["repeat"]) for w in told["windows"]] == [
        (w.state, w.first, w.last, w.repeat) for w in found.efforts.windows
    ]
    (listed,) = page.get("/day").json()["clips"]
    chief = listed["chief"]
    same = [m for m in found.measures if (m.name, m.structure, m.unit) == (
        chief["name"], chief["structure"], chief["unit"])]  # fmt: skip
    assert chief["value"] == same[-1].value
    assert (listed["confirmed"], listed["corrected"]) == (0, 0)
    # Of several repeats it is their mean, which stands behind them.
    mean = replace(same[-1], repeat="mean", value=77.0)
    review.places[0].opened._now = replace(found, measures=(*found.measures, mean))
    assert page.get("/day").json()["clips"][0]["chief"]["value"] == 77.0
    # Where repeats have none, no one of them stands for the clip.
    refused = replace(mean, value=None, low=None, high=None)
    review.places[0].opened._now = replace(found, measures=(*found.measures, refused))
    assert chief["name"] == "thickness_change"
    assert page.get("/day").json()["clips"][0]["chief"]["name"] == "thickness_rest"


def test_nothing_is_told_to_others_or_changed_by_them(page: Client, review: Review) -> None:
    with httpx2.Client(base_url=page.base_url) as other:
        assert [other.get(path).status_code for path in READ] == [403] * len(READ)
    form = {"x-layermotion-form": page.form}
    for path, body in CHANGES.items():
        for headers in ({**form, "origin": "http://evil.example"}, {"x-layermotion-form": "no"}):
            assert page.post(path, json=body, headers=headers).status_code == 403, path
    assert review.visit is None


def test_what_is_not_there_is_not_found(page: Client) -> None:
    for path in (
        "/clips/1", "/clips/1/outlines", "/clips/x", "/clips/0/frames/30/40",
        "/clips/0/frames/3/2", f"/clips/0/frames/0/{MOST_FRAMES}", "/review/%2e%2e/server.py",
        "/clips/0/frames/-1/2",
    ):  # fmt: skip
        assert page.get(path).status_code == 404, path


def test_a_bad_request_is_one_sentence(page: Client) -> None:
    assert refusal(page.tell("/clips/0/corrections")).startswith("No visit was begun")
    broken = page.post("/begin", content=b"{", headers={"x-layermotion-form": page.form})
    assert refusal(broken).startswith("The request is no JSON")
    assert refusal(page.tell("/begin", [])).startswith("The request is no JSON object")
    begin = CHANGES["/begin"]
    assert "may be a name" in refusal(page.tell("/begin", begin | {"patient": "Anna Maier"}))
    assert refusal(page.tell("/begin", begin | {"day": "2.3."})).startswith("The day cannot be")
    assert refusal(page.tell("/begin", begin | {"who": 7})) == "who is no text; type one."
    assert "who reviews" in refusal(page.tell("/begin", begin | {"who": " "}))
    page.tell("/begin")
    for body in ({}, {"correction": []}, {"correction": {"kind": "paint"}}):
        refusal(page.tell("/clips/0/corrections", body))
    far = {"correction": {"kind": "move_site", "site_px": 9999.0}, "why": ""}
    assert "outside of the picture" in refusal(page.tell("/clips/0/corrections", far))
    assert refusal(page.tell("/clips/0/undo")).startswith("There is nothing to take back")
    assert page.get("/course/0/1").status_code == 422
    assert page.get("/course/charts/0").status_code == 422


def test_a_correction_brings_all_that_is_new(page: Client, review: Review) -> None:
    page.tell("/begin")
    shown = page.get("/clips/0").json()["shown"]
    before = value_of(shown, TRA)["value"]
    edge = np.array(review.places[0].opened.analysis.footage.edges[20].deep_px[3])
    known = np.flatnonzero(np.isfinite(edge))[[20, 60, 100]]
    found = page.correct(
        kind="move_edge", frame=20, structure="tra", edge="deep",
        column_px=[shown["columns"][k] for k in known],
        row_px=[float(edge[k]) + 10 for k in known],
    )  # fmt: skip
    now = value_of(found["shown"], TRA)
    assert now["value"] > before + 0.5 and now["status"] == "draft"
    window = next(w for w in found["shown"]["windows"] if w["state"] == "contracted")
    moved = found["outlines"]
    assert (moved["first"], moved["last"]) == (window["first"], window["last"])
    undone = page.tell("/clips/0/undo").json()
    assert value_of(undone["shown"], TRA)["value"] == before


def test_nothing_is_confirmed_unless_it_was_seen(page: Client) -> None:
    page.tell("/begin")
    shown = page.get("/clips/0").json()["shown"]
    keys = [m["key"] for m in shown["measures"] if m["is_measured"] and m["value"] is not None]
    assert {m["status"] for m in shown["measures"]} <= {"draft", "needs_manual"}
    assert "not confirmed yet" in refusal(page.tell("/sign"))
    confirm = {"correction": {"kind": "confirm", "keys": keys}, "why": ""}
    assert refusal(page.tell("/clips/0/corrections", confirm)).startswith("Look at the whole clip")
    page.correct(kind="confirm", keys=[TRA])
    page.tell("/clips/0/seen")
    found = page.correct(kind="confirm", keys=keys)
    assert value_of(found["shown"], TRA)["status"] == "confirmed"
    assert found["day"]["why_not_sign"]["key"] == ""

    # A value that changed is to be confirmed again.
    start, end = (100.0, 120.0), (180.0, 120.0)
    changed = page.correct(
        kind="calliper", frame=20, structure="tra", state="contracted", repeat=1, start=start,
        end=end,
    )  # fmt: skip
    assert value_of(changed["shown"], TRA)["status"] == "draft"
    assert value_of(changed["shown"], TRA)["value"] == pytest.approx(80 * 0.08)
    assert value_of(changed["shown"], "thickness_rest/tra/1/mm")["status"] == "confirmed"
    again = page.correct(kind="confirm", keys=[TRA])
    assert value_of(again["shown"], TRA)["status"] == "corrected"


def sign_all(page: Client) -> None:
    """Confirm all values of the clip and sign the visit."""
    page.tell("/begin")
    page.tell("/clips/0/seen")
    shown = page.get("/clips/0").json()["shown"]
    keys = [m["key"] for m in shown["measures"] if m["is_measured"] and m["value"] is not None]
    page.correct(kind="confirm", keys=keys)
    assert page.tell("/sign").json()["is_signed"]


def test_final_results_that_were_not_written_are_written_when_the_page_opens_again(
    page: Client,
    review: Review,
    drawn: DrawnVisit,
    alike: Alike,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with monkeypatch.context() as killed_right_after_signing:
        killed_right_after_signing.setattr(Review, "write", lambda self: None)
        sign_all(page)
    assert not (tmp_path / "out").exists()
    written = reopened(drawn, tmp_path, alike)
    assert written.name == "visit.html" and written.is_file()
    (clip,) = (path for path in written.parent.iterdir() if path.is_dir())
    before = written.stat().st_mtime_ns
    assert reopened(drawn, tmp_path, alike) == written
    assert written.stat().st_mtime_ns == before
    # What was written in part is written anew; values that are not the signed ones never are.
    (clip / "measures.json").unlink()
    written.write_text("old")
    assert reopened(drawn, tmp_path, alike) == written and written.read_text() != "old"
    (clip / "measures.json").unlink()
    monkeypatch.setattr("layermotion.commands.review.signed_values", lambda places: [])
    assert "no longer the signed ones" in str(reopened(drawn, tmp_path, alike))
    assert not (clip / "measures.json").exists()


def test_final_results_that_cannot_be_replaced_are_said(
    page: Client, review: Review, drawn: DrawnVisit, alike: Alike, tmp_path: Path
) -> None:
    sign_all(page)
    clip = written(review).parent / "left-draw_in-1"
    (clip / "measures.json").unlink()
    # What the file system refuses, as it does in a folder that is only to be read.
    (clip / "series.csv").unlink()
    (clip / "series.csv").mkdir()
    said = str(reopened(drawn, tmp_path, alike))
    assert re.fullmatch(
        r"The final results cannot be written \(.+\); free some space, see to the rights of the "
        r"folder, or start again with another folder by --out\.",
        said,
    )
    assert refuse_in("de", said).startswith("Die endgültigen Ergebnisse sind nicht zu schreiben")


def reopened(drawn: DrawnVisit, folder: Path, alike: Alike) -> Path:
    """Open the visit anew, and give where the final results are, or why they are nowhere."""
    again = make_review(drawn, folder / "record.sqlite", DAY, alike)
    with again.record:
        end_s = time.monotonic() + PATIENCE_S
        while again.is_writing or not (again.finished or again.not_written):
            assert time.monotonic() < end_s
            time.sleep(0.02)
        return Path(again.finished or again.not_written)


def test_nothing_is_confirmed_by_a_page_that_shows_other_values(page: Client) -> None:
    page.tell("/begin")
    page.tell("/clips/0/seen")
    late = page.get("/clips/0").json()["revision"]
    moved = page.correct(kind="move_site", site_px=120.0)
    assert moved["revision"] > late
    confirm = {"correction": {"kind": "confirm", "keys": [TRA]}, "why": ""}
    for path, body in (("/clips/0/corrections", confirm), ("/clips/0/undo", {})):
        said = refusal(page.tell(path, {**body, "revision": late}))
        assert said.startswith("This clip was changed on another page since")
    shown = page.get("/clips/0").json()
    assert value_of(shown["shown"], TRA)["status"] == "draft" and shown["can_undo"]
    answer = page.tell("/clips/0/corrections", {**confirm, "revision": moved["revision"]})
    assert value_of(answer.json()["shown"], TRA)["status"] == "confirmed"
    undone = page.tell("/clips/0/undo", {"revision": answer.json()["revision"]}).json()
    assert undone["revision"] > answer.json()["revision"]


def test_two_pages_of_one_visit_do_not_mix(
    tmp_path: Path, drawn: DrawnVisit, alike: Alike, plain_reports: None
) -> None:
    record = tmp_path / "record.sqlite"
    first, late = (make_review(drawn, record, DAY, alike) for _ in range(2))
    first.begin("P-017", "A. B.", DAY)
    with pytest.raises(InputError, match="was begun on another page"):
        late.begin("P-017", "C. D.", DAY)
    assert late.visit is None
    assert len(first.record.visits(first.record.patient("P-017").patient_id)) == 1
    other = make_review(drawn, record, DAY, alike)
    other.begin("P-017", "C. D.", DAY)
    (mine,), (theirs,) = first.places, other.places
    first.see(mine)
    assert first.visit is not None
    events = first.record.events(first.visit.visit_id)
    site_px = theirs.opened.analysis.site_px
    for change in (
        lambda: other.correct(theirs, MoveSite(130.0), ""),
        lambda: other.see(theirs),
        lambda: other.withdraw("Of another patient.", "C. D."),
    ):
        with pytest.raises(RecordError, match="changed on another page"):
            change()
    assert theirs.opened.analysis.site_px == site_px and not theirs.is_seen
    assert first.record.events(first.visit.visit_id) == events
    # Opened again it knows of all, and the first page is the late one.
    again = make_review(drawn, record, DAY, alike)
    assert again.places[0].is_seen
    again.begin("P-017", "C. D.", DAY)
    again.correct(again.places[0], MoveSite(130.0), "")
    again.correct(again.places[0], Confirm((TRA,)), "")
    with pytest.raises(RecordError, match="changed on another page"):
        first.correct(mine, Confirm((TRA,)), "")
    for one in (first, late, other, again):
        one.record.close()


def begun_of_one(tmp_path: Path, alike: Alike) -> tuple[DrawnVisit, Review]:
    """Draw a visit of one clip, and begin its review."""
    drawn = DrawnVisit(tmp_path / "visit")
    drawn.wall("left_draw_in_1.dcm", 20)
    review = make_review(drawn, tmp_path / "record.sqlite", DAY, alike)
    review.begin("P-017", "A. B.", DAY)
    return drawn, review


def test_a_clip_that_was_not_signed_changes_nothing_of_what_was(
    tmp_path: Path, alike: Alike, plain_reports: None
) -> None:
    drawn, review = begun_of_one(tmp_path, alike)
    confirm_all(review)
    review.sign("A. B.")
    page = written(review)
    assert review.visit is not None and page.parent.name == review.visit.folder_name
    review.record.close()
    files = {path: path.read_bytes() for path in page.parent.rglob("*") if path.is_file()}
    drawn.wall("left_draw_in_2.dcm", 10)
    again = make_review(drawn, tmp_path / "record.sqlite", DAY, alike, left_out=1)
    assert written(again) == page
    assert {p: p.read_bytes() for p in page.parent.rglob("*") if p.is_file()} == files
    signed, new = again.places
    assert (signed.problem, new.stage) == ("", Stage.FAILED)
    assert new.problem == OF_ANOTHER_VISIT.format(day=DAY)
    again.begin_amendment("C. D.")
    again.correct(signed, LeaveOut(1, "probe moved"), "")
    again.correct(signed, TakeIn(1), "")
    confirm_all(again)
    again.amend("The probe did not move.", "C. D.")
    assert {path.name for path in written(again).parent.iterdir() if path.is_dir()} == {
        "left-draw_in-1"
    }
    again.record.close()


def test_clips_of_another_visit_take_no_part(
    tmp_path: Path, alike: Alike, plain_reports: None
) -> None:
    drawn, away = DrawnVisit(tmp_path / "visit"), tmp_path / "left_draw_in_1.dcm"
    drawn.wall("left_draw_in_1.dcm", 20)
    for day in (DAY, DAY + timedelta(days=7)):
        review = make_review(drawn, tmp_path / "record.sqlite", day, alike)
        review.begin("P-017", "A. B.", day)
        review.record.close()
        if day == DAY:
            (drawn.folder / "left_draw_in_1.dcm").rename(away)
            drawn.wall("left_draw_in_2.dcm", 10)
    away.rename(drawn.folder / "left_draw_in_1.dcm")
    both = make_review(drawn, tmp_path / "record.sqlite", DAY, alike, left_out=1)
    assert both.visit is not None and both.visit.day == day
    first, second = both.places
    assert first.problem == OF_ANOTHER_VISIT.format(day=day)
    assert (second.problem, second.stage) == ("", Stage.READY)
    assert [clip.clip_id for clip in both.record.clips(both.visit.visit_id)] == [second.clip_id]
    both.record.close()


def test_what_was_signed_as_left_stays_left_when_the_file_is_renamed(
    tmp_path: Path, alike: Alike, plain_reports: None
) -> None:
    drawn, review = begun_of_one(tmp_path, alike)
    confirm_all(review)
    final: Any = review._finish
    identity = VisitIdentity(Identity(), None, (SEVERAL_DAYS,))
    review._finish = replace(final.__self__, identity=identity).write
    review.sign("A. B.")
    first = written(review)
    assert SEVERAL_DAYS in first.read_text()
    review.record.close()
    (drawn.folder / "left_draw_in_1.dcm").rename(drawn.folder / "right_curl_up_2.dcm")
    again = make_review(drawn, tmp_path / "record.sqlite", DAY, alike)
    assert written(again) == first
    (clip,) = (path for path in first.parent.iterdir() if path.is_dir())
    assert clip.name == "left-draw_in-1", "no final report of another side is written"
    (place,) = again.places
    told = place.summary()
    assert (told["side"], told["task"], told["repeat"]) == ("left", "draw_in", 1)
    assert told["problem"] == SIGNED_OTHERWISE and told["stage"] == "ready"
    again.begin_amendment("C. D.")
    again.correct(place, LeaveOut(1, "probe moved"), "")
    again.correct(place, TakeIn(1), "")
    confirm_all(again)
    again.amend("The probe did not move.", "C. D.")
    stated = written(again).read_text()
    assert "Right" not in stated and "Curl-up" not in stated
    assert again.visit is not None
    assert {v.side for v in again.record.values(again.visit.visit_id)} == {"left"}
    # Withdrawn, the clip is what its name says.
    again.withdraw("Other side.", "C. D.")
    assert (place.listed.side, place.listed.task) == ("right", "curl_up")
    assert place.summary()["problem"] == ""
    end_s = time.monotonic() + PATIENCE_S
    while place.stage is not Stage.READY:
        assert time.monotonic() < end_s
        time.sleep(0.02)
    assert {measure.task for measure in place.opened.analysis.measures} == {"curl_up"}
    again.record.close()


def test_a_signed_visit_is_read_only(page: Client, review: Review) -> None:
    refusal(page.tell("/amend"))
    sign_all(page)
    written(review)
    for path in CHANGES.keys() - {"/withdraw"}:
        answer = page.tell(path)
        if path in STILL:
            assert answer.status_code == 200, path
        else:
            assert "read-only" in refusal(answer), path
    assert [each["text"] for each in page.get("/day").json()["amendments"]] == [
        CHANGES["/amend"]["text"]
    ]
    assert review.visit is not None
    assert len(review.record.values(review.visit.visit_id)) > 8
    course = page.get("/course").json()
    assert len(course["visits"]) == 1 and course["charts"]
    assert page.get("/course/charts/0").text.startswith("<svg xmlns=")


def confirm_all(review: Review) -> None:
    """Look at every clip of the visit, and confirm all that was measured of it."""
    for place in (each for each in review.places if each.stage is Stage.READY):
        review.see(place)
        keys = tuple(m["key"] for m in place.opened.shown()["measures"]
                     if m["is_measured"] and m["value"] is not None)  # fmt: skip
        review.correct(place, Confirm(keys), "")


def written(review: Review) -> Path:
    """Wait for the final results, and give their page."""
    end_s = time.monotonic() + 60
    while review.is_writing:
        assert time.monotonic() < end_s
        time.sleep(0.02)
    return Path(review.finished)


def test_nothing_is_amended_or_withdrawn_while_the_final_report_is_written(
    page: Client, review: Review
) -> None:
    begun, may_end = threading.Event(), threading.Event()
    write = review._finish

    def slowly(review: Review) -> Path:
        begun.set()
        assert may_end.wait(PATIENCE_S)
        return write(review)

    review._finish = slowly
    sign_all(page)
    assert begun.wait(PATIENCE_S)
    try:
        for path in ("/amend/begin", "/amend", "/withdraw"):
            said = refusal(page.tell(path, {"who": "C. D.", "text": "The probe slipped."}))
            assert said == "The final report is still being written; wait a moment."
    finally:
        may_end.set()
    assert written(review).name == "visit.html"
    assert page.tell("/amend/begin", {"who": "C. D."}).json()["is_amending"]


def test_another_page_does_not_begin_the_visit_under_another_code_or_day(page: Client) -> None:
    assert page.tell("/begin").json()["patient"] == "P-017"
    own = CHANGES["/begin"]
    for other in ({"patient": "P-099"}, {"day": "2026-03-01"}):
        said = refusal(page.tell("/begin", {**own, **other, "who": "C. D."}))
        assert said == (
            "These clips are of the visit of 2026-03-02 of P-017 already; if that was wrong, "
            "withdraw the visit under Sign, and begin it again."
        )
        assert "unter Unterschrift zurück" in refuse_in("de", said)
    assert page.get("/day").json()["who"] == "A. B."
    again = page.tell("/begin", {**own, "patient": "p-017", "who": "C. D."}).json()
    assert (again["patient"], again["who"]) == ("P-017", "C. D.")


def test_an_amendment_makes_the_reports_again_beside_those_that_were(
    page: Client, review: Review, drawn: DrawnVisit, alike: Alike
) -> None:
    sign_all(page)
    first = written(review)
    text = first.read_text()
    assert "read-only" in refusal(page.tell("/sign"))
    calliper = {"kind": "calliper", "frame": 20, "structure": "tra", "state": "contracted",
                "repeat": 1, "start": [100.0, 120.0], "end": [180.0, 120.0]}  # fmt: skip
    refusal(page.tell("/clips/0/corrections", {"correction": calliper, "why": ""}))
    assert page.tell("/amend/begin", {"who": "C. D."}).json()["is_amending"]
    was = value_of(page.get("/clips/0").json()["shown"], TRA)["value"]

    # What is dropped leaves no trace.
    page.correct(**calliper)
    assert not page.tell("/amend/drop", {}).json()["is_amending"]
    assert value_of(page.get("/clips/0").json()["shown"], TRA)["value"] == was

    page.tell("/amend/begin", {"who": "C. D."})
    page.correct(**calliper)
    amend = {"who": "C. D.", "text": "The deep edge was hidden."}
    assert "not confirmed yet" in refusal(page.tell("/amend", amend))
    page.correct(kind="confirm", keys=[TRA])
    assert page.tell("/amend", amend).status_code == 200
    second = written(review)
    stated = second.read_text()
    assert second.parent != first.parent and first.read_text() == text
    assert "AMENDED" in stated and "C. D." in stated and "The deep edge was hidden" in stated
    assert f"{was:.2f} to 6.40 mm" in stated and "AMENDED" not in text
    caution = json.loads((second.parent / "left-draw_in-1" / "measures.json").read_text())[
        "caution"
    ]
    assert f"{was:.2f} to 6.40 mm" in caution
    assert review.visit is not None
    held = {v.name + v.structure: v.value for v in review.record.values(review.visit.visit_id)}
    assert held["thickness_contractedtra"] == pytest.approx(6.4)
    refusal(page.tell("/clips/0/corrections", {"correction": calliper, "why": ""}))

    # Opened again, the visit stands as it was amended.
    again = make_review(drawn, review.record.path, DAY, alike)
    assert value_of(again.places[0].opened.shown(), TRA)["value"] == pytest.approx(6.4)
    assert value_of(again.places[0].opened.shown(), TRA)["status"] == "corrected"
    again.record.close()


def test_an_amendment_withdraws_what_is_left_out(
    tmp_path: Path, alike: Alike, plain_reports: None
) -> None:
    drawn = DrawnVisit(tmp_path / "visit")
    for number in (1, 2):
        drawn.wall(f"left_draw_in_{number}.dcm", 20, SeriesNumber=number)
    review = make_review(drawn, tmp_path / "record.sqlite", DAY, alike)
    review.begin("P-017", "A. B.", DAY)
    assert review.visit is not None
    visit_id = review.visit.visit_id
    confirm_all(review)
    review.sign("A. B.")
    written(review)
    before = {value.key for value in review.record.values(visit_id)}
    review.begin_amendment("C. D.")
    first = review.places[0]
    review.correct(first, LeaveOut(1, "probe moved"), "")
    review.amend("The probe slipped.", "C. D.")
    stated = written(review).read_text()
    held = {value.key for value in review.record.values(visit_id)}
    gone = before - held
    assert {key[0] for key in gone} == {first.clip_id}
    assert ("thickness_contracted", "tra", "1", "mm") in {key[1:] for key in gone}
    assert f"left-draw_in-1: {len(gone)} values withdrawn, repeat 1" in stated
    # The trail still has them, and the visit stands without them when it is opened again.
    (signed, amended) = [event for event in review.record.events(visit_id)
                         if event.kind in ("signed", "amendment")]  # fmt: skip
    assert len(signed.payload["values"]) == len(before)
    assert {tuple(key) for key in amended.payload["withdrawn"]} == gone
    again = make_review(drawn, review.record.path, DAY, alike)
    assert not any(m["key"] == TRA for m in again.places[0].opened.shown()["measures"])
    again.record.close()
    review.record.close()


def test_clips_reviewed_under_a_wrong_code_are_reviewed_anew(
    page: Client, review: Review, drawn: DrawnVisit, alike: Alike
) -> None:
    assert "none to withdraw" in refusal(page.tell("/withdraw"))
    automatic = page.get("/clips/0").json()["shown"]
    page.tell("/begin", {**CHANGES["/begin"], "patient": "P-71"})
    page.correct(kind="move_site", site_px=automatic["site_px"] + 9)
    sign_all(page)
    written(review)
    assert review.visit is not None
    wrong = review.visit
    for body in ({"who": " ", "text": "mistake"}, {"who": "A. B.", "text": " "}):
        refusal(page.tell("/withdraw", body))
    assert review.record.values(wrong.visit_id)
    day = page.tell("/withdraw").json()
    assert (day["patient"], day["is_known"], day["is_signed"], day["finished"]) == (
        "", False, False, "",
    )  # fmt: skip
    shown = page.get("/clips/0").json()
    assert (shown["shown"], shown["can_undo"], shown["is_seen"]) == (automatic, False, False)
    # The next visit begins with nothing of it, also where the page was ended before.
    again = make_review(drawn, review.record.path, DAY, alike)
    assert again.visit is None
    again.record.close()
    page.tell("/begin")
    assert review.visit is not None and review.visit.visit_id != wrong.visit_id
    assert [patient.code for patient in review.record.patients()] == ["P-71", "P-017"]
    assert page.get("/course").json()["visits"] == []
    (place,) = review.places
    assert [clip.clip_id for clip in review.record.clips(review.visit.visit_id)] == [place.clip_id]


def test_the_side_of_a_bare_clip_is_chosen(
    tmp_path: Path, alike: Alike, plain_reports: None
) -> None:
    drawn = DrawnVisit(tmp_path / "visit")
    for name in ("left_draw_in_1.dcm", "bare.dcm"):
        drawn.wall(name, 20, SeriesNumber=len(name))
    review = make_review(drawn, tmp_path / "record.sqlite", DAY, alike)
    bare = next(place for place in review.places if place.can_choose_side)
    assert bare.summary()["side"] == "", "nobody said that it shows the midline"
    with pytest.raises(InputError, match="No visit was begun"):
        review.choose_side(bare, Side.LEFT)
    review.begin("P-017", "A. B.", DAY)
    confirm_all(review)
    with pytest.raises(InputError, match="Clips whose side is not stated: 1"):
        review.sign("A. B.")
    named = next(place for place in review.places if place is not bare)
    with pytest.raises(InputError, match="is stated by its name"):
        review.choose_side(named, Side.RIGHT)
    review.choose_side(bare, Side.RIGHT)
    review.withdraw("Of another patient.", "A. B.")
    assert bare.summary()["side"] == "", "it was chosen for the visit that was withdrawn"
    review.begin("P-018", "A. B.", DAY)
    confirm_all(review)
    review.choose_side(bare, Side.RIGHT)
    review.choose_side(bare, Side.LEFT)
    again = make_review(drawn, review.record.path, DAY, alike)
    taken = next(place for place in again.places if place.can_choose_side).summary()
    assert (taken["side"], taken["repeat"]) == ("left", 1)
    again.record.close()
    review.sign("A. B.")
    written(review)
    assert review.visit is not None
    sides = {v.clip_id: v.side for v in review.record.values(review.visit.visit_id)}
    assert sides == {bare.clip_id: "left", named.clip_id: "left"}
    review.record.close()


class Each:
    """Measures every clip by itself."""

    open = staticmethod(Desk.open)


def test_stills_are_reviewed_as_clips_are(tmp_path: Path, plain_reports: None) -> None:
    drawn = DrawnVisit(tmp_path / "visit")
    for name, rows in (("rest.png", 45), ("full.png", 65)):
        drawn.still(name, rows)
    drawn.split("split.png", 45, 65)
    scale = f"{SPACING.row_mm},{SPACING.column_mm}"
    rows = [("rest.png", "left", "rest"), ("full.png", "left", "contracted"),
            ("split.png", "right", "rest+contracted")]  # fmt: skip
    table = [f'{name},draw_in,{side},1,{shows},"{scale}"' for name, side, shows in rows]
    head = "file,task,side,repeat,shows,mm_per_pixel"
    (drawn.folder / "plan.csv").write_text("\n".join([head, *table]) + "\n")
    review = make_review(drawn, tmp_path / "record.sqlite", DAY, Each())
    review.begin("P-017", "A. B.", DAY)
    for place in review.places:
        shown = place.opened.shown()
        assert shown["is_still"] and shown["frames"] == 2
        assert value_of(shown, TRA)["value"] == pytest.approx(65 * SPACING.row_mm, abs=0.1)
        # An edge is dragged in the contracted still: that value follows, and rest stays.
        before = value_of(shown, "thickness_rest/tra/1/mm")["value"]
        edge = np.array(place.opened.analysis.footage.edges[1].deep_px[3])
        known = np.flatnonzero(np.isfinite(edge))[[10, 60, -10]]
        top = place.opened.analysis.clip.area.top
        move = MoveEdge(
            1, Structure.TRA, "deep", tuple(shown["columns"][k] for k in known),
            tuple(float(edge[k]) - top + 10 for k in known),
        )  # fmt: skip
        review.correct(place, move, "")
        shown = place.opened.shown()
        assert value_of(shown, TRA)["value"] == pytest.approx(75 * SPACING.row_mm, abs=0.15)
        assert value_of(shown, "thickness_rest/tra/1/mm")["value"] == before
        assert value_of(shown, "contraction_ratio/tra/1/ratio")["value"] > 1.5
        review.see(place)
        keys = tuple(m["key"] for m in shown["measures"] if m["is_measured"] and m["value"])
        review.correct(place, Confirm(keys), "")
    review.sign("A. B.")
    page = written(review)
    assert page.name == "visit.html" and "FINAL." in page.read_text()
    again = make_review(drawn, review.record.path, DAY, Each())
    for place, other in zip(review.places, again.places, strict=True):
        assert other.opened.shown()["measures"] == place.opened.shown()["measures"]
    again.record.close()
    review.record.close()


def test_a_corrected_frame_goes_to_the_lab_only_with_consent(
    alike: Alike, tmp_path: Path, plain_reports: None
) -> None:
    drawn = DrawnVisit(tmp_path / "visit")
    drawn.wall("left_draw_in_1.dcm", 20, PatientID="4711")
    # The page uses the laboratory as of today, and so does this test.
    made, secret_path = make_lab(tmp_path)
    lab = open_lab(made.root)
    laboratory = Laboratory(lab.root)
    review = make_review(drawn, tmp_path / "record.sqlite", DAY, alike)
    review.begin("P-017", "A. B.", DAY)
    (place,) = review.places
    with pytest.raises(InputError, match="No edge was placed in this frame"):
        review.hand_over(place, 20, laboratory)
    review.correct(place, MoveEdge(20, Structure.TRA, "deep", (60.0, 180.0), (270.0, 270.0)), "")
    with pytest.raises(InputError, match="does not hold this clip; import it"):
        review.hand_over(place, 20, laboratory)
    subject, today = subject_of(lab, "4711"), date.today()
    consent = Consent(subject, BOTH, today - timedelta(days=1), None)
    lab.ledger.record([consent], "nurse 2")
    import_folder(lab, open_secret(lab), drawn.folder, OPTIONS)
    key = review.hand_over(place, 20, laboratory)
    assert key.endswith("-00020")
    label = read_mask(lab.label_path(key)).label
    # The deep edge of the TrA lies where it was placed.
    assert label[266, 120] == 4 and label[271, 120] == 0
    note = read_note(lab, key)
    assert (note.by, note.is_untouched) == ("A. B.", False)
    lab.ledger.withdraw(subject, today, "nurse 2")
    lab.label_path(key).unlink()
    with pytest.raises(InputError, match="no consent of .* holds today"):
        review.hand_over(place, 20, laboratory)
    assert not lab.label_path(key).exists()
    assert review.visit is not None
    kinds = [event.kind for event in review.record.events(review.visit.visit_id)]
    assert kinds.count("handed_over") == 1
    review.record.close()


def test_a_review_goes_on_where_it_was(
    page: Client, review: Review, drawn: DrawnVisit, alike: Alike
) -> None:
    page.tell("/begin")
    page.correct(kind="move_site", site_px=100.0)
    page.correct(kind="move_site", site_px=140.0)
    page.tell("/clips/0/undo")
    page.correct(kind="confirm", keys=[TRA])
    before = page.get("/clips/0").json()["shown"]
    kinds = [event.kind for event in review.record.events(review.visit.visit_id)]  # type: ignore[union-attr]
    assert kinds[-4:] == ["corrected", "corrected", "undone", "corrected"]

    again = make_review(drawn, review.record.path, DAY, alike)
    assert again.code == "P-017" and again.state()["is_known"] and not again.state()["is_begun"]
    assert again.places[0].opened.shown()["measures"] == before["measures"]
    again.record.close()


def test_what_was_confirmed_is_not_taken_for_another_value(
    page: Client, review: Review, drawn: DrawnVisit, tmp_path: Path
) -> None:
    page.tell("/begin")
    page.correct(kind="confirm", keys=[TRA])
    other = DrawnVisit(tmp_path / "other")
    other.wall("left_draw_in_1.dcm", 40)
    elsewhere = Alike()
    make_review(other, tmp_path / "other.sqlite", DAY, elsewhere).record.close()
    again = make_review(drawn, review.record.path, DAY, elsewhere)
    assert again.places[0].problem == CHANGED
    assert value_of(again.places[0].opened.shown(), TRA)["status"] == "draft"
    again.record.close()


def test_a_clip_with_a_caution_comes_before_those_that_need_nothing(
    review: Review, monkeypatch: pytest.MonkeyPatch
) -> None:
    (place,) = review.places
    assert place.cautions == 1
    monkeypatch.setattr(Place, "measured", ())
    plain, warned = replace(place, number=0, desk=None), replace(place, number=1)
    failed = replace(place, number=2, stage=Stage.FAILED, desk=None)
    listed = in_order([plain, warned, failed])
    assert [one.number for one in listed] == [2, 1, 0]
    assert [one.summary()["cautions"] for one in listed] == [0, 1, 0]
