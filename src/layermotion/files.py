"""Owns atomic writing: a file appears whole under its final name, or not at all."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from layermotion.errors import InputError


@contextmanager
def atomic_path(target: Path, mode: int = 0o644) -> Iterator[Path]:
    """Give a temporary path beside ``target`` that replaces it when the block ends well.

    Parameters
    ----------
    target
        Final path; its folder is made where missing.
    mode
        Who may read and write it; until it is finished that is its owner alone.

    Yields
    ------
    Path
        Where to write; same suffix as ``target``. Removed if the block raises.

    Raises
    ------
    InputError
        If the folder cannot be made or written.
    """
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(
            prefix=f".{target.stem}-", suffix=target.suffix, dir=target.parent
        )
        os.close(handle)
    except OSError as error:
        raise InputError(
            f"{target.parent} cannot be written ({error.strerror}); "
            f"choose a folder that you may write to."
        ) from error
    temporary = Path(name)
    try:
        yield temporary
        os.chmod(temporary, mode)
        os.replace(temporary, target)
    finally:
        temporary.unlink(missing_ok=True)


def write_text(target: Path, text: str) -> None:
    """Write UTF-8 text to ``target`` atomically."""
    with atomic_path(target) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="")
