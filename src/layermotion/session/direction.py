"""Owns how two values of one measure compare, in words that go by direction.

A difference of signed values says nothing by its own sign: a descent that went from 12 to 4 mm is
less descent, not 8 mm more of anything.
"""

from dataclasses import dataclass

from layermotion.report.words import number_words, unit_words


@dataclass(frozen=True)
class Ways:
    """Words for a measure whose sign is a direction.

    Parameters
    ----------
    up, down
        What a positive and a negative value did.
    more, less
        How two values of one way compare.
    still
        What a value within its own error did.
    """

    up: str
    down: str
    more: str
    less: str
    still: str = "did not move beyond error"


WAYS = {
    "base_displacement": Ways("lifted", "descended", "farther", "less far"),
    "lift_before": Ways("was lifted", "was lowered", "farther", "less far"),
    "lift_after": Ways("stayed lifted", "stayed lowered", "farther", "less far"),
    "slide": Ways(
        "slid laterally", "slid medially", "farther", "less far", "did not slide beyond error"
    ),
    "medial_edge_displacement": Ways("was drawn in", "moved medially", "farther", "less far"),
    "thickness_change": Ways("thickened", "thinned", "more", "less", "did not change beyond error"),
    # With the lift beforehand minus without.
    "prelift_effect": Ways(
        "was held up by the lift",
        "was lowered by the lift",
        "more",
        "less",
        "did not differ with the lift beyond error",
    ),
}
# A slide of which it is not known which way is lateral.
SLID_ON_PICTURE = Ways(
    "slid to the right of the picture", "slid to the left of the picture", "farther", "less far"
)
# Measures without a direction: what the first and the second of two are, if the first is larger.
LEVELS = {
    "lift_drop": ("larger", "smaller"),
    "thickness_rest": ("thicker", "thinner"),
    "thickness_contracted": ("thicker", "thinner"),
    "onset_time": ("later", "earlier"),
    "rise_time": ("longer", "shorter"),
    "hold_time": ("longer", "shorter"),
    "return_time": ("longer", "shorter"),
    "contraction_ratio": ("higher", "lower"),
    "preferential_activation_ratio": ("higher", "lower"),
}

# Measures of the bladder base, and when they are of.
WAYS_OF_BASE = {
    "base_displacement": "",
    "prelift_effect": "",
    "lift_before": " before the effort",
    "lift_after": " after the effort",
}


def compared(
    measure: str,
    unit: str,
    first: float,
    second: float,
    other: str,
    are_beyond: tuple[bool, bool],
    limit: float = 0.0,
) -> str:
    """Say how the first of two values differs from the second, without its subject.

    Parameters
    ----------
    measure
        A key of ``WAYS`` or ``LEVELS``.
    other
        Where the second was found, such as ``at the earlier visit``.
    are_beyond
        Whether each value is beyond its own interval; of one that is not, no way is said.
    limit
        What the difference exceeds, in ``unit``.

    Examples
    --------
    >>> both = (True, True)
    >>> compared("base_displacement", "mm", -3.9, -11.7, "at the earlier visit", both)
    'descended less far than at the earlier visit, by 7.8 mm'
    >>> compared("base_displacement", "mm", 2.0, -3.0, "without it", both)
    'lifted by 2.0 mm; without it, it descended by 3.0 mm, a difference of 5.0 mm'
    >>> compared("base_displacement", "mm", 0.1, -8.7, "without it", (False, True))
    'did not move beyond error; without it, it descended by 8.7 mm, a difference of 8.8 mm'
    >>> compared("slide", "mm", 0.9, -0.9, "on the right", (False, False))
    'did not slide beyond error, nor did it on the right, but had the higher value, by 1.8 mm'
    >>> compared("thickness_rest", "mm", 4.0, 5.5, "on the right", both)
    'was thinner than on the right, by 1.5 mm'
    """
    amount = number_words(abs(first - second), unit, limit)
    size = f"{amount}{unit_words(unit, is_difference=True)}"
    ways = WAYS.get(measure)
    if ways is None:
        larger, smaller = LEVELS[measure]
        return f"was {larger if first > second else smaller} than {other}, by {size}"
    if not any(are_beyond):
        level = "higher" if first > second else "lower"
        return f"{ways.still}, nor did it {other}, but had the {level} value, by {size}"
    if first * second < 0 or not all(are_beyond):
        own, before = (
            _moved(ways, value, unit) if is_beyond else ways.still
            for value, is_beyond in zip((first, second), are_beyond, strict=True)
        )
        return f"{own}; {other}, it {before}, a difference of {size}"
    way = ways.up if first + second > 0 else ways.down
    more = ways.more if abs(first) > abs(second) else ways.less
    return f"{way} {more} than {other}, by {size}"


def subject(measure: str, name: str) -> str:
    """Name what a measure is of, as the sentence goes on with ``compared``.

    Parameters
    ----------
    name
        Of the structure, such as ``TrA``.

    Examples
    --------
    >>> subject("thickness_rest", "TrA"), subject("base_displacement", "bladder")
    ('TrA at rest', 'the bladder base')
    """
    if measure in WAYS_OF_BASE:
        return f"the bladder base{WAYS_OF_BASE[measure]}"
    if measure == "medial_edge_displacement":
        return f"the medial end of {name}"
    if measure == "thickness_rest":
        return f"{name} at rest"
    if measure == "thickness_contracted":
        return f"the contracted {name}"
    if measure == "lift_drop":
        return "the drop of the bladder base from the lift"
    if measure in LEVELS:
        return f"the {measure.replace('_', ' ')} of {name}"
    return name


def _moved(ways: Ways, value: float, unit: str) -> str:
    amount = f"{number_words(abs(value), unit, 0.0)}{unit_words(unit)}"
    return f"{ways.up if value > 0 else ways.down} by {amount}"
