"""Owns the course of the measures over all visits, as the page shows it."""

from typing import Any

from layermotion.review.visit import Review


def course_of(review: Review) -> dict[str, Any]:
    """Give nothing yet."""
    return {}
