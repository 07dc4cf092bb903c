"""Owns the files that a person or a program reads: page, plots, overlay."""
