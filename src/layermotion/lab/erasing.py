"""Owns erasing a subject: every picture and label of it here and handed out, and the receipt."""

import json
import shutil
from collections import Counter
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from layermotion.clip.damage import DECODE_ERRORS
from layermotion.consent.origins import LEARNT, is_refused
from layermotion.errors import InputError
from layermotion.files import write_text
from layermotion.lab.copies import load_print
from layermotion.lab.folder import Lab

# What stays: it holds no picture, and keeps a copy from coming back unseen.
KEPT_FOLDERS = ("prints", "receipts")


@dataclass(frozen=True)
class Receipt:
    """What was erased.

    Parameters
    ----------
    files
        Number of files, by what they were.
    not_reached
        Copies that were handed out and are not where they were written: look for them, and erase
        again if they are back.
    not_erased
        Copies that are there and cannot be read or written: delete or correct them, and erase
        again.
    weights, not_blocked
        Runs and weights that learnt from the subject: those that nothing uses any more, and those
        that ask the laboratory that this one was copied from.
    """

    subject: str
    by: str
    at: str
    clips: tuple[str, ...]
    files: dict[str, int]
    not_reached: tuple[str, ...]
    not_erased: tuple[str, ...]
    weights: tuple[str, ...]
    not_blocked: tuple[str, ...]


def erase(lab: Lab, subject: str, by: str) -> tuple[Receipt, Path]:
    """Erase all that shows a subject, record the withdrawal if there is none, and leave a receipt.

    Done again after a stop, it goes on; the receipt comes last. Builds and sheets that show others
    as well go whole, since both can be made anew.

    Returns
    -------
    tuple
        The receipt, and the file in which it lies.

    Raises
    ------
    InputError
        If nothing is known of the subject, or nobody is named.
    """
    if not by.strip():
        raise InputError("The receipt needs to know who erases; give --by.")
    if subject not in lab.ledger.withdrawn(lab.day_of_use):
        lab.ledger.withdraw(subject, lab.today, by)
    clips = _clips_of(lab, subject)
    files: Counter[str] = Counter()
    not_reached, not_erased = [], []
    for path in lab.register.copies_of(clips):
        try:
            if not path.is_file():
                not_reached.append(str(path))
                continue
            shows_all = _erase_copy(path, clips)
        except (*DECODE_ERRORS, InputError):
            not_erased.append(str(path))
            continue
        lab.register.forget_copy(path, None if shows_all else clips)
        files["copies and sheets"] += 1
    for folder in _builds_with(lab, subject, clips):
        files["files of builds"] += sum(path.is_file() for path in folder.rglob("*"))
        shutil.rmtree(folder)
    for path in lab.root.rglob("*"):
        is_kept = path.relative_to(lab.root).parts[0] in KEPT_FOLDERS
        if path.is_file() and not is_kept and _is_of(path.name, clips):
            files["clips, labels and proposals"] += 1
            path.unlink()
    for path in (lab.root / "review").glob("*.png"):
        # What a killed command left of a sheet, and sheets of which nothing is known.
        if path.name.startswith(".") or not lab.register.shown_on([path]):
            path.unlink()
    made = lab.register.made_from(subject, LEARNT)
    blocked = [path for path in made if is_refused(lab.register, path, lab.today)]
    now = datetime.now(UTC)
    receipt = Receipt(
        subject, by.strip(), now.isoformat(timespec="seconds"), clips, dict(files),
        tuple(not_reached), tuple(not_erased),
        tuple(map(str, blocked)), tuple(str(path) for path in made if path not in blocked),
    )  # fmt: skip
    path = lab.root / "receipts" / f"{now.strftime('%Y%m%d-%H%M%S-%f')}-{subject}.json"
    write_text(path, json.dumps(asdict(receipt), indent=1) + "\n")
    return receipt, path


def _clips_of(lab: Lab, subject: str) -> tuple[str, ...]:
    """Names of a subject's clips; prints still know those that an earlier call erased."""
    records = {name for name, record in lab.clips().items() if record.subject == subject}
    prints = (load_print(path) for path in lab.print_paths())
    return tuple(sorted(records | {kept.name for kept in prints if kept.subject == subject}))


def _builds_with(lab: Lab, subject: str, clips: tuple[str, ...]) -> list[Path]:
    """Folders of builds with a subject, and what a killed command left of one."""
    named = {lab.root / "builds" / name for name in lab.register.builds_with(subject)}
    unfinished = {
        folder
        for folder in (lab.root / "builds").glob(".*")
        if any(_is_of(path.name, clips) for path in folder.rglob("*"))
    }
    return sorted(folder for folder in named | unfinished if folder.is_dir())


def _is_of(name: str, clips: tuple[str, ...]) -> bool:
    return any(clip in name for clip in clips)


def _erase_copy(path: Path, clips: tuple[str, ...]) -> bool:
    """Take clips out of a file that was handed out, and say whether nothing is left of it.

    A table or a COCO file keeps what it says of others; a picture goes.
    """
    if path.suffix not in (".json", ".csv"):
        path.unlink()
        return True
    text = path.read_text(encoding="utf-8")
    kept = _coco_without(text, clips) if path.suffix == ".json" else _table_without(text, clips)
    write_text(path, kept)
    return False


def _coco_without(text: str, clips: tuple[str, ...]) -> str:
    content = json.loads(text)
    kept = [i for i in content["images"] if not _is_of(str(i["file_name"]), clips)]
    numbers = {i["id"] for i in kept}
    # An outline without a picture in the list may be of anybody.
    content["annotations"] = [a for a in content["annotations"] if a["image_id"] in numbers]
    content["images"] = kept
    return json.dumps(content) + "\n"


def _table_without(text: str, clips: tuple[str, ...]) -> str:
    return "".join(line for line in text.splitlines(keepends=True) if not _is_of(line, clips))
