"""Owns how each structure looks: colour on paper, colour on an image, line pattern, short name."""

from dataclasses import dataclass
from typing import Final

from layermotion.labels import Structure

Colour = tuple[int, int, int]

PAPER: Final = "#FBFAF6"
INK: Final = "#22252B"
FAINT_INK: Final = "#5A5F68"
RULE: Final = "#D6D1C4"
REST_TINT: Final = "#E9EEF1"
CONTRACTED_TINT: Final = "#F4DFC0"


@dataclass(frozen=True)
class Look:
    """Appearance of one structure; the pattern repeats the colour for readers of grey print.

    Parameters
    ----------
    short_name
        Label beside a line.
    on_paper, on_image
        ``#RRGGBB``; dark enough for text on paper, light enough for a line on a grey image.
    pattern_px
        On and off lengths along a line in pixels, starting with on; empty for a solid line.
    """

    short_name: str
    on_paper: str
    on_image: str
    pattern_px: tuple[int, ...]

    @property
    def image_rgb(self) -> Colour:
        """``on_image`` as three values from 0 to 255."""
        return rgb(self.on_image)

    @property
    def paper_rgb(self) -> Colour:
        """``on_paper`` as three values from 0 to 255."""
        return rgb(self.on_paper)


# Hues start from the colour-blind safe set of Okabe and Ito (2008), moved apart in lightness
# until every pair of wall layers stays distinct under simulated colour blindness (see
# test_report.py). Our choice.
LOOKS: Final = {
    Structure.FAT: Look("fat", "#6B6740", "#F2E34C", (2, 6)),
    Structure.EO: Look("EO", "#A83E00", "#E06A20", (16, 5, 4, 5)),
    Structure.IO: Look("IO", "#0067A6", "#4FA8EA", (14, 7)),
    Structure.TRA: Look("TrA", "#4A1259", "#FFD9EC", ()),
    Structure.BLADDER: Look("bladder", "#00574B", "#3FE0B0", ()),
}


def rgb(colour: str) -> Colour:
    """Split ``#RRGGBB`` into three values from 0 to 255.

    Examples
    --------
    >>> rgb("#0067A6")
    (0, 103, 166)
    """
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def short_name(structure: str) -> str:
    """Label of a structure as a report writes it; unknown names pass unchanged.

    Examples
    --------
    >>> short_name("tra")
    'TrA'
    """
    return LOOKS[Structure(structure)].short_name if structure in LOOKS else structure
