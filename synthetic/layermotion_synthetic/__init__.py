"""Owns labelled synthetic ultrasound: tissue in mm, motion, image formation, exact truth."""
