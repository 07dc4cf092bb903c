"""Owns what was made from whose pictures: builds, runs, weights and copies handed out.

It stands in the file of the consent ledger, so that nothing made outside the laboratory's folder is
forgotten, and it stays when pictures are erased. Subjects appear by pseudonym alone. What lies in
the laboratory's folder goes by its path there, so that the folder may be renamed.
"""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from layermotion.consent.store import transaction

# Names of folds, which no build can have: builds hold no space in theirs.
FOLDS = "* fold * of *"


def fold_name(build: str, number: int, count: int) -> str:
    """Name under which a fold of a build is kept.

    Examples
    --------
    >>> fold_name("spring", 1, 4)
    'spring fold 1 of 4'
    """
    return f"{build} fold {number} of {count}"


@dataclass(frozen=True)
class Register:
    """The register of one laboratory; ``path`` is the file of its consent ledger."""

    path: Path

    @property
    def identity(self) -> str:
        """What tells this laboratory from all others, random and made once."""
        with transaction(self.path) as connection:
            connection.execute("INSERT OR IGNORE INTO identity VALUES (1, ?)", (uuid.uuid4().hex,))
            return str(connection.execute("SELECT id FROM identity").fetchone()[0])

    def known_marks(self, subject: str) -> dict[str, str]:
        """Keyed hashes of what is known of a subject, by kind: birth date and sex."""
        with transaction(self.path) as connection:
            rows = connection.execute(
                "SELECT kind, digest FROM marks WHERE subject = ?", (subject,)
            )
            return dict(rows.fetchall())

    def note_marks(self, marks: Iterable[tuple[str, str, str]]) -> None:
        """Keep (subject, kind, digest), in the place of what is known of the kind."""
        with transaction(self.path) as connection:
            connection.executemany("INSERT OR REPLACE INTO marks VALUES (?, ?, ?)", marks)

    def note_build(self, build: str, fingerprint: str, splits: Iterable[tuple[str, str]]) -> None:
        """Keep who is in a build, or is trained on in a fold: (subject, split)."""
        with transaction(self.path) as connection:
            connection.executemany(
                "INSERT OR IGNORE INTO members VALUES (?, ?, ?, ?)",
                [(build, fingerprint, subject, split) for subject, split in splits],
            )

    def splits(self) -> dict[str, str]:
        """Split of every subject that was ever in a build, as in the last one; folds fix none."""
        with transaction(self.path) as connection:
            rows = connection.execute(
                "SELECT subject, split FROM members WHERE build NOT GLOB ? ORDER BY rowid", (FOLDS,)
            )
            return dict(rows.fetchall())

    def is_fold(self, fingerprint: str) -> bool:
        """Whether a fingerprint is that of a fold of cross-validation."""
        with transaction(self.path) as connection:
            rows = connection.execute(
                "SELECT 1 FROM members WHERE fingerprint = ? AND build GLOB ?", (fingerprint, FOLDS)
            )
            return rows.fetchone() is not None

    def subjects(self, fingerprint: str, split: str) -> frozenset[str]:
        """Subjects of one split of a build."""
        with transaction(self.path) as connection:
            rows = connection.execute(
                "SELECT subject FROM members WHERE fingerprint = ? AND split = ?",
                (fingerprint, split),
            )
            return frozenset(subject for (subject,) in rows)

    def builds_with(self, subject: str) -> dict[str, str]:
        """Name and fingerprint of every build that held a subject, and fold that trained on it."""
        with transaction(self.path) as connection:
            rows = connection.execute(
                "SELECT build, fingerprint FROM members WHERE subject = ? ORDER BY build",
                (subject,),
            )
            return dict(rows.fetchall())

    def note_made(self, path: Path, fingerprints: Iterable[str]) -> None:
        """Keep that a run or weights learnt from builds, where they lie, and that they ask here."""
        made = [(self._noted(path), fingerprint) for fingerprint in fingerprints]
        asking = [(*row, str(self.path.resolve())) for row in made]
        with transaction(self.path) as connection:
            connection.executemany("INSERT OR IGNORE INTO made VALUES (?, ?)", made)
            connection.executemany("INSERT OR IGNORE INTO asking VALUES (?, ?, ?)", asking)

    def asked_by(self, path: Path) -> tuple[tuple[str, str], ...]:
        """Ledger that a run or weights ask about each build, and the build's fingerprint.

        It is another one than this where the laboratory was copied or moved since.
        """
        with transaction(self.path) as connection:
            rows = connection.execute(
                "SELECT coalesce(ledger, ?), fingerprint FROM made "
                "LEFT JOIN asking USING (path, fingerprint) WHERE path IN (?, ?)",
                (str(self.path.resolve()), *self._forms(path)),
            )
            return tuple(rows.fetchall())

    def made_from(self, subject: str, split: str) -> tuple[Path, ...]:
        """Return the runs and weights that learnt from builds with a subject in a split."""
        with transaction(self.path) as connection:
            rows = connection.execute(
                "SELECT DISTINCT path FROM made JOIN members USING (fingerprint) "
                "WHERE subject = ? AND split = ? ORDER BY path",
                (subject, split),
            )
            return tuple(sorted({self._found(path) for (path,) in rows}))

    def note_copies(self, path: Path, clips: Iterable[str]) -> None:
        """Keep that a file or folder outside the clips shows pictures of clips."""
        with transaction(self.path) as connection:
            connection.executemany(
                "INSERT OR IGNORE INTO copies VALUES (?, ?)",
                [(self._noted(path), clip) for clip in clips],
            )

    def copies_of(self, clips: Iterable[str]) -> tuple[Path, ...]:
        """Files and folders that were written with pictures of clips."""
        wanted = set(clips)
        with transaction(self.path) as connection:
            rows = connection.execute("SELECT path, clip FROM copies ORDER BY path").fetchall()
        return tuple(dict.fromkeys(self._found(path) for path, clip in rows if clip in wanted))

    def shown_on(self, paths: Iterable[Path]) -> frozenset[str]:
        """Clips whose pictures are on any of these files or folders."""
        wanted = {form for path in paths for form in self._forms(path)}
        with transaction(self.path) as connection:
            rows = connection.execute("SELECT path, clip FROM copies").fetchall()
        return frozenset(clip for path, clip in rows if path in wanted)

    def forget_copy(self, path: Path, clips: Iterable[str] | None = None) -> None:
        """Drop that a file shows clips, or all that is known of it if it is gone (None)."""
        forms = self._forms(path)
        with transaction(self.path) as connection:
            if clips is None:
                connection.execute("DELETE FROM copies WHERE path IN (?, ?)", forms)
            else:
                connection.executemany(
                    "DELETE FROM copies WHERE path IN (?, ?) AND clip = ?",
                    [(*forms, clip) for clip in clips],
                )

    def _noted(self, path: Path) -> str:
        """Path from the laboratory's folder if it lies there, else from the root of all files."""
        whole, root = path.resolve(), self.path.resolve().parent
        return whole.relative_to(root).as_posix() if whole.is_relative_to(root) else str(whole)

    def _forms(self, path: Path) -> tuple[str, str]:
        """Path as it is noted, and as earlier versions noted it."""
        return self._noted(path), str(path.resolve())

    def _found(self, noted: str) -> Path:
        return self.path.resolve().parent / noted
