"""Owns how pages say things: the words of measures and numbers, and what templates share."""

import re
from collections.abc import Iterable

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from layermotion.report import palette
from layermotion.ways import LATERAL, LIFT, RIGHT, way_of

SENTENCE_END = re.compile(r"(?<=[.]) (?=[A-Z])")


def environment(package: str = "report") -> Environment:
    """Templates of a package and of this one, with the palette and the looks of the structures."""
    made = Environment(
        loader=ChoiceLoader([PackageLoader("layermotion", name) for name in (package, "report")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals["palette"] = palette
    made.globals["looks"] = {str(structure): look for structure, look in palette.LOOKS.items()}
    return made


def said_once(methods: Iterable[str]) -> list[str]:
    """Leave out of each method the sentences that one before it has.

    Examples
    --------
    >>> said_once(["Edge to edge. A mean.", "Edge to edge. A mean. By hand.", "A mean."])
    ['Edge to edge. A mean.', 'By hand.']
    """
    known: set[str] = set()
    said = []
    for method in methods:
        own = [words for words in SENTENCE_END.split(method) if words not in known]
        known.update(own)
        said.append(" ".join(own))
    return [words for words in said if words]


def measure_words(name: str) -> str:
    """Words for a measure's name, such as ``thickness, change``."""
    first, _, rest = name.partition("_")
    is_thickness = first == "thickness" and rest
    return f"{first}, {rest.replace('_', ' ')}" if is_thickness else name.replace("_", " ")


# What a positive value means where the sign is a direction.
POSITIVE = {LIFT: "+ is lift", LATERAL: "+ is lateral", RIGHT: "+ is to the right"}


def signed_words(name: str, *, is_lateral_known: bool = True) -> str:
    """Words for a measure's name, and what is positive where its sign is a direction.

    Examples
    --------
    >>> signed_words("slide", is_lateral_known=False)
    'slide (past EO, + is to the right)'
    """
    sign = sign_words(name, is_lateral_known=is_lateral_known)
    return f"{measure_words(name)} ({sign})" if sign else measure_words(name)


def sign_words(name: str, *, is_lateral_known: bool = True) -> str:
    """Say what is positive where the sign is a direction, and of a slide past what; else empty."""
    sign = POSITIVE.get(way_of(name, is_lateral_known=is_lateral_known), "")
    return f"past EO, {sign}" if name == "slide" else sign


def task_words(task: str) -> str:
    """Words for a task.

    Examples
    --------
    >>> task_words("cough_prelift")
    'cough with a lift beforehand'
    """
    plain = task.removesuffix("_prelift")
    words = plain.replace("curl_up", "curl-up").replace("draw_in", "draw-in").replace("_", " ")
    return f"{words} with a lift beforehand" if plain != task else words


def is_change(name: str) -> bool:
    """Tell whether a measure's zero means that nothing happened.

    Examples
    --------
    >>> is_change("thickness_change"), is_change("contraction_ratio")
    (True, False)
    """
    parts = ("change", "displacement", "slide", "effect", "preferential", "lift")
    return any(part in name for part in parts)


# Decimals at most, of what must not read as a limit (our choice).
MOST_DECIMALS = 4


def number_words(value: float, unit: str, apart_from: float | None = None) -> str:
    """Write a value with as many digits as can mean anything; a true minus sign.

    Parameters
    ----------
    apart_from
        A limit that the value must not read as; more digits are written where it would.

    Examples
    --------
    >>> number_words(1.13, "mm"), number_words(1.13, "mm", apart_from=1.11)
    ('1.1', '1.13')
    """
    # 0.1 mm is about the size of a pixel, and a ratio of 0.01 is as fine as that (our choice).
    # A tenth of a second is about two frames.
    decimals = {"mm": 1, "s": 1, "%": 0}.get(unit, 2)
    if apart_from is not None:
        more = range(decimals, MOST_DECIMALS + 1)
        decimals = next((d for d in more if round(value, d) != round(apart_from, d)), decimals)
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def interval_words(low: float, high: float, unit: str) -> str:
    """Write an interval without its unit; an end that is not zero does not read as zero.

    Examples
    --------
    >>> interval_words(0.2, 24.4, "%"), interval_words(0.0, 24.4, "%")
    ('0.2 to 24', '0 to 24')
    """
    return f"{number_words(low, unit, 0.0)} to {number_words(high, unit, 0.0)}"


def unit_words(unit: str, *, is_difference: bool = False) -> str:
    """Write a unit, with the space before it; a difference of percentages is in points.

    Examples
    --------
    >>> unit_words("%", is_difference=True)
    ' percentage points'
    >>> unit_words("ratio")
    ''
    """
    if unit == "ratio":
        return ""
    return " percentage points" if unit == "%" and is_difference else f" {unit}"
