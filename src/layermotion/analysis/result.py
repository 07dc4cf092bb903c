"""Owns what was found in one clip."""

from dataclasses import dataclass
from functools import cached_property

from layermotion.analysis.footage import Footage
from layermotion.clip import Clip
from layermotion.efforts.efforts import Efforts
from layermotion.labels import View
from layermotion.measures.measure import Measure
from layermotion.measures.withheld import given_series
from layermotion.series.medial_edge import MedialEdge
from layermotion.series.series import Series


@dataclass(frozen=True, eq=False)
class Analysis:
    """All that was found in one clip.

    Parameters
    ----------
    footage
        The clip as it was seen, with its edges and the motion of its tissue.
    series
        Its quantities over time.
    efforts
        When its efforts were.
    measures
        Its numbers.
    site_px
        Frame column of the site or of the bladder base; None where there is none.
    cautions
        Sentences for the report beyond those of the clip.
    medial_edge
        How the medial end of the TrA moves; None where no slide is measured.
    is_lateral_known
        Whether a slide is positive towards lateral; else it is towards the right of the picture.
    """

    footage: Footage
    series: Series
    efforts: Efforts
    measures: tuple[Measure, ...]
    site_px: float | None
    cautions: tuple[str, ...]
    medial_edge: MedialEdge | None = None
    is_lateral_known: bool = True

    @cached_property
    def given(self) -> Series:
        """Its quantities over time without what the table withholds, for pictures and plots."""
        return given_series(self.series, self.efforts.windows, self.measures)

    @property
    def all_cautions(self) -> tuple[str, ...]:
        """Sentences that a reader must know, those of the clip first, each once."""
        return tuple(dict.fromkeys((*self.clip.cautions, *self.cautions)))

    @property
    def clip(self) -> Clip:
        """The clip that was measured."""
        return self.footage.clip

    @property
    def view(self) -> View:
        """What the probe looks at."""
        return self.footage.view
