"""Owns intervals widened by the errors that were found on held-out subjects of a laboratory."""

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

from layermotion.files import write_text
from layermotion.labels import Structure
from layermotion.models.judging import Score
from layermotion.network.segmenter import read_card
from layermotion.normal import Z95

SHARE = 0.95
# Of n subjects and one more, 95 % lie at or below one of the n only from this number on.
FEWEST_SUBJECTS = math.ceil(SHARE / (1 - SHARE) - 1e-9)

Errors = Mapping[str, tuple[float, float]]


def factors_of(errors_px: Errors, scores: Sequence[Score]) -> tuple[dict[str, float], int]:
    """By how much the intervals of each structure must widen to hold these errors, and of how many.

    A subject counts once, with its largest error; the next subject's is held by the bound in at
    least 95 % of cases, if it is as these are. Nothing becomes narrower, since a labelled frame
    does not show every error that a clip can have.

    Parameters
    ----------
    errors_px
        Errors of the weights on synthetic clips, as their card holds them.
    scores
        Of held-out frames.

    Returns
    -------
    tuple
        Factor of each structure that enough subjects show; and the most subjects of a structure.
    """
    worst: dict[str, dict[str, float]] = {}
    for score in scores:
        if not math.isnan(score.site_px):
            own = worst.setdefault(score.structure, {})
            own[score.subject] = max(score.site_px, own.get(score.subject, 0.0))
    factors = {}
    for structure, by_subject in worst.items():
        count = len(by_subject)
        if count >= FEWEST_SUBJECTS:
            rank = math.ceil(SHARE * (count + 1) - 1e-9)
            bound = sorted(by_subject.values())[rank - 1]
            level, _ = errors_px[_measures(structure)[0]]
            factors[structure] = round(max(1.0, bound / (Z95 * level)), 2)
    return factors, max(map(len, worst.values()), default=0)


def widen(folder: Path, name: str, build: str, scores: Sequence[Score]) -> str:
    """Widen the intervals of local weights in their card, and say what they rest on.

    What was found before is replaced. Weights that were not calibrated yet stay so.

    Parameters
    ----------
    folder, name
        Where the card lies.
    build
        Name of the build whose held-out frames were scored.
    """
    card = read_card(name, folder)
    calibration = dict(card.get("calibration", {}))
    synthetic = calibration.get("synthetic_errors_px", card["errors_px"])
    if not synthetic:
        return "Intervals: none yet; run layermotion models calibrate."
    factors, subjects = factors_of(synthetic, scores)
    if not factors:
        return (
            f"Intervals rest on synthetic clips alone: {FEWEST_SUBJECTS} held-out subjects are "
            f"needed to widen them, the build has {subjects}."
        )
    errors = dict(synthetic)
    for structure, factor in factors.items():
        for measure in filter(errors.__contains__, _measures(structure)):
            level, growth = errors[measure]
            errors[measure] = (round(level * factor, 3), growth)
    calibration |= {"synthetic_errors_px": synthetic, "build": build, "subjects": subjects}
    calibration |= {"widened": factors}
    write_text(
        folder / f"{name}.json",
        json.dumps(card | {"errors_px": errors, "calibration": calibration}, indent=2) + "\n",
    )
    told = ", ".join(f"{structure} {factor:g} times" for structure, factor in factors.items())
    return (
        f"Intervals against those on synthetic clips, by {subjects} held-out subjects: {told} as "
        f"wide."
    )


def _measures(structure: str) -> tuple[str, ...]:
    """Entries of a card that a structure's error sets."""
    if structure == Structure.BLADDER:
        return ("base_displacement",)
    return f"thickness_{structure}", f"change_{structure}"
