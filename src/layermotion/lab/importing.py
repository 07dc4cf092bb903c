"""Owns the import: files of consenting subjects in, clips without identity out.

No name of a file, folder or person leaves this module: files go by their number in the order of
their paths, subjects by pseudonym.
"""

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pydicom import Dataset
from pydicom.uid import generate_uid

from layermotion.clip.header import quiet, read_header
from layermotion.clip.regions import DICOM_ERRORS
from layermotion.clip.signature import looks_like_dicom
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.errors import InputError
from layermotion.lab.copies import (
    HASHED_FRAMES,
    Print,
    find_copy,
    load_print,
    print_of,
    save_print,
    spread,
)
from layermotion.lab.deidentify import clean_header
from layermotion.lab.folder import ClipRecord, Lab, Review
from layermotion.lab.persons import Person, note_persons, person_in
from layermotion.lab.secret import Secret
from layermotion.lab.storing import write_clip

# Site and scanner are words of the laboratory that appear in tables and in names of groups.
WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._+-]{0,39}")
NO_SCANNER = "not stated"
# Digits of a clip's name: 48 bits, so that among 100,000 clips the chance of two alike is about
# one in 50,000 (our choice).
NAME_DIGITS = 12
# A directory file of a medium lists images, and is none (PS3.10 section 8.6).
DIRECTORY_NAME = "DICOMDIR"


@dataclass(frozen=True)
class ImportOptions:
    """What the user states about everything that is imported in one go.

    Parameters
    ----------
    site
        The laboratory's word for the place, such as ``clinic-a``.
    scanner
        The laboratory's word for the scanner; without it, what a file states goes by a pseudonym.
    source
        Pixel size, frame rate and view, as for measuring.
    """

    site: str
    scanner: str | None
    source: SourceOptions

    def __post_init__(self) -> None:
        for option, word in (("--site", self.site), ("--scanner", self.scanner)):
            if word is not None and not WORD.fullmatch(word):
                raise InputError(
                    f"{option} {word!r} is not possible; give up to 40 letters, digits, spaces, "
                    f"dots, plus or minus signs."
                )


@dataclass(frozen=True)
class ImportReport:
    """What an import did.

    Parameters
    ----------
    imported
        Clips that are new here.
    known
        Number of files that were here already.
    refused
        Pseudonyms of subjects without a valid consent.
    failed
        One sentence for each file that could not be used.
    """

    imported: tuple[ClipRecord, ...]
    known: int
    refused: tuple[str, ...]
    failed: tuple[str, ...]


@dataclass(frozen=True)
class _File:
    """A file whose subject's consent holds."""

    number: int
    path: Path
    header: Dataset | None
    person: Person
    subject: str


def import_folder(lab: Lab, secret: Secret, source: Path, options: ImportOptions) -> ImportReport:
    """Import every file under a folder whose subject's consent is valid today.

    DICOM files state their subject. For all other files the first folder below ``source`` is the
    local identifier of the subject. A clip that shows the pictures of another subject stays out.

    Raises
    ------
    InputError
        If ``source`` is no folder or holds no file, or if birth date or sex say that two persons
        have one identifier; nothing is imported then.
    """
    if source.resolve().is_relative_to(lab.root.resolve()):
        raise InputError("The folder to import lies inside the laboratory; name another one.")
    paths = sorted(_files(source))
    if not paths:
        raise InputError("The folder to import holds no file; check the path.")
    failed: dict[int, str] = {}
    refused: set[str] = set()
    imported: list[ClipRecord] = []
    clips, known = lab.clips(), 0
    with quiet():
        files = list(_consented(lab, secret, source, paths, options, refused, failed))
        note_persons(lab.register, secret, ((f"File {f.number}", f.person) for f in files))
        prints = {path.stem: load_print(path) for path in lab.print_paths()}
        for file in files:
            try:
                name = name_of(file.path, secret)
                if name in clips and clips[name].subject == file.subject:
                    known += 1
                    continue
                record = _import_file(lab, secret, file, name, options, prints)
            except InputError as error:
                failed[file.number] = _without_names(str(error), file.path, source, file.number)
                continue
            except Exception as error:  # what nobody foresaw fails one file, not the others
                kind = type(error).__name__
                failed[file.number] = (
                    f"File {file.number}: It failed in a way that was not foreseen ({kind})."
                )
                continue
            clips[name] = record
            imported.append(record)
    sentences = tuple(sentence for _, sentence in sorted(failed.items()))
    return ImportReport(tuple(imported), known, tuple(sorted(refused)), sentences)


def _consented(
    lab: Lab,
    secret: Secret,
    source: Path,
    paths: list[Path],
    options: ImportOptions,
    refused: set[str],
    failed: dict[int, str],
) -> Iterator[_File]:
    """Files that may be imported; the subjects and sentences of the others are added."""
    consents = lab.consents()
    for number, path in enumerate(paths, start=1):
        try:
            header = _header(path)
            if header is not None:
                person = person_in(header, options.site)
            else:
                person = Person(_folder_name(path, source), options.site)
        except InputError as error:
            failed[number] = _without_names(str(error), path, source, number)
            continue
        subject = person.pseudonym(secret)
        if consents.get(subject):
            yield _File(number, path, header, person, subject)
        else:
            refused.add(subject)


def _import_file(
    lab: Lab,
    secret: Secret,
    file: _File,
    name: str,
    options: ImportOptions,
    prints: dict[str, Print],
) -> ClipRecord:
    subject = file.subject
    clip = open_clip(file.path, options.source)
    count = clip.frame_count or sum(1 for _ in clip.frames())
    numbers = set(spread(count, HASHED_FRAMES))
    pictures = [f.pixels[clip.area.slices] for f in clip.frames() if f.index in numbers]
    copied = find_copy(pictures, subject, prints.values(), secret)
    if copied or (name in prints and prints[name].subject != subject):
        raise InputError(
            f"The file shows the same pictures as the clip {copied or name} of another subject, "
            f"which was brought in before; import it under that subject's identifier, or leave it "
            f"out."
        )
    try:
        original = _new_header(secret, name, options) if file.header is None else file.header
        cleaned = clean_header(original, secret, subject)
        if options.scanner:
            cleaned.Manufacturer = options.scanner
    except DICOM_ERRORS as error:
        raise InputError("The file has a damaged header; export it again.") from error
    prints[name] = print_of(name, subject, pictures, secret)
    save_print(lab.print_path(name), prints[name])
    count = write_clip(lab.clip_path(name), cleaned, clip.frames(), clip.area, clip.spacing)
    area, spacing = clip.area, clip.spacing
    record = ClipRecord(
        name=name,
        uid=str(cleaned.SOPInstanceUID),
        subject=subject,
        site=options.site,
        scanner=cleaned.Manufacturer or NO_SCANNER,
        view=clip.view,
        rows=clip.frame_shape[0],
        columns=clip.frame_shape[1],
        frames=count,
        row_mm=spacing.row_mm if spacing else None,
        column_mm=spacing.column_mm if spacing else None,
        area=(area.top, area.left, area.height, area.width),
        review=Review.PENDING,
    )
    lab.save(record)
    return record


def _files(source: Path) -> Iterator[Path]:
    """Every file under a folder but hidden ones and directories of media."""
    try:
        if not source.is_dir():
            raise InputError(
                f"{source.name} is no folder; give one of DICOM files, or of one folder a subject."
            )
        for path in source.rglob("*"):
            parts = path.relative_to(source).parts
            hidden = any(part.startswith(".") for part in parts)
            if path.is_file() and not hidden and path.name != DIRECTORY_NAME:
                yield path
    except OSError as error:
        raise InputError(
            f"The folder to import cannot be read ({error.strerror}); check its access rights."
        ) from error


def _header(path: Path) -> Dataset | None:
    """Header of a DICOM file; None for any other file."""
    try:
        with path.open("rb") as file:
            if not looks_like_dicom(file.read(132)):
                return None
        return read_header(path).data
    except (*DICOM_ERRORS, InputError) as error:
        raise InputError("The file cannot be read; export it again from the scanner.") from error


def _folder_name(path: Path, source: Path) -> str:
    """Local identifier of the subject of a file that is no DICOM."""
    parts = path.relative_to(source).parts
    if len(parts) < 2:
        raise InputError(
            "The file lies in no subject's folder; put it into a folder named by the local "
            "identifier of the subject."
        )
    return parts[0]


def name_of(path: Path, secret: Secret) -> str:
    """Give the name that the clip of a file has in a laboratory, whether it is there or not."""
    with path.open("rb") as file:
        content = hashlib.file_digest(file, "sha256").hexdigest()
    return f"c-{secret.digest('clip', content).hex()[:NAME_DIGITS]}"


def _new_header(secret: Secret, name: str, options: ImportOptions) -> Dataset:
    """Header for a source that is not DICOM; each clip is a study of its own."""
    header = Dataset()
    for keyword in ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID"):
        setattr(header, keyword, generate_uid(entropy_srcs=[name, keyword, secret.check]))
    header.Modality = "US"
    header.SeriesNumber = header.InstanceNumber = 1
    return header


def _without_names(message: str, path: Path, source: Path, number: int) -> str:
    """Name a file by its number, in a sentence that may quote its name or path."""
    names = sorted({str(path), str(source), *path.relative_to(source).parts}, key=len)
    for name in reversed(names):
        message = message.replace(name, "the file")
    return f"File {number}: {message}"
