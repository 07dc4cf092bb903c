"""Owns training: settings, data, loop, evaluation, export. Needs the train extra."""
