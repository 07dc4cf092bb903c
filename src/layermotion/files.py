"""Owns atomic writing: a file or folder appears whole, for its owner alone, or not at all."""

import glob
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from errno import ENOTDIR
from pathlib import Path

from layermotion.errors import InputError

try:
    import fcntl
except ImportError:  # where there are no such locks, an open file cannot be removed either
    fcntl = None  # type: ignore[assignment]

# Pictures, numbers and names of files may lead to a person.
OWNER_ONLY = 0o700
# Letters of a target's name that its temporary name repeats; names are 255 bytes at most.
NAME_PART = 40
# Letters that ``tempfile`` adds.
ADDED = "?" * 8


@contextmanager
def atomic_path(target: Path) -> Iterator[Path]:
    """Give a temporary path beside ``target`` that replaces it when the block ends well.

    The file is readable by its owner alone. What a killed writer of the same file left is removed;
    what a living one writes is locked, and stays.

    Parameters
    ----------
    target
        Final path; its folder is made where missing.

    Yields
    ------
    Path
        Where to write; same suffix as ``target``. Removed if the block raises.

    Raises
    ------
    InputError
        If the folder cannot be made or written, or the disk is full.
    """
    try:
        make_folder(target.parent)
        _remove_left(target)
        handle, temporary = _new_file(target)
    except OSError as error:
        raise InputError(
            f"{target.parent} cannot be written ({error.strerror}); "
            f"choose a folder that you may write to."
        ) from error
    try:
        yield temporary
        os.close(handle)
        handle = -1
        os.replace(temporary, target)
    except OSError as error:
        raise InputError(
            f"{target} cannot be written ({_reason(error)}); free some space or choose "
            f"another folder."
        ) from error
    finally:
        if handle >= 0:
            os.close(handle)
        temporary.unlink(missing_ok=True)


@contextmanager
def atomic_folder(target: Path) -> Iterator[Path]:
    """Give a temporary folder beside ``target`` that becomes it when the block ends well.

    It is for its owner alone, and removed if the block raises; what a killed writer of the same
    folder left is removed as well.

    Raises
    ------
    InputError
        If the folder cannot be made, or ``target`` is there already.
    """
    try:
        make_folder(target.parent)
        _remove_left(target)
        folder = Path(tempfile.mkdtemp(prefix=_prefix(target), dir=target.parent))
        handle = os.open(folder, os.O_RDONLY)
    except OSError as error:
        raise InputError(
            f"{target.parent} cannot be written ({error.strerror}); "
            f"choose a folder that you may write to."
        ) from error
    try:
        _lock(handle)
        yield folder
        folder.rename(target)
    except OSError as error:
        raise InputError(
            f"{target} cannot be written ({_reason(error)}); free some space or choose "
            f"another folder."
        ) from error
    finally:
        os.close(handle)
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder, so that of several processes one at a time changes what lies in it."""
    make_folder(folder)
    if fcntl is None:
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # a file system without locks
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def write_text(target: Path, text: str) -> None:
    """Write UTF-8 text to ``target`` atomically."""
    with atomic_path(target) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="")


def make_folder(folder: Path) -> None:
    """Make a folder and those above it that are missing, for their owner alone."""
    for missing in reversed([path for path in (folder, *folder.parents) if not path.exists()]):
        missing.mkdir(OWNER_ONLY, exist_ok=True)
    if not folder.is_dir():
        raise NotADirectoryError(ENOTDIR, os.strerror(ENOTDIR), str(folder))


def _reason(error: OSError) -> str:
    """Give the system's words, which a library may have wrapped in an error of its own."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, OSError) and cause.strerror:
            return cause.strerror
        cause = cause.__cause__
    return str(error)


def _new_file(target: Path) -> tuple[int, Path]:
    """Open and lock a new file beside ``target``."""
    while True:
        handle, name = tempfile.mkstemp(
            prefix=_prefix(target), suffix=target.suffix, dir=target.parent
        )
        if _lock(handle) and os.fstat(handle).st_nlink:
            return handle, Path(name)
        os.close(handle)  # another writer took it for one that was left


def _remove_left(target: Path) -> None:
    pattern = f"{glob.escape(_prefix(target))}{ADDED}{glob.escape(target.suffix)}"
    for left in target.parent.glob(pattern):
        with suppress(OSError):
            handle = os.open(left, os.O_RDONLY)
            try:
                if _lock(handle):
                    shutil.rmtree(left) if left.is_dir() else left.unlink()
            finally:
                os.close(handle)


def _prefix(target: Path) -> str:
    return f".{target.stem[:NAME_PART]}-"


def _lock(handle: int) -> bool:
    """Lock a file until it is closed; False where another process holds it."""
    if fcntl is None:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks
        return True
    return True
