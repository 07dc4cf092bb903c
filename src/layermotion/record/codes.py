"""Owns which codes may stand for a patient: none that looks like a name or a date of birth."""

import re
from datetime import date

from layermotion.errors import RecordError

# Letters, digits and hyphens, at most 24; a name has no digit and more than three letters in a row
# (our choice: LBP-017 passes, Anna-1 does not).
SHAPE = re.compile(r"[A-Za-z0-9]+(?:-[A-Za-z0-9]+)*")
LONGEST = 24
NAME_LIKE = re.compile(r"[A-Za-z]{4}")
EIGHT_DIGITS = re.compile(r"(?=(\d{8}))")
# Years in which someone alive may have been born (our choice).
FIRST_YEAR = 1900


def check_code(code: str) -> str:
    """Return a code without the spaces around it.

    Raises
    ------
    RecordError
        If it may give the person away. The code itself is not repeated in the sentence.

    Examples
    --------
    >>> check_code(" LBP-017 ")
    'LBP-017'
    """
    code = code.strip()
    is_word = SHAPE.fullmatch(code) and len(code) <= LONGEST and any(c.isdigit() for c in code)
    if not is_word or NAME_LIKE.search(code):
        raise RecordError(
            f"This code may be a name; give at most {LONGEST} digits, hyphens and letters, no more "
            f"than three letters in a row and at least one digit, such as P-017."
        )
    if any(_is_date(digits) for digits in EIGHT_DIGITS.findall(code.replace("-", ""))):
        raise RecordError(
            "This code may hold a date of birth; give a running number instead, such as P-017."
        )
    return code


def _is_date(digits: str) -> bool:
    """Whether eight digits are a day, with the year first or last."""
    orders = (
        (digits[:4], digits[4:6], digits[6:]),
        (digits[4:], digits[2:4], digits[:2]),
        (digits[4:], digits[:2], digits[2:4]),
    )
    for year, month, day in orders:
        try:
            if FIRST_YEAR <= date(int(year), int(month), int(day)).year <= date.today().year:
                return True
        except ValueError:
            continue
    return False
