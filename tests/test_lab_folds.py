"""Cross-validation: nobody is judged by weights that saw them, and all are judged together."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from drawing import draw_layers
from lab_data import TODAY, labelled_lab, unlabel
from test_lab_commands import run as command
from tiny import TINY

from layermotion.consent.ledger import Consent, Scope
from layermotion.consent.origins import LEARNT
from layermotion.errors import InputError, WeightsError
from layermotion.lab import folds
from layermotion.lab.builds import Build, Split, open_build
from layermotion.lab.folder import Lab, frame_key
from layermotion.lab.folds import cross_validate, folds_of
from layermotion.lab.making import make_build
from layermotion.lab.mixing import MixedDraw
from layermotion.models.judging import Metric, Score, find_row
from layermotion.network.segmenter import Segmenter, load_segmenter
from layermotion.training.export import export_weights
from layermotion.training.loop import Start, train

PEOPLE = ("11", "12", "13", "14", "15")


def opened(folder: Path) -> tuple[Lab, Build]:
    """Make a laboratory of five subjects, and a build of them."""
    lab, _ = labelled_lab(folder, PEOPLE)
    make_build(lab, "first", 0.2)
    return lab, open_build(lab, "first")


def test_each_subject_is_held_out_once_and_never_trained_on_then(tmp_path: Path) -> None:
    lab, build = opened(tmp_path)
    found = folds_of(lab, build, 3)
    held = [fold.subjects(Split.HELD_OUT) for fold in found]
    assert sorted(len(subjects) for subjects in held) == [1, 2, 2]
    assert sorted(s for subjects in held for s in subjects) == list(build.subjects())
    for fold in found:
        assert not set(fold.subjects(Split.HELD_OUT)) & set(fold.subjects(Split.TRAIN))
        assert fold.subjects() == build.subjects()
        # What is drawn for training is the training split, and a run of another fold is no start.
        draw = MixedDraw(fold, 0.0)
        assert set(draw.subjects) <= set(fold.subjects(Split.TRAIN))
        # Its weights are asked for by what the fold trains on, not by what its build does.
        learnt = lab.register.subjects(draw.origin.fingerprint, LEARNT)
        assert learnt == set(fold.subjects(Split.TRAIN))
    assert len({MixedDraw(fold, 0.5).source for fold in found}) == 3


def test_folds_change_no_split_of_later_builds(tmp_path: Path) -> None:
    lab, build = opened(tmp_path)
    folds_of(lab, build, 3)
    make_build(lab, "second", 0.2)
    assert open_build(lab, "second").frames == build.frames


def test_weights_of_a_fold_are_never_added_and_stop_when_any_of_its_subjects_withdraws(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab, build = opened(tmp_path)
    (gone,) = build.subjects(Split.HELD_OUT)
    step = replace(TINY, steps=1, warmup_steps=1)
    runs = []
    for number, fold in enumerate(folds_of(lab, build, 3), start=1):
        run = tmp_path / f"fold-{number}"
        train(step, run, MixedDraw(fold, 0.0), report=str)
        runs += [run] if gone in fold.subjects(Split.TRAIN) else []
    further = tmp_path / "further"
    train(step, further, draw_layers, report=str, start=Start(str(runs[0])))
    assert lab.register.made_from(gone, LEARNT) == tuple(sorted([*runs, further]))
    for run in (*runs, further):
        assert command("models", "add", run, "local-001", "--models", tmp_path / "models") == 2
        assert "a fold of cross-validation, which gives no weights" in capsys.readouterr().err
    assert not (tmp_path / "models").exists()
    lab.ledger.withdraw(gone, TODAY, "nurse 2")
    for run in runs:
        with pytest.raises(WeightsError, match=f"{gone}, who withdrew"):
            export_weights(run, "fold-001", run)


def test_frames_without_a_label_are_trained_on_in_other_folds_alone(tmp_path: Path) -> None:
    lab, _ = labelled_lab(tmp_path, PEOPLE)
    for place, name in enumerate(lab.clips()):
        for number in range(2 if place == 0 else 1):
            unlabel(lab, frame_key(name, number))
    never = next(iter(lab.clips().values())).subject
    make_build(lab, "first", 0.25)
    build = open_build(lab, "first")
    seen = {f.subject for f in build.unlabelled}
    for fold in folds_of(lab, build, 4):
        held_out = set(fold.subjects(Split.HELD_OUT))
        assert held_out and never not in held_out
        assert {f.subject for f in fold.unlabelled} == seen - held_out


@pytest.mark.parametrize(
    ("scope", "trained", "judged"), [(Scope.TRAINING, 3, 0), (Scope.EVALUATION, 0, 0)]
)
def test_a_consent_to_one_use_is_kept_to(
    scope: Scope, trained: int, judged: int, tmp_path: Path
) -> None:
    lab, build = opened(tmp_path)
    one = build.subjects(Split.TRAIN if scope is Scope.TRAINING else Split.HELD_OUT)[0]
    later = replace(lab, today=date(2024, 6, 3))
    later.ledger.withdraw(one, date(2024, 6, 2), "nurse 2")
    later.ledger.record([Consent(one, (scope,), date(2024, 6, 3), None)], "nurse 2")
    found = folds_of(later, open_build(later, "first"), 3)
    assert sum(one in fold.subjects(Split.TRAIN) for fold in found) == trained
    assert sum(one in fold.subjects(Split.HELD_OUT) for fold in found) == judged


@pytest.mark.parametrize("count", [1, 6])
def test_impossible_folds_are_refused(count: int, tmp_path: Path) -> None:
    lab, build = opened(tmp_path)
    with pytest.raises(InputError, match="holds 5 subjects .* give --folds from 2"):
        folds_of(lab, build, count)


def test_one_picture_under_two_subjects_is_refused(tmp_path: Path) -> None:
    lab, build = opened(tmp_path)
    first, second = (next(f for f in build.frames if f.subject == s) for s in build.subjects()[:2])
    same = build.folder / "images"
    (same / f"{second.key}.png").write_bytes((same / f"{first.key}.png").read_bytes())
    with pytest.raises(InputError, match="The same picture lies in both splits"):
        folds_of(lab, build, 5)


def test_all_folds_are_judged_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lab, build = opened(tmp_path)
    parts = folds_of(lab, build, 5)
    old = load_segmenter()
    learnt: dict[str, int] = {}

    def learn(fold: Build, number: int) -> Segmenter:
        name = f"fold {number}"
        learnt[name] = number
        assert fold is parts[number - 1]
        return replace(old, name=name)

    def score(fold: Build, segmenter: Segmenter) -> tuple[Score, ...]:
        # Weights of a fold are better by the fold's number, on its own held-out frames.
        dice = 0.5 + 0.01 * learnt.get(segmenter.name, 0)
        values = (dice, 1.0, 1.0, 0.0, np.nan, 1.0, 0.0, 1.0)
        return tuple(
            Score(f.key, f.subject, f.scanner, "tra", *values) for f in fold.of(Split.HELD_OUT)
        )

    def benchmark(segmenter: Segmenter, count: int) -> tuple[Score, ...]:
        dice = 0.9 - 0.01 * learnt.get(segmenter.name, 0)
        return tuple(
            Score(f"scene-{k}", f"scene-{k}", "synthetic", "tra", dice, 1.0, 1.0, 0.0, np.nan)
            for k in range(count)
        )

    monkeypatch.setattr(folds, "score_build", score)
    monkeypatch.setattr(folds, "score_synthetic", benchmark)
    judgement = cross_validate(parts, old, learn, scenes=3)
    row = find_row(judgement.held_out, Metric.DICE)
    assert (row.subjects, row.before) == (len(PEOPLE), pytest.approx(0.5))
    assert row.after == pytest.approx(0.5 + 0.01 * np.mean([1, 2, 3, 4, 5]))
    assert row.low > 0
    forgotten = find_row(judgement.synthetic, Metric.DICE)
    assert (forgotten.before, forgotten.after) == (pytest.approx(0.9), pytest.approx(0.87))
    (objection,) = judgement.objections
    assert "the error by Dice grows by 30.0 %" in objection
