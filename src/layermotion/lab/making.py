"""Owns making a build: what may enter it, who is in which split, and that no picture leaks."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from layermotion.consent.ledger import Scope
from layermotion.errors import InputError
from layermotion.files import atomic_folder, write_text
from layermotion.images import write_png
from layermotion.lab.annotations import LabelledFrame, read_mask
from layermotion.lab.builds import (
    MANIFEST_NAME,
    NEEDED,
    Build,
    BuildFrame,
    Split,
    file_digest,
    fingerprint_of,
    manifest_text,
)
from layermotion.lab.checks import check_frame
from layermotion.lab.copies import spread
from layermotion.lab.folder import ClipRecord, Lab, Review, frame_key, split_key
from layermotion.lab.labelling import read_note
from layermotion.lab.leakage import Leak, find_leaks
from layermotion.labels import Structure, View, label_of

# Frames of a clip that are trained on without a label (our choice: the first and last show rest,
# those between the effort; more of one clip look alike, and each is compared with every picture
# that is held out).
UNLABELLED_FRAMES = 4


@dataclass(frozen=True)
class BuildReport:
    """A new build, and what stayed out of it.

    Parameters
    ----------
    without_consent
        Pseudonyms whose labelled frames stayed out.
    left_out
        How many labelled frames stayed out, for each other reason.
    """

    build: Build
    without_consent: tuple[str, ...]
    left_out: dict[str, int]


@dataclass(frozen=True, eq=False)
class _Material:
    """A frame that may enter a build, still without a split."""

    key: str
    record: ClipRecord
    view: View | None
    label: NDArray[np.uint8] | None


def make_build(
    lab: Lab,
    name: str,
    held_out_share: float,
    held_out_sites: tuple[str, ...] = (),
    use_untouched: bool = False,
) -> BuildReport:
    """Freeze what is labelled, sound, reviewed and consented to today.

    All frames of a subject are in one split. Subjects of earlier builds keep their split; of each
    site's new ones, those whose pseudonyms come first are held out until the share is reached (a
    pseudonym is as good as random). The training split also holds some frames without a label, of
    subjects without any too: the same share of those stays out, so that they can be held out once
    they are labelled.

    Parameters
    ----------
    held_out_share
        Part of each site's subjects that is held out, 0 to 1.
    held_out_sites
        Sites of which every subject is held out.
    use_untouched
        Whether proposals that came back as they went out count as labels.

    Raises
    ------
    InputError
        If the name is taken, a split is empty, a site is unknown, or pictures leak.
    """
    target = lab.root / "builds" / name
    if not name.replace("-", "").isalnum():
        raise InputError(f"{name!r} cannot name a build; use letters, digits and hyphens.")
    if target.exists():
        raise InputError(f"There is a build {name} already; builds never change, so name another.")
    material, without_consent, left_out = _gather(lab, use_untouched)
    splits = _assign(lab, [m.record for m in material], held_out_share, held_out_sites)
    by_split = {
        split: [m for m in material if splits[m.record.subject] is split] for split in Split
    }
    for split, found in by_split.items():
        if not found:
            raise InputError(
                f"No labelled frame is left for the split {split}; label frames of more subjects, "
                f"or change --held-out."
            )
    by_split[Split.TRAIN] += _unlabelled(lab, material, splits, held_out_share, held_out_sites)
    with atomic_folder(target) as folder:
        both = [(m, split) for split, found in by_split.items() for m in found]
        both.sort(key=lambda pair: pair[0].key)
        frames = tuple(_write(folder, lab, m, split) for m, split in both)
        build = Build(target, frames, fingerprint_of(frames))
        _refuse_leaks(replace(build, folder=folder))
        write_text(folder / MANIFEST_NAME, manifest_text(build, lab.today))
        splits_of = {(f.subject, str(f.split)) for f in frames}
        lab.register.note_build(name, build.fingerprint, sorted(splits_of))
    return BuildReport(build, without_consent, left_out)


def _gather(
    lab: Lab, use_untouched: bool
) -> tuple[list[_Material], tuple[str, ...], dict[str, int]]:
    """Labelled frames that may be used, subjects without consent, and counts of the rest."""
    clips, consents = lab.clips(), lab.consents()
    without: set[str] = set()
    left_out: Counter[str] = Counter()
    material: list[_Material] = []
    for key in lab.label_keys():
        name, number = split_key(key)
        record = clips.get(name)
        if record is not None and not consents.get(record.subject):
            without.add(record.subject)
            continue
        if record is not None and record.review is not Review.ACCEPTED:
            left_out[f"review {record.review}"] += 1
            continue
        if read_note(lab, key).is_untouched and not use_untouched:
            left_out["untouched proposal"] += 1
            continue
        frame = read_mask(lab.label_path(key))
        faults = check_frame(frame, clips)
        if record is None or faults:
            left_out[str(faults[0].kind)] += 1
            continue
        label = frame.label[record.image_area.slices]
        material.append(_Material(key, record, _view(record, frame), label))
    return material, tuple(sorted(without)), dict(left_out)


def _unlabelled(
    lab: Lab,
    material: list[_Material],
    splits: dict[str, Split],
    share: float,
    held_out_sites: tuple[str, ...],
) -> list[_Material]:
    """Frames without a label, spread over every clip that may be trained on.

    Parameters
    ----------
    material, splits
        Labelled frames, and the split of each of their subjects.
    """
    consents, earlier = lab.consents(), lab.register.splits()
    records = [
        record
        for record in lab.clips().values()
        if record.review is Review.ACCEPTED and record.spacing
        and Scope.TRAINING in consents.get(record.subject, frozenset())
    ]  # fmt: skip
    for record in records:
        if record.site in held_out_sites and earlier.get(record.subject) == Split.TRAIN:
            raise _seen(record.subject, record.site)
    others = [
        record
        for record in records
        if record.subject not in splits and record.site not in held_out_sites
        and earlier.get(record.subject) != Split.HELD_OUT
    ]  # fmt: skip
    splits = splits | _assign(lab, others, share, ())
    labelled = {m.key for m in material}
    return [
        _Material(key, record, record.view, None)
        for record in records
        if splits.get(record.subject) is Split.TRAIN
        for number in spread(record.frames, UNLABELLED_FRAMES)
        if (key := frame_key(record.name, number)) not in labelled
    ]


def _view(record: ClipRecord, frame: LabelledFrame) -> View:
    """View as stated at import; otherwise a frame with a bladder shows the bladder view."""
    has_bladder = bool((frame.label == label_of(Structure.BLADDER)).any())
    return record.view or (View.BLADDER if has_bladder else View.ABDOMINAL_WALL)


def _assign(
    lab: Lab,
    records: Iterable[ClipRecord],
    share: float,
    held_out_sites: tuple[str, ...],
) -> dict[str, Split]:
    """Split of every subject of these clips."""
    sites: dict[str, set[str]] = {}
    for record in records:
        sites.setdefault(record.site, set()).add(record.subject)
    for site in held_out_sites:
        if site not in sites:
            raise InputError(f"No usable frame is from the site {site}; check its name.")
    earlier = {subject: Split(split) for subject, split in lab.register.splits().items()}
    consents = lab.consents()
    splits: dict[str, Split] = {}
    for site, subjects in sorted(sites.items()):
        wanted = len(subjects) if site in held_out_sites else round(share * len(subjects))
        fixed = {s: splits.get(s) or earlier.get(s) or _only_split(consents[s]) for s in subjects}
        held = sum(split is Split.HELD_OUT for split in fixed.values())
        for subject in sorted(subjects):
            split = fixed[subject]
            if split is None:
                split = Split.HELD_OUT if held < wanted else Split.TRAIN
                held += split is Split.HELD_OUT
            splits[subject] = split
        trained = sorted(s for s in subjects if splits[s] is Split.TRAIN)
        if site in held_out_sites and trained:
            raise _seen(trained[0], site)
    for subject, split in splits.items():
        if NEEDED[split] not in consents[subject]:
            raise InputError(
                f"The consent of {subject} no longer covers the split {split} that it has in "
                f"earlier builds; reject its clips in review to leave it out."
            )
    return splits


def _seen(subject: str, site: str) -> InputError:
    return InputError(
        f"{subject} of the site {site} cannot be held out: an earlier build trained on it, or the "
        f"consent does not cover evaluation."
    )


def _only_split(scopes: frozenset[Scope]) -> Split | None:
    """Return the split that a consent leaves, where it leaves one alone."""
    possible = [split for split, scope in NEEDED.items() if scope in scopes]
    return possible[0] if len(possible) == 1 else None


def _refuse_leaks(build: Build) -> None:
    """Refuse what was written if a picture is in both splits.

    Pictures to train on are read one by one: all together may not fit into memory.
    """

    def pictures(split: Split) -> Iterator[tuple[str, NDArray[np.uint8]]]:
        return ((f.key, build.image(f)) for f in build.frames if f.split is split)

    leaks = find_leaks(pictures(Split.TRAIN), tuple(pictures(Split.HELD_OUT)))
    if leaks:
        raise InputError(leak_sentence(leaks))


def leak_sentence(leaks: tuple[Leak, ...]) -> str:
    """Say which pictures lie in two splits, and what to do."""
    shown = "; ".join(f"{leak.one} and {leak.other}" for leak in leaks[:5])
    more = f" and {len(leaks) - 5} more pairs" if len(leaks) > 5 else ""
    return (
        f"The same picture lies in both splits ({shown}{more}), as if one subject had two "
        f"identifiers; reject one clip of each pair in review, or give both one identifier."
    )


def _write(folder: Path, lab: Lab, material: _Material, split: Split) -> BuildFrame:
    record = material.record

    def written(kind: str, values: NDArray[np.uint8]) -> str:
        path = folder / kind / f"{material.key}.png"
        write_png(path, values)
        return file_digest(path)

    pixels = next(lab.frames(record, [split_key(material.key)[1]]))
    image_sha256 = written("images", pixels[record.image_area.slices])
    label_sha256 = None if material.label is None else written("labels", material.label)
    spacing = record.spacing
    if spacing is None:
        raise InputError(f"{material.key} has no pixel size; import its clip again with one.")
    return BuildFrame(
        material.key, record.subject, record.site, record.scanner, split, material.view,
        spacing.row_mm, spacing.column_mm, image_sha256, label_sha256,
    )  # fmt: skip
