"""The whole life of local data: consent, import, labels, build, training, judging, promotion.

Twelve invented subjects are drawn by the generator, in a look that no training picture has. One
never agreed, one withdraws, and some labels have faults.
"""

import json
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest
import torch
from numpy.typing import NDArray

from layermotion.clip.source import SourceOptions
from layermotion.commands.lab_options import SYNTHETIC_SCENES, SYNTHETIC_SHARE
from layermotion.errors import InputError, WeightsError
from layermotion.images import write_png
from layermotion.lab.builds import Split, open_build
from layermotion.lab.checks import Kind
from layermotion.lab.consent import Consent, Scope
from layermotion.lab.folder import Lab, Review, create_lab, frame_key, open_secret
from layermotion.lab.importing import ImportOptions, import_folder
from layermotion.lab.labelling import read_labels, store_labels
from layermotion.lab.making import make_build
from layermotion.lab.review import judge as review
from layermotion.lab.secret import Secret
from layermotion.labels import Task, View
from layermotion.models.judging import Metric, error_growth, find_row, forgetting
from layermotion.models.registry import Registry, judgement_text
from layermotion.network.segmenter import WEIGHTS_FOLDER, read_card, weights_names
from synthetic.clips import draw_clip, render_clip
from synthetic.write import write_dicom

Grey = NDArray[np.uint8]
SUBJECTS, TODAY = 12, date.today()


def strange_look(image: Grey) -> Grey:
    """Show strong echoes dark and weak ones bright, as no training picture does."""
    return np.asarray(255 - image, np.uint8)


def write_subject(path: Path, number: int) -> list[Grey]:
    """Write one subject's clip, and give the true labels of its frames."""
    rng = np.random.default_rng([78, number])
    plan = draw_clip(rng, View.ABDOMINAL_WALL, task=Task.DRAW_IN, frame_rate_hz=1.0)
    frames, labels = [], []
    for screen, label in render_clip(plan):
        shown = screen.copy()
        shown[plan.area.slices] = strange_look(screen[plan.area.slices])
        frames.append(shown)
        labels.append(label)
    path.parent.mkdir(exist_ok=True)
    write_dicom(path, frames, plan, compress=False)
    data = pydicom.dcmread(path)
    data.PatientID, data.PatientName = f"4{number:03d}", "Doe^Jane"
    data.save_as(path)
    return labels


@pytest.fixture(scope="module")
def truth(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[list[Grey]]]:
    """Folder of scans of every subject, and their true labels."""
    folder = tmp_path_factory.mktemp("scans")
    return folder, [write_subject(folder / f"{n}.dcm", n) for n in range(SUBJECTS)]


def consenting_lab(folder: Path, scans: Path) -> tuple[Lab, Secret, list[str]]:
    """Import every subject; the last one never agreed. Accept what was imported."""
    secret_path = folder / "secret"
    secret_path.write_text("5e" * 32)  # the same pseudonyms, and so splits, in every run
    secret_path.chmod(0o600)
    lab = create_lab(folder / "lab", secret_path)
    secret = open_secret(lab, secret_path)
    subjects = [secret.pseudonym(f"4{number:03d}") for number in range(SUBJECTS)]
    agreed = [Consent(s, tuple(Scope), date(2024, 1, 1), None) for s in subjects[:-1]]
    lab.ledger.record(agreed, "nurse 2")
    options = ImportOptions("clinic-a", None, SourceOptions(view=View.ABDOMINAL_WALL))
    report = import_folder(lab, secret, scans, options, TODAY)
    assert report.refused == (subjects[-1],) and report.failed == ()
    assert len(report.imported) == SUBJECTS - 1
    review(lab, tuple(lab.clips()), Review.ACCEPTED)
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


def labelled(folder: Path, truth: tuple[Path, list[list[Grey]]]) -> tuple[Lab, Secret, list[str]]:
    """Make the laboratory up to its labels; every fault is caught."""
    scans, labels = truth
    lab, secret, subjects = consenting_lab(folder, scans)
    made = write_labels(lab, folder / "labels", dict(zip(subjects, labels, strict=True)))
    frames = read_labels(lab, folder / "labels", None)
    report = store_labels(lab, frames)
    assert made <= {fault.kind for fault in report.faults}
    spoilt = {fault.key for fault in report.faults}
    assert {path.stem for path in sorted((folder / "labels").iterdir())[:2]} <= spoilt
    assert len(report.sound) > 0.8 * len(frames)
    return lab, secret, subjects


@pytest.mark.slow
def test_consent_rules_what_a_build_holds(
    tmp_path: Path, truth: tuple[Path, list[list[Grey]]]
) -> None:
    lab, _, subjects = labelled(tmp_path, truth)
    first = make_build(lab, "first", 1 / 3, (), TODAY).build
    assert set(first.subjects()) == set(subjects[:-1])
    lab.ledger.withdraw(subjects[0], TODAY, "nurse 2")
    second = make_build(lab, "second", 1 / 3, (), TODAY)
    assert second.without_consent == (subjects[0],)
    assert set(second.build.subjects()) == set(subjects[1:-1])
    with pytest.raises(InputError, match="no longer covers it"):
        open_build(lab, "first", TODAY)
    assert open_build(lab, "second", TODAY) == second.build


@pytest.mark.slow
def test_training_on_a_build_helps_its_subjects_forgets_little_and_is_promoted(
    tmp_path: Path, truth: tuple[Path, list[list[Grey]]], capsys: pytest.CaptureFixture[str]
) -> None:
    from layermotion.lab.builds import builds_with
    from layermotion.lab.scoring import judge_weights
    from layermotion.lab.tuning import fine_tune
    from layermotion.training.composing import load_settings
    from layermotion.training.export import export_weights

    lab, _, subjects = labelled(tmp_path, truth)
    build = make_build(lab, "spring", 1 / 3, (), TODAY).build
    registry, shipped = Registry(tmp_path / "models"), weights_names()[-1]
    card = read_card(shipped, WEIGHTS_FOLDER)
    # Those of ``layermotion lab train``, with no processes beside this one.
    settings = load_settings("fine-tune", ["workers=0", "tracking=csv"])
    threads = torch.get_num_threads()
    torch.set_num_threads(1)  # other tests may run beside this one
    try:
        result = fine_tune(
            lab, "spring", registry, settings, SYNTHETIC_SHARE, tmp_path / "run", TODAY, report=str
        )
    finally:
        torch.set_num_threads(threads)
    assert result.is_finished
    export_weights(tmp_path / "run", "local-001", registry.folder)
    judged = judge_weights(registry, build, shipped, "local-001", SYNTHETIC_SCENES)
    with capsys.disabled():
        print(f"\n{judgement_text(judged)}")
    assert set(build.subjects(Split.HELD_OUT)) & set(build.subjects(Split.TRAIN)) == set()
    assert error_growth(find_row(judged.judgement.held_out, Metric.DICE)) < -1 / 3
    assert forgetting(judged.judgement.synthetic) < 0.05
    assert judged.judgement.objections == ()
    with pytest.raises(WeightsError, match="is not known"):
        registry.promote("local-001", "dev 1")
    path = registry.folder / "local-001.json"
    entries = json.loads(path.read_text())
    entries["errors_px"] = card["errors_px"]  # as scripts/evaluate.py --write would store
    path.write_text(json.dumps(entries))
    registry.promote("local-001", "dev 1")
    assert registry.in_use() == "local-001"
    assert registry.roll_back("dev 1") == shipped
    held = builds_with(lab, subjects[1])
    assert registry.trained_on(set(held.values())) == ("local-001",)
