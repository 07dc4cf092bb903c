"""Owns what a laboratory holds and which command comes next."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from layermotion.consent.origins import LEARNT, is_refused
from layermotion.errors import WeightsError
from layermotion.lab.folder import FINISHED, Lab, Review, split_key
from layermotion.lab.labelling import read_note
from layermotion.lab.review import sheet_to_look_through
from layermotion.models.registry import Registry

# A build needs labelled subjects for both splits; of fewer than this nothing can be said (our
# choice: two to train on and two held out, the fewest that have an interval).
FEWEST_SUBJECTS = 4


@dataclass(frozen=True)
class Status:
    """What there is.

    Parameters
    ----------
    consenting, withdrawn
        Subjects whose consent covers something today, and those who withdrew.
    reviews
        Clips with consent, by review.
    without_consent
        Clips that nothing uses.
    proposed, labelled, untouched, labelled_subjects
        Frames that were proposed, frames with a label, those of them that came back as they went
        out, and subjects with a label that somebody drew or corrected.
    builds, weights
        Names of builds that may be used, and of local weights that may be used.
    blocked, not_blocked
        Runs and weights that learnt from somebody who withdrew, and those of them that are not
        refused, because they ask the laboratory that this one was copied from.
    """

    consenting: int
    withdrawn: int
    reviews: Counter[Review]
    without_consent: int
    proposed: int
    labelled: int
    untouched: int
    labelled_subjects: int
    builds: tuple[str, ...]
    weights: tuple[str, ...]
    blocked: tuple[Path, ...]
    not_blocked: tuple[Path, ...]

    def lines(self, models: Path) -> Iterator[str]:
        """Give sentences for a screen.

        Parameters
        ----------
        models
            Folder of local weights.
        """
        yield f"Subjects: {self.consenting} with consent, {self.withdrawn} withdrew"
        reviews = ", ".join(f"{self.reviews[review]} {review}" for review in Review)
        yield f"Clips: {reviews}; {self.without_consent} without consent, used by nothing"
        yield (
            f"Frames: {self.proposed} proposed, {self.labelled} labelled, {self.untouched} of them "
            f"untouched; {self.labelled_subjects} subjects labelled by hand"
        )
        yield f"Builds: {', '.join(self.builds) or 'none'}"
        yield f"Local weights in {models}: {', '.join(self.weights) or 'none'}"
        if self.blocked:
            yield f"Blocked by a withdrawal: {', '.join(map(str, self.blocked))}"
        if self.not_blocked:
            yield not_blocked_sentence(self.not_blocked)


def not_blocked_sentence(paths: Iterable[Path]) -> str:
    """Say which runs and weights a withdrawal does not reach."""
    return (
        f"Not blocked, because they ask the laboratory that this one was copied from; withdraw "
        f"there too: {', '.join(map(str, paths))}"
    )


def read_status(lab: Lab, models: Path) -> Status:
    """Look at a laboratory.

    Parameters
    ----------
    models
        Folder of local weights.
    """
    clips, consents = lab.clips(), lab.consents()
    usable = {name: record for name, record in clips.items() if consents.get(record.subject)}
    notes = {key: read_note(lab, key) for key in lab.label_keys()}
    drawn = [key for key, note in notes.items() if not note.is_untouched]
    subjects = {usable[name].subject for key in drawn if (name := split_key(key)[0]) in usable}
    withdrawn = lab.ledger.withdrawn(lab.day_of_use)
    made = {path for subject in withdrawn for path in lab.register.made_from(subject, LEARNT)}
    blocked = {path for path in made if is_refused(lab.register, path, lab.today)}
    held = {build for subject in withdrawn for build in lab.register.builds_with(subject)}
    builds = {p.name for p in (lab.root / "builds").glob(FINISHED) if p.is_dir()}
    local = [m.name for m in Registry(models).models() if m.is_local and not m.problem]
    return Status(
        consenting=sum(bool(scopes) for scopes in consents.values()),
        withdrawn=len(withdrawn),
        reviews=Counter(record.review for record in usable.values()),
        without_consent=len(clips) - len(usable),
        proposed=len(list((lab.root / "proposals").glob(FINISHED + ".png"))),
        labelled=len(notes),
        untouched=len(notes) - len(drawn),
        labelled_subjects=len(subjects),
        builds=tuple(sorted(builds - held)),
        weights=tuple(sorted(local)),
        blocked=tuple(sorted(blocked)),
        not_blocked=tuple(sorted(made - blocked)),
    )


def next_command(lab: Lab, models: Path, status: Status) -> str:
    """Name the command that brings a laboratory on."""
    start = f"layermotion lab {{}} {lab.root}".format
    if not status.consenting:
        return f"{start('consent load')} consents.csv --site SITE --by WHO"
    if not status.reviews:
        return f"{start('import')} SCANS --site SITE"
    if status.reviews[Review.PENDING]:
        sheet = sheet_to_look_through(lab)
        return f"{start('accept')} {sheet} (after a look at it)" if sheet else start("sheets")
    if status.labelled_subjects < FEWEST_SUBJECTS and not status.proposed:
        return f"{start('propose')} --out to-label"
    if status.labelled_subjects < FEWEST_SUBJECTS:
        return f"{start('label')} to-label/labels --by WHO (when they are corrected)"
    registry = Registry(models)
    current = registry.in_use()
    try:
        registry.checked(current)
    except WeightsError:
        return f"layermotion models roll-back --by WHO --models {models}"
    if not status.builds:
        return f"{start('learn')} first"
    for name in reversed(status.weights):
        judged = registry.judged(registry.card_sum(current), registry.card_sum(name))
        if name != current and judged and not judged.judgement.objections:
            return f"layermotion models promote {name} --by WHO --models {models}"
    return f"{start('learn')} {status.builds[-1]} (or propose more frames to label)"
