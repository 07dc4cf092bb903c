"""Owns reading back JSON that this tool wrote: every value of its stated type, and finite."""

from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict

# No file of results is larger; what it becomes in memory is some ten times as much (our choice).
MOST_BYTES = 2**26


class Document(BaseModel):
    """A file as a model of its entries, which may be the dataclasses that were written.

    Nothing is converted: a text is no number, and a number no text. What is not named is passed
    over.
    """

    model_config = ConfigDict(strict=True, allow_inf_nan=False, frozen=True)


Kind = TypeVar("Kind", bound=BaseModel)


def read_stored(path: Path, kind: type[Kind]) -> Kind:
    """Read a file and check all of it.

    Raises
    ------
    OSError
        If it cannot be read.
    ValueError
        If it is not such a document.
    """
    with path.open("rb") as file:
        content = file.read(MOST_BYTES + 1)
    if len(content) > MOST_BYTES:
        raise ValueError(f"more than {MOST_BYTES} bytes")
    return kind.model_validate_json(content)
