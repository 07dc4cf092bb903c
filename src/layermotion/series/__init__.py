"""Quantities over time, one value and one confidence for every frame."""

__all__ = (
    "base",
    "by_hand",
    "causes",
    "disputed",
    "medial_edge",
    "picture",
    "probe",
    "series",
    "shape",
    "slide",
    "thickness",
    "whole_muscle",
    "withhold",
)
