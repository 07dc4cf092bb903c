"""Owns the published smallest detectable changes, used where a clinic has none of its own."""

from dataclasses import dataclass

from layermotion.labels import MUSCLES

COSTA_2009 = (
    "Costa LOP, Maher CG, Latimer J, Hodges PW, Shirley D. Eur Spine J 2009; 18(7):1059-1065 "
    "(PMC2899591)"
)
CONDITIONS = (
    "35 patients with chronic non-specific low back pain, leg force task, single images measured "
    "by hand, before and after treatment"
)
BY_HAND = (
    "Published values were found by hand in other people, positions and tasks; those of a study of "
    "your own (layermotion reliability) fit better."
)
NONE_FOR_BASE = (
    "For the bladder base no smallest detectable change is taken from publications, since their "
    "reliabilities disagree: test-retest ICC 0.22 to 0.50 for a contraction (J Clin Med 2021; "
    "10(15):3449) against 0.95 (PMC4803889)."
)


@dataclass(frozen=True)
class Published:
    """Smallest detectable change of a measure as a paper states it, in ``unit``."""

    measures: tuple[str, ...]
    unit: str
    change: float
    source: str
    conditions: str


PUBLISHED = (
    # SEM 0.04 cm, smallest detectable change 0.11 cm.
    Published(
        ("thickness_rest", "thickness_contracted"),
        "mm",
        1.1,
        f"{COSTA_2009}: thickness",
        CONDITIONS,
    ),
    # SEM 15 %, smallest detectable change 41 %, of the change of thickness.
    Published(
        ("thickness_change",),
        "%",
        41.0,
        f"{COSTA_2009}: change of thickness",
        CONDITIONS,
    ),
    # The ratio is 1 + change / 100, so 41 points of change are 0.41.
    Published(
        ("contraction_ratio",),
        "ratio",
        0.41,
        f"{COSTA_2009}: change of thickness, as a ratio",
        CONDITIONS,
    ),
)


def find_published(measure: str, structure: str, unit: str) -> Published | None:
    """Return the published value that fits a measure of a muscle; None where there is none."""
    if structure not in MUSCLES:
        return None
    fitting = (item for item in PUBLISHED if measure in item.measures and unit == item.unit)
    return next(fitting, None)
