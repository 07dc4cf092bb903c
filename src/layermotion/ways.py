"""Owns which way a positive value of a measure goes; pages and files say it in their words."""

LIFT, LATERAL, RIGHT = "lift", "lateral", "right"
# By the name of a measure, and of a quantity over time.
WAYS = {
    "slide": LATERAL,
    "medial_edge": LATERAL,
    "medial_edge_displacement": LATERAL,
    "base_displacement": LIFT,
    "lift_before": LIFT,
    "lift_after": LIFT,
}


def way_of(name: str, *, is_lateral_known: bool = True) -> str:
    """Give the way in which a measure or quantity is positive; empty where its sign is none.

    Examples
    --------
    >>> way_of("slide"), way_of("slide", is_lateral_known=False), way_of("hold_time")
    ('lateral', 'right', '')
    """
    way = WAYS.get(name, "")
    return RIGHT if way == LATERAL and not is_lateral_known else way
