"""Owns what the page shows of all visits of a patient: charts, and two visits compared."""

from dataclasses import asdict
from typing import Any

from layermotion.errors import InputError
from layermotion.record.chart import Chart, VisitRows, charts, compare, read_visits, unlike
from layermotion.record.drawing import Words, draw_chart
from layermotion.review.visit import Review
from layermotion.serving.sentences import say_in
from layermotion.serving.texts import Texts
from layermotion.session.detectable import DetectableChanges
from layermotion.ways import way_of

# Words in every picture.
SHARED = ("band", "no_band", "beyond", "no_value", "decimal", "day")
# What an SVG states that is no part of a page.
NAMESPACES = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'


def course_of(review: Review, own: DetectableChanges | None, texts: Texts) -> dict[str, Any]:
    """Say how each measure went over the signed visits of the patient of a review.

    Parameters
    ----------
    own
        The clinic's own smallest detectable changes; published ones are used where it has none.
    """
    visits = _signed(review)
    places = {one.visit.visit_id: number for number, one in enumerate(visits)}
    return {
        "visits": [
            {"day": one.visit.day.isoformat(), "signed_by": one.visit.signed_by} for one in visits
        ],
        "charts": [_chart(chart, places, texts.language) for chart in charts(visits, own)],
        "cautions": [say_in(texts.language, sentence) for sentence in unlike(visits)],
    }


def picture_of(review: Review, number: int, own: DetectableChanges | None, texts: Texts) -> str:
    """Draw one chart of the course as SVG, in the language of the texts.

    Raises
    ------
    InputError
        If it is not there.
    """
    found = charts(_signed(review), own)
    if number >= len(found):
        raise InputError("There is no such chart; load the page again.")
    chart = found[number]
    return draw_chart(chart, words_of(chart, texts)).replace("<svg ", f"<svg {NAMESPACES} ", 1)


def words_of(chart: Chart, texts: Texts) -> Words:
    """Give the words in the picture of a chart."""
    key = chart.key
    name = texts.say(f"chart.{key.measure}", layer=texts.say(f"layer.{key.structure}"))
    unit = texts.say("chart.ratio") if key.unit == "ratio" else key.unit
    lines = [f"{name}, {unit}"]
    # A slide whose direction is not known is not charted.
    way = way_of(key.measure)
    if way:
        lines.append(texts.say(f"way.{way}"))
    return Words(
        "\n".join(lines),
        **{k: texts.say(f"chart.{k}") for k in SHARED},
    )


def compared(
    review: Review, first: int, second: int, own: DetectableChanges | None, language: str
) -> dict[str, Any]:
    """Say what changed between two signed visits, by their places in the course.

    Raises
    ------
    LayermotionError
        If one is not there, or both are one.
    """
    visits = _signed(review)
    if not (first < len(visits) and second < len(visits)):
        raise InputError("There is no such visit; load the page again.")
    # Of two visits of one day the one that was begun first is the earlier one.
    found = compare(visits[min(first, second)], visits[max(first, second)], own)
    return {
        "earlier": found.earlier.day.isoformat(),
        "now": found.now.day.isoformat(),
        "sentences": [say_in(language, sentence) for sentence in found.sentences],
    }


def _signed(review: Review) -> tuple[VisitRows, ...]:
    if review.visit is None:
        return ()
    visits = read_visits(review.record, review.visit.patient_id)
    return tuple(one for one in visits if one.visit.is_signed)


def _chart(chart: Chart, places: dict[str, int], language: str) -> dict[str, Any]:
    return {
        **asdict(chart.key),
        "way": way_of(chart.key.measure),
        "first": chart.first,
        "source": say_in(language, chart.source) if chart.source else "",
        "points": [
            {
                "visit": places[point.visit_id],
                "day": point.day.isoformat(),
                "value": point.value,
                "low": point.low,
                "high": point.high,
                "detectable": point.detectable,
                "is_beyond": point.is_beyond,
                "words": say_in(language, point.words),
            }
            for point in chart.points
        ],
    }
