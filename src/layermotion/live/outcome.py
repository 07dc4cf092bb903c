"""Owns what a page shows of a measured clip: its main number, all its numbers, its cautions."""

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from layermotion.analysis.result import Analysis
from layermotion.labels import Structure, View
from layermotion.measures.measure import Measure
from layermotion.measures.repeats import overall
from layermotion.serving.sentences import say_in
from layermotion.ways import way_of

# The measure that stands first, of each view: its name, structure and unit.
CHIEF = {
    View.ABDOMINAL_WALL: ("thickness_change", Structure.TRA, "%"),
    View.BLADDER: ("base_displacement", Structure.BLADDER, "mm"),
}


@dataclass(frozen=True)
class Outcome:
    """A measured clip, all of it a draft.

    Parameters
    ----------
    clip_id
        Short hash of its content.
    measures
        All its numbers.
    chief
        The one that stands first; None where there is none of its kind.
    cautions
        Sentences that a reader must know.
    report
        Where its report was written; None where nothing was.
    is_lateral_known
        Whether its slides are positive towards lateral.
    """

    clip_id: str
    measures: tuple[Measure, ...]
    chief: Measure | None
    cautions: tuple[str, ...]
    report: Path | None
    is_lateral_known: bool

    @classmethod
    def of(cls, analysis: Analysis, report: Path | None) -> "Outcome":
        """Take from an analysis what the page shows."""
        chief = overall(analysis.measures, *CHIEF[analysis.view])
        return cls(
            analysis.clip.clip_id, analysis.measures, chief, analysis.all_cautions, report,
            analysis.is_lateral_known,
        )  # fmt: skip

    def shown(self, language: str) -> dict[str, Any]:
        """Give what the page shows, for JSON; a path tells its last folder alone."""
        return {
            "clip": self.clip_id,
            "chief": self._told(self.chief, language) if self.chief else None,
            "measures": [self._told(measure, language) for measure in self.measures],
            "cautions": list(dict.fromkeys(say_in(language, each) for each in self.cautions)),
            "folder": self.report.parent.name if self.report else None,
        }

    def _told(self, measure: Measure, language: str) -> dict[str, Any]:
        """Give a measure with its reason in a language, and the way in which it is positive."""
        reason = say_in(language, measure.reason) if measure.reason else ""
        way = way_of(measure.name, is_lateral_known=self.is_lateral_known)
        return asdict(measure) | {"reason": reason, "way": way}
