"""The whole life of local data: consent, import, labels, build, training, judging, promotion.

A few invented subjects are drawn by the generator. One never agreed, one withdraws, and some labels
have faults. Training is of a few steps: what it is good for is shown by ``scripts/adapt.py``.
"""

import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest
from numpy.typing import NDArray

from layermotion.cli import main
from layermotion.clip.source import SourceOptions
from layermotion.consent.ledger import Consent, Scope
from layermotion.errors import InputError, WeightsError
from layermotion.images import write_png
from layermotion.lab import tuning
from layermotion.lab.builds import Split, load_build, open_build
from layermotion.lab.checks import Kind
from layermotion.lab.folder import Lab, Review, create_lab, frame_key, open_lab, open_secret
from layermotion.lab.importing import ImportOptions, import_folder
from layermotion.lab.labelling import read_labels, store_labels
from layermotion.lab.making import make_build
from layermotion.lab.persons import Person
from layermotion.lab.review import record_review
from layermotion.lab.secret import Secret
from layermotion.labels import Task, View
from layermotion.models.judging import Metric, find_row
from layermotion.models.registry import Registry
from layermotion.network.segmenter import WEIGHTS_FOLDER, read_card, weights_names
from layermotion_synthetic.clips import draw_clip, render_clip
from layermotion_synthetic.write import write_dicom

pytestmark = pytest.mark.slow

Grey = NDArray[np.uint8]
SUBJECTS, TODAY = 7, date.today()
HELD_OUT_SHARE, SCENES = 1 / 3, 3


def write_subject(path: Path, number: int) -> list[Grey]:
    """Write one subject's clip, and give the true labels of its frames."""
    plan = draw_clip(
        np.random.default_rng([78, number]),
        View.ABDOMINAL_WALL,
        task=Task.DRAW_IN,
        screen_px=(240, 320),
        frame_rate_hz=1.0,
    )
    frames, labels = map(list, zip(*render_clip(plan), strict=True))
    path.parent.mkdir(exist_ok=True)
    write_dicom(path, frames, plan, compress=False)
    data = pydicom.dcmread(path)
    data.PatientID, data.PatientName = f"4{number:03d}", "Doe^Jane"
    data.save_as(path)
    return labels


def consenting_lab(folder: Path, scans: Path) -> tuple[Lab, Secret, list[str]]:
    """Import every subject; the last one never agreed. Accept what was imported."""
    secret_path = folder / "secret"
    secret_path.write_text("5e" * 32)  # the same pseudonyms, and so splits, in every run
    secret_path.chmod(0o600)
    lab = create_lab(folder / "lab", secret_path)
    secret = open_secret(lab, secret_path)
    persons = [Person(f"4{number:03d}", "clinic-a") for number in range(SUBJECTS)]
    subjects = [person.pseudonym(secret) for person in persons]
    agreed = [Consent(s, tuple(Scope), date(2024, 1, 1), None) for s in subjects[:-1]]
    lab.ledger.record(agreed, "nurse 2")
    options = ImportOptions("clinic-a", None, SourceOptions(view=View.ABDOMINAL_WALL))
    report = import_folder(lab, secret, scans, options)
    assert report.refused == (subjects[-1],) and report.failed == ()
    assert len(report.imported) == SUBJECTS - 1
    record_review(lab, tuple(lab.clips()), Review.ACCEPTED)
    return lab, secret, subjects


def write_labels(lab: Lab, out: Path, by_subject: dict[str, list[Grey]]) -> set[Kind]:
    """Write every second frame's label, two of them with a fault; give the faults made."""
    for name, record in lab.clips().items():
        for number in range(0, record.frames, 2):
            label = by_subject[record.subject][number]
            write_png(out / f"{frame_key(name, number)}.png", label)
    first, second, *_ = sorted(out.iterdir())
    for path, spoil in ((first, swap_layers), (second, cut_hole)):
        label = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        assert label is not None
        write_png(path, spoil(np.asarray(label, np.uint8)))
    return {Kind.ORDER, Kind.HOLE}


def swap_layers(label: Grey) -> Grey:
    """Call fat TrA and TrA fat."""
    return np.asarray(np.array([0, 4, 2, 3, 1, 5], np.uint8)[label])


def cut_hole(label: Grey) -> Grey:
    """Leave a hole in the thickest part of the fat."""
    inside = cv2.distanceTransform((label == 1).astype(np.uint8), cv2.DIST_L2, 5)
    row, column = np.unravel_index(int(inside.argmax()), inside.shape)
    cut = label.copy()
    cut[row - 2 : row + 3, column - 2 : column + 3] = 0
    return cut


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """Folder of a laboratory up to its labels, whose every fault was caught, and its subjects."""
    folder = tmp_path_factory.mktemp("life")
    labels = [write_subject(folder / "scans" / f"{n}.dcm", n) for n in range(SUBJECTS)]
    lab, secret, subjects = consenting_lab(folder, folder / "scans")
    made = write_labels(lab, folder / "labels", dict(zip(subjects, labels, strict=True)))
    frames = read_labels(lab, folder / "labels", None)
    report = store_labels(lab, frames, "nurse 2")
    assert made <= {fault.kind for fault in report.faults}
    spoilt = {fault.key for fault in report.faults}
    assert {path.stem for path in sorted((folder / "labels").iterdir())[:2]} <= spoilt
    assert len(report.sound) > 0.8 * len(frames)
    return lab.root, subjects


@pytest.fixture
def labelled(tmp_path: Path, template: tuple[Path, list[str]]) -> tuple[Lab, list[str]]:
    """Copy the labelled laboratory; give it with its subjects."""
    root, subjects = template
    return open_lab(shutil.copytree(root, tmp_path / "lab")), subjects


def test_consent_rules_what_a_build_holds(labelled: tuple[Lab, list[str]]) -> None:
    lab, subjects = labelled
    first = make_build(lab, "first", HELD_OUT_SHARE, ()).build
    assert set(first.subjects()) == set(subjects[:-1])
    lab.ledger.withdraw(subjects[0], TODAY, "nurse 2")
    second = make_build(lab, "second", HELD_OUT_SHARE, ())
    assert second.without_consent == (subjects[0],)
    assert set(second.build.subjects()) == set(subjects[1:-1])
    with pytest.raises(InputError, match="no longer covers it"):
        open_build(lab, "first")
    assert open_build(lab, "second") == second.build


def test_weights_are_trained_exported_judged_promoted_and_rolled_back(
    tmp_path: Path, labelled: tuple[Lab, list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    from layermotion.evaluation import clips
    from layermotion.training import quantise, tracking
    from layermotion.training.export import export_weights

    monkeypatch.setattr(tuning, "CHOOSING_PICTURES", 2)
    monkeypatch.setattr(quantise, "SHOWN", 8)
    monkeypatch.setattr(quantise, "CHECKED", 4)
    monkeypatch.setattr(clips, "calibrate", calibrate)
    lab, _ = labelled
    registry, shipped = Registry(tmp_path / "models"), weights_names()[-1]

    def learn() -> None:
        # The settings of ``layermotion lab train``, but few and small steps in this process alone.
        small = ("steps=3", "warmup_steps=1", "batch_size=2", "size_px=64", "validation_examples=2")
        words = ["--held-out", HELD_OUT_SHARE, "--scenes", SCENES, "--models", registry.folder]
        command = ["lab", "learn", lab.root, "spring", *words, "workers=0", "tracking=csv", *small]
        with pytest.raises(SystemExit) as ended:
            main([str(word) for word in command])
        assert ended.value.code == 0

    learn()
    build, run = load_build(lab.root / "builds" / "spring"), lab.root / "runs" / "spring"
    assert set(build.subjects(Split.HELD_OUT)) & set(build.subjects(Split.TRAIN)) == set()
    assert [row.step for row in tracking.read(run) if row.name == "kept_share"] == [3]
    files = {path: path.stat().st_mtime_ns for path in registry.folder.rglob("*.*")}
    learn()  # what is done already is not done again
    assert {path: path.stat().st_mtime_ns for path in registry.folder.rglob("*.*")} == files
    judged = registry.judged(registry.card_sum(shipped), registry.card_sum("local-001"))
    assert judged is not None
    card = registry.folder / "local-001.json"
    sound = card.read_text()
    card.write_text(json.dumps(json.loads(sound) | {"errors_px": {}}))
    with pytest.raises(WeightsError, match="error of the weights local-001 is not known"):
        registry.promote("local-001", "dev 1")
    card.write_text(sound)
    own = find_row(judged.judgement.held_out, Metric.DICE)
    assert own.subjects == len(build.subjects(Split.HELD_OUT)) and 0 < own.after < own.before < 1
    assert find_row(judged.judgement.synthetic, Metric.DICE).subjects == SCENES
    # A network that sees 64 rows is worse than one that sees 320.
    assert judged.judgement.objections
    with pytest.raises(WeightsError, match="local-001 is not promoted: on the held-out subjects"):
        registry.promote("local-001", "dev 1")
    assert registry.in_use() == shipped
    registry.store(replace(judged, judgement=replace(judged.judgement, objections=())))
    registry.promote("local-001", "dev 1")
    assert registry.in_use() == "local-001"
    assert registry.roll_back("dev 1") == shipped == registry.in_use()
    registry.promote("local-001", "dev 1")
    gone = build.subjects(Split.TRAIN)[0]
    # Who withdraws learns which runs and weights have seen the pictures, and none is used any more.
    paths = {run, registry.folder / "local-001.onnx"}
    assert set(lab.register.made_from(gone, "train")) == {path.resolve() for path in paths}
    lab.ledger.withdraw(gone, TODAY, "nurse 2")
    for use in (registry.load, registry.checked):
        with pytest.raises(WeightsError, match=f"local-001 cannot be used.*{gone}, who withdrew"):
            use("local-001")
    assert registry.roll_back("dev 1") == shipped
    with pytest.raises(WeightsError, match="local-001 cannot be used"):
        registry.promote("local-001", "dev 1")
    with pytest.raises(WeightsError, match="spring cannot be used"):
        export_weights(run, "local-002", registry.folder)
    listed = {model.name: model.problem for model in registry.models()}
    assert "who withdrew" in listed["local-001"] and listed[shipped] == ""


def calibrate(folder: Path, name: str, numbers: Sequence[int], done: Callable[[int], None]) -> None:
    """Store the errors of the shipped weights, where the real one measures for minutes."""
    from layermotion.evaluation import clips

    path = folder / f"{name}.json"
    card = json.loads(path.read_text())
    assert card["errors_px"] == {}
    assert list(numbers) == clips.calibration_numbers(clips.CALIBRATION_CLIPS)
    card["errors_px"] = read_card(weights_names()[-1], WEIGHTS_FOLDER)["errors_px"]
    path.write_text(json.dumps(card))
    done(len(numbers))
