"""Builds: frozen, fingerprinted, split by subject, without leaks, and emptied by a withdrawal."""

import json
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pytest
from lab_data import (
    AREA,
    BOTH,
    OPTIONS,
    TODAY,
    agree,
    import_subjects,
    label_everything,
    labelled_lab,
    make_lab,
    speckled_frames,
    store_label,
    subject_of,
    unlabel,
    wall_label,
    write_scan,
)

from layermotion.consent.ledger import Consent, Scope
from layermotion.consent.origins import check_weights
from layermotion.errors import InputError, WeightsError
from layermotion.images import write_png
from layermotion.lab.builds import Build, Split, load_build, open_build
from layermotion.lab.erasing import erase
from layermotion.lab.folder import Lab, Review, frame_key, open_secret
from layermotion.lab.importing import import_folder
from layermotion.lab.making import make_build
from layermotion.lab.review import record_review

SIX = ("101", "102", "103", "104", "105", "106")


def test_a_build_splits_by_subject_and_freezes_content(tmp_path: Path) -> None:
    lab, _ = labelled_lab(tmp_path, SIX)
    build = make_build(lab, "first", 1 / 3, ()).build
    train, held_out = build.subjects(Split.TRAIN), build.subjects(Split.HELD_OUT)
    assert (len(train), len(held_out)) == (4, 2) and not set(train) & set(held_out)
    assert len(build.frames) == 12
    frame = build.frames[0]
    image, label = build.image(frame), build.label(frame)
    np.testing.assert_array_equal(label, wall_label()[AREA.slices])
    assert image.shape == label.shape and (frame.row_mm, frame.column_mm) == (0.2, 0.25)
    assert open_build(lab, "first") == build
    again = make_build(lab, "second", 1 / 3, ()).build
    assert again.fingerprint == build.fingerprint
    with pytest.raises(InputError, match="already"):
        make_build(lab, "first", 1 / 3, ())
    with pytest.raises(InputError, match="cannot name a build"):
        make_build(lab, "../x", 1 / 3, ())
    assert sorted(path.name for path in (lab.root / "builds").iterdir()) == ["first", "second"]


def change_label(build: Build) -> None:
    """Paint one pixel of one label."""
    path = build.folder / "labels" / f"{build.frames[0].key}.png"
    label = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    assert label is not None
    label[0, 0] = 1
    cv2.imwrite(str(path), label)


def move_subject(build: Build) -> None:
    """Move one frame into the other split."""
    path = build.folder / "build.json"
    content = json.loads(path.read_text())
    first = content["frames"][0]
    first["split"] = {"train": "held_out", "held_out": "train"}[first["split"]]
    path.write_text(json.dumps(content))


@pytest.mark.parametrize(("change", "sentence"), [
    (change_label, "was changed or removed"), (move_subject, "list of frames")])  # fmt: skip
def test_a_changed_build_is_refused(tmp_path: Path, change: object, sentence: str) -> None:
    lab, _ = labelled_lab(tmp_path, SIX[:3])
    build = make_build(lab, "first", 1 / 3, ()).build
    assert callable(change)
    change(build)
    with pytest.raises(InputError, match=sentence):
        load_build(build.folder)


def test_withdrawal_leaves_the_next_build_and_stops_the_old_one(tmp_path: Path) -> None:
    lab, _ = labelled_lab(tmp_path, SIX)
    first = make_build(lab, "first", 1 / 3, ()).build
    gone = first.subjects(Split.TRAIN)[0]
    lab.ledger.withdraw(gone, TODAY, "nurse 2")
    assert lab.register.builds_with(gone) == {"first": first.fingerprint}
    with pytest.raises(InputError, match=f"holds {gone}, whose consent no longer"):
        open_build(lab, "first")
    report = make_build(lab, "second", 1 / 3, ())
    assert report.without_consent == (gone,)
    assert set(report.build.subjects()) == set(first.subjects()) - {gone}
    assert report.build.fingerprint != first.fingerprint
    assert lab.register.builds_with(gone) == {"first": first.fingerprint}
    with pytest.raises(InputError, match="holds"):
        open_build(replace(lab, today=date(2025, 1, 1)), "second")


def test_subjects_keep_their_split_when_others_come(tmp_path: Path) -> None:
    lab, secret_path = labelled_lab(tmp_path, SIX[:3])
    first = make_build(lab, "first", 1 / 3, ()).build
    more = ("107", "108", "109")
    agree(lab, secret_path, *more, site="clinic-b")
    import_subjects(lab, secret_path, tmp_path / "more", more, "clinic-b")
    label_everything(lab)
    second = make_build(lab, "second", 1 / 3, ("clinic-b",)).build
    for split in Split:
        assert set(first.subjects(split)) <= set(second.subjects(split))
    held_sites = {f.site for f in second.of(Split.HELD_OUT)}
    assert held_sites == {"clinic-a", "clinic-b"}
    assert {f.site for f in second.of(Split.TRAIN)} == {"clinic-a"}
    with pytest.raises(InputError, match="cannot be held out"):
        make_build(lab, "third", 1 / 3, ("clinic-a",))
    with pytest.raises(InputError, match="No usable frame is from the site"):
        make_build(lab, "third", 1 / 3, ("clinic-z",))


def test_consent_for_one_scope_decides_the_split(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    for identifier, scopes in zip(SIX[:3], (BOTH[:1], BOTH[1:], BOTH), strict=True):
        consent = Consent(subject_of(lab, identifier), scopes, date(2024, 1, 1), None)
        lab.ledger.record([consent], "nurse 2")
    import_subjects(lab, secret_path, tmp_path / "scans", SIX[:3], "clinic-a")
    label_everything(lab)
    build = make_build(lab, "first", 1 / 3, ()).build
    assert subject_of(lab, "101") in build.subjects(Split.TRAIN)
    assert build.subjects(Split.HELD_OUT) == (subject_of(lab, "102"),)
    lab.ledger.withdraw(subject_of(lab, "103"), TODAY, "nurse 2")
    changed = Consent(subject_of(lab, "103"), (Scope.EVALUATION,), date(2024, 6, 2), None)
    lab.ledger.record([changed], "nurse 2")
    lab = replace(lab, today=date(2024, 6, 2))
    with pytest.raises(InputError, match="no longer covers the split train"):
        make_build(lab, "second", 1 / 3, ())


def test_frames_that_may_not_be_used_are_counted(tmp_path: Path) -> None:
    lab, _ = labelled_lab(tmp_path, SIX)
    first, second, *_ = lab.clips()
    record_review(lab, (first,), Review.REJECTED)
    spoilt = wall_label()
    spoilt[92:100, 150:156] = 0
    cv2.imwrite(str(lab.label_path(f"{second}-00001")), spoilt)
    # What a killed command leaves is no file of the laboratory.
    for left in (f"labels/.{second}-00000-abc.png", f"clips/.{second}-abc.json"):
        (lab.root / left).write_bytes(b"half")
    report = make_build(lab, "first", 1 / 3, ())
    assert report.left_out == {"review rejected": 2, "hole": 1}
    used = [frame.key for split in Split for frame in report.build.of(split)]
    assert len(used) == 9 and f"{second}-00001" not in used
    record_review(lab, tuple(lab.clips()), Review.PENDING)
    with pytest.raises(InputError, match="No labelled frame is left for the split train"):
        make_build(lab, "second", 1 / 3, ())


def test_untouched_proposals_are_no_labels_unless_asked_for(tmp_path: Path) -> None:
    lab, _ = labelled_lab(tmp_path, SIX[:3])
    untouched = sorted(path.stem for path in lab.root.glob("labels/*.png"))[:2]
    for key in untouched:
        unlabel(lab, key)
        write_png(lab.proposal_path(key), wall_label())
        store_label(lab, key, wall_label())
    report = make_build(lab, "first", 1 / 3)
    assert report.left_out == {"untouched proposal": 2}
    labelled = {frame.key for split in Split for frame in report.build.of(split)}
    assert len(labelled) == 4 and not labelled & set(untouched)
    asked = make_build(lab, "second", 1 / 3, use_untouched=True)
    assert asked.left_out == {} and sum(len(asked.build.of(split)) for split in Split) == 6


def test_one_picture_under_two_subjects_is_a_leak(tmp_path: Path) -> None:
    lab, secret_path = labelled_lab(tmp_path, SIX[:3])
    agree(lab, secret_path, "999")
    frames = speckled_frames(101)
    brighter = np.clip(frames.astype(float) * 1.1, 0, 255).astype(np.uint8)
    write_scan(tmp_path / "again" / "a.dcm", "999", brighter)
    shutil.rmtree(lab.root / "prints")  # by which the import would tell the copy
    import_folder(lab, open_secret(lab, secret_path), tmp_path / "again", OPTIONS)
    label_everything(lab)
    twin, original = subject_of(lab, "999"), subject_of(lab, "101")
    refused = 0
    for held in range(1, 4):  # some number of held-out subjects parts the two
        own = Lab(shutil.copytree(lab.root, tmp_path / f"lab-{held}"), lab.today)
        try:
            build = make_build(own, "first", held / 4).build
        except InputError as error:
            assert "The same picture lies in both splits" in str(error)
            refused += 1
        else:
            held_out = set(build.subjects(Split.HELD_OUT))
            assert (twin in held_out) == (original in held_out)
    assert refused > 0


def add_unlabelled(
    lab: Lab, secret_path: Path, folder: Path, scopes: dict[str, tuple[Scope, ...]], site: str
) -> None:
    """Bring accepted clips of more subjects, with their consents and without a label."""
    for identifier, agreed in scopes.items():
        subject = subject_of(lab, identifier, site)
        lab.ledger.record([Consent(subject, agreed, date(2024, 1, 1), None)], "nurse 2")
    import_subjects(lab, secret_path, folder, tuple(scopes), site)
    record_review(lab, tuple(lab.clips()), Review.ACCEPTED)


def test_frames_without_a_label_are_of_who_may_be_trained_on(tmp_path: Path) -> None:
    lab, secret_path = labelled_lab(tmp_path, SIX[:3])
    for name in lab.clips():  # each of these has one frame left with a label
        unlabel(lab, frame_key(name, 1))
    more = dict.fromkeys(("104", "105", "106", "107"), BOTH) | {
        "108": BOTH[:1], "109": BOTH[1:], "110": BOTH, "111": BOTH[:1], "112": BOTH[:1]
    }  # fmt: skip
    add_unlabelled(lab, secret_path, tmp_path / "more", more, "clinic-a")
    gone, rejected, trained = (subject_of(lab, who) for who in ("111", "112", "108"))
    lab.ledger.withdraw(gone, TODAY, "nurse 2")
    record_review(
        lab, [n for n, r in lab.clips().items() if r.subject == rejected], Review.REJECTED
    )
    build = make_build(lab, "first", 1 / 3).build
    (held_out,), labelled = build.subjects(Split.HELD_OUT), build.subjects(Split.TRAIN)
    assert len(labelled) == 2
    # Of the six without a label that may be trained on, a third stays out to be held out later.
    able = sorted(subject_of(lab, who) for who in ("104", "105", "106", "107", "110"))
    assert {f.subject for f in build.unlabelled} == {*labelled, *able[2:], trained}
    assert held_out not in {f.subject for f in build.unlabelled}
    for frame in build.unlabelled:
        assert frame.split is Split.TRAIN and frame.label_sha256 is None
        assert (build.folder / "images" / f"{frame.key}.png").is_file()
        assert not (build.folder / "labels" / f"{frame.key}.png").exists()
    assert {f.key[-1] for f in build.unlabelled if f.subject in labelled} == {"1"}
    assert load_build(build.folder) == open_build(lab, "first") == build

    # A withdrawal of somebody who was never labelled stops what learnt from the pictures.
    origin, run = lab.origin(build.fingerprint), tmp_path / "run"
    lab.register.note_made(run, [build.fingerprint])
    check_weights("The weights", [origin], TODAY)
    lab.ledger.withdraw(trained, TODAY, "nurse 2")
    with pytest.raises(WeightsError, match=f"{trained}, who withdrew"):
        check_weights("The weights", [origin], TODAY)
    with pytest.raises(InputError, match=f"holds {trained}, whose consent no longer"):
        open_build(lab, "first")
    second = make_build(lab, "second", 1 / 3).build
    assert set(second.subjects()) == set(build.subjects()) - {trained}
    receipt, _ = erase(lab, trained, "nurse 2")
    assert receipt.weights == (str(run),)
    assert [path.name for path in (lab.root / "builds").iterdir()] == ["second"]


def test_who_was_held_out_is_never_trained_on_without_a_label(tmp_path: Path) -> None:
    lab, secret_path = labelled_lab(tmp_path, SIX[:3])
    first = make_build(lab, "first", 1 / 3).build
    (held_out,) = first.subjects(Split.HELD_OUT)
    for name, record in lab.clips().items():
        if record.subject == held_out:
            for number in range(record.frames):
                unlabel(lab, frame_key(name, number))
    others = dict.fromkeys(("104", "105"), BOTH)
    add_unlabelled(lab, secret_path, tmp_path / "more", others, "clinic-a")
    for name, record in lab.clips().items():
        if record.subject == subject_of(lab, "104"):
            store_label(lab, frame_key(name, 0), wall_label())
    second = make_build(lab, "second", 1 / 3).build
    assert second.subjects(Split.HELD_OUT) == (subject_of(lab, "104"),)
    assert subject_of(lab, "105") in {f.subject for f in second.unlabelled}
    assert held_out not in second.subjects()
    # Nor under a consent that would allow it by now.
    lab.ledger.withdraw(held_out, TODAY, "nurse 2")
    changed = Consent(held_out, (Scope.TRAINING,), date(2024, 6, 2), None)
    lab.ledger.record([changed], "nurse 2")
    third = make_build(replace(lab, today=date(2024, 6, 2)), "third", 1 / 3).build
    assert third.fingerprint == second.fingerprint


def test_a_site_is_held_out_whole_or_refused(tmp_path: Path) -> None:
    lab, secret_path = labelled_lab(tmp_path, SIX[:3])
    there = dict.fromkeys(("201", "202"), BOTH)
    add_unlabelled(lab, secret_path, tmp_path / "more", there, "clinic-b")
    later = Lab(shutil.copytree(lab.root, tmp_path / "later"), lab.today)
    for own in (lab, later):
        name = next(
            n for n, r in own.clips().items() if r.subject == subject_of(own, "201", "clinic-b")
        )
        if own is later:
            assert {f.site for f in make_build(own, "first", 1 / 3).build.unlabelled} == {
                "clinic-b"
            }
        store_label(own, frame_key(name, 0), wall_label())
    build = make_build(lab, "first", 1 / 3, ("clinic-b",)).build
    assert build.unlabelled == ()
    with pytest.raises(InputError, match="clinic-b cannot be held out: an earlier build trained"):
        make_build(later, "second", 1 / 3, ("clinic-b",))


def test_a_picture_without_a_label_that_is_also_held_out_is_a_leak(tmp_path: Path) -> None:
    lab, secret_path = labelled_lab(tmp_path, SIX[:3])
    (held_out,) = make_build(lab, "first", 1 / 3).build.subjects(Split.HELD_OUT)
    original = next(who for who in SIX if subject_of(lab, who) == held_out)
    twin = Consent(subject_of(lab, "999"), BOTH[:1], date(2024, 1, 1), None)
    lab.ledger.record([twin], "nurse 2")
    brighter = np.clip(speckled_frames(int(original)).astype(float) * 1.1, 0, 255).astype(np.uint8)
    write_scan(tmp_path / "again" / "a.dcm", "999", brighter)
    shutil.rmtree(lab.root / "prints")  # by which the import would tell the copy
    import_folder(lab, open_secret(lab, secret_path), tmp_path / "again", OPTIONS)
    record_review(lab, tuple(lab.clips()), Review.ACCEPTED)
    with pytest.raises(InputError, match="The same picture lies in both splits"):
        make_build(lab, "second", 1 / 3)
    assert not (lab.root / "builds" / "second").exists()
