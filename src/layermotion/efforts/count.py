"""Owns how many efforts a clip holds, and why that number is not sure where it is not."""

from dataclasses import dataclass

import numpy as np

from layermotion.efforts.excursions import Excursions, Signal, runs

# Within so long a time without a value an effort, or a rest between two, may be hidden, s: less
# than the shortest hold that a protocol asks for, and than a cough (our choice).
LONGEST_GAP_S, LONGEST_GAP_COUGH_S = 1.0, 0.2
# A lone value between gaps may be wrong, and shows no course (our choice).
FEWEST_SEEN = 3
# Efforts that stand out from rest by less than this many standard deviations within both may be
# breathing, drift or noise: a sine reaches 3 (our choice); by less than the second where none was
# asked for (our choice).
LEAST_CLEAR, LEAST_CLEAR_UNASKED = 3.1, 3.2
HIDDEN = "for a time in which an effort may have been the structure could not be seen"
UNCLEAR = "what may be efforts hardly stands out from what moves at rest"
BREATHS = "what moved as far as the efforts, but with the course of a breath, was left out"
LONE = "one of them has the course of a breath"
DISAGREE = "the muscles show different numbers of efforts"
NONE_FOUND = "an effort was asked for and none was seen"


@dataclass(frozen=True)
class Count:
    """Number of efforts in a clip.

    Parameters
    ----------
    number
        Efforts found.
    doubt
        Why the number is not sure; empty where it is.
    """

    number: int
    doubt: str = ""

    @property
    def caution(self) -> tuple[str, ...]:
        """Sentence for the report where the number is not sure."""
        if not self.doubt:
            return ()
        return (
            f"The number of efforts ({self.number} found) is not sure, because {self.doubt}; count "
            f"the efforts in the video.",
        )


def count_efforts(
    signal: Signal,
    time_s: Signal,
    found: Excursions | None,
    longest_gap_s: float,
    *,
    is_asked: bool,
) -> Count:
    """Count the efforts that a signal shows, and tell what makes the number doubtful.

    What does not stand out from rest counts only where efforts were asked for and all of the clip
    is seen: else nothing says that it is more than breathing, drift or noise. Where none was asked
    for nothing counts if some of the clip is not seen, or if no effort both begins and ends.

    Parameters
    ----------
    signal, time_s
        Shape (frames,), NaN where not measured, and s.
    found
        Where the signal leaves its rest, if it does.
    longest_gap_s
        Longest time without a value in which no effort can have been, s.
    is_asked
        Whether the patient is known to have been asked for efforts.
    """
    is_hidden = longest_unseen_s(signal, time_s) > longest_gap_s
    if found is None or not found.efforts:
        return Count(0, HIDDEN if is_hidden else NONE_FOUND if is_asked else "")
    is_mixed = found.breaths > 0
    is_unclear = found.clearness < (LEAST_CLEAR if is_asked else LEAST_CLEAR_UNASKED)
    if not is_asked:
        # All may be breaths where breaths reach as far, and drift where none begins and ends.
        is_unclear |= is_mixed or not any(_is_whole(span, time_s) for span in found.efforts)
    counts_none = (is_unclear and is_hidden) or (not is_asked and (is_unclear or is_hidden))
    doubts = ((is_hidden, HIDDEN), (is_unclear, UNCLEAR), (is_mixed, BREATHS))
    doubt = next((words for holds, words in doubts if holds), "")
    return Count(0 if counts_none else len(found.efforts), doubt)


def _is_whole(effort: tuple[int, int], time_s: Signal) -> bool:
    """Whether the clip shows both ends of an effort, given by its first and last frame."""
    return effort[0] > 0 and effort[1] < time_s.size - 1


def longest_unseen_s(signal: Signal, time_s: Signal) -> float:
    """Longest time without values, s; fewer than ``FEWEST_SEEN`` frames in a row do not end it."""
    spans = runs(~np.isnan(signal))
    seen = [np.arange(a, b + 1) for a, b in spans if b - a + 1 >= FEWEST_SEEN]
    ends = np.concatenate([time_s[:1], *(time_s[span] for span in seen), time_s[-1:]])
    return float(np.diff(ends).max())
