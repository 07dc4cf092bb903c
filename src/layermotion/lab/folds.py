"""Owns cross-validation: each subject judged by weights that never saw it, where subjects are few.

What is judged is the way of training on a build. No weights for use come from it.
"""

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from layermotion.consent.ledger import Scope
from layermotion.consent.origins import LEARNT
from layermotion.consent.register import fold_name
from layermotion.errors import InputError
from layermotion.lab.builds import Build, Split, fingerprint_of
from layermotion.lab.folder import Lab
from layermotion.lab.leakage import find_leaks
from layermotion.lab.making import leak_sentence
from layermotion.lab.scoring import score_build, score_synthetic
from layermotion.models.judging import Judgement, Score, judge
from layermotion.network.segmenter import Segmenter

FEWEST_FOLDS = 2

Learn = Callable[[Build, int], Segmenter]


def folds_of(lab: Lab, build: Build, count: int) -> tuple[Build, ...]:
    """Give the build with other splits, and keep in the register whom each fold trains on.

    A fold's subjects are held out, the others trained on; subjects of a site are spread over the
    folds. Who agreed to training alone is trained on in
    every fold, as is who has no label, and who agreed to evaluation alone takes no part.

    Parameters
    ----------
    build
        An opened build.
    count
        Number of folds.

    Raises
    ------
    InputError
        If there are fewer subjects than folds, or one picture has two subjects.
    """
    consents = lab.consents()
    able = [f for f in build.frames if Scope.TRAINING in consents[f.subject]]
    labelled = [f for f in able if f.label_sha256]
    turns = sorted(
        {(f.site, f.subject) for f in labelled if Scope.EVALUATION in consents[f.subject]}
    )
    if not FEWEST_FOLDS <= count <= len(turns):
        raise InputError(
            f"The build {build.name} holds {len(turns)} subjects that agreed to training and to "
            f"evaluation, so {count} folds are not possible; give --folds from {FEWEST_FOLDS} to "
            f"the number of subjects."
        )
    fold_of = {subject: place % count for place, (_, subject) in enumerate(turns)}
    folds = []
    for k in range(count):
        splits = (Split.HELD_OUT if fold_of.get(f.subject) == k else Split.TRAIN for f in able)
        frames = tuple(
            replace(f, split=s)
            for f, s in zip(able, splits, strict=True)
            if s is Split.TRAIN or f.label_sha256
        )
        folds.append(replace(build, frames=frames, fingerprint=fingerprint_of(frames)))
    _refuse_leaks(replace(build, frames=tuple(able)), fold_of, count)
    for number, fold in enumerate(folds, start=1):
        trained = {(f.subject, LEARNT) for f in fold.frames if f.split is Split.TRAIN}
        name = fold_name(build.name, number, count)
        lab.register.note_build(name, fold.fingerprint, sorted(trained))
    return tuple(folds)


def _refuse_leaks(build: Build, fold_of: dict[str, int], count: int) -> None:
    """Refuse a picture that would be trained on and judged in one fold."""
    pictures: list[list[tuple[str, NDArray[np.uint8]]]] = [[] for _ in range(count + 1)]
    for frame in build.frames:
        # Who is always trained on has a place after the last fold.
        pictures[fold_of.get(frame.subject, count)].append((frame.key, build.image(frame)))
    leaks = tuple(leak for pair in combinations(pictures, 2) for leak in find_leaks(*pair))
    if leaks:
        raise InputError(leak_sentence(leaks))


def cross_validate(
    folds: tuple[Build, ...], old: Segmenter, learn: Learn, scenes: int
) -> Judgement:
    """Judge a way of training by all folds together.

    Parameters
    ----------
    folds
        As ``folds_of`` gives them.
    old
        The weights in use.
    learn
        Takes a fold and its number, from 1, and gives weights that learnt from its training split.
    scenes
        Size of the synthetic benchmark.
    """
    known = score_synthetic(old, scenes)
    before: tuple[list[Score], list[Score]] = ([], [])
    after: tuple[list[Score], list[Score]] = ([], [])
    for number, fold in enumerate(folds, start=1):
        new = learn(fold, number)
        before[0].extend(score_build(fold, old))
        after[0].extend(score_build(fold, new))
        # The benchmark is the same in every fold; of a scene the mean over the folds counts.
        before[1].extend(_of_fold(known, number))
        after[1].extend(_of_fold(score_synthetic(new, scenes), number))
    return judge((tuple(before[0]), tuple(before[1])), (tuple(after[0]), tuple(after[1])))


def _of_fold(scores: tuple[Score, ...], number: int) -> list[Score]:
    return [replace(score, key=f"fold-{number} {score.key}") for score in scores]


def folder_of(lab: Lab, build: Build, count: int, number: int) -> Path:
    """Folder of a fold's run."""
    return lab.root / "runs" / f"{build.name}-{number}-of-{count}"
