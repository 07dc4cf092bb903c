"""Owns the exceptions that reach a user; each message says what, where and the remedy.

LayermotionError
    InputError          a file, folder or option that cannot be used
    ConfigError         a training or generator setting that cannot be used
    WeightsError        weights that are missing, altered or of another layout
    MeasurementError    a clip that was read but cannot be measured
    RecordError         a record over time that is damaged or refuses what is asked
"""

import os
import traceback

PACKAGE = f"{os.sep}layermotion{os.sep}"


def plain(words: str) -> str:
    """Put a mark in place of what a terminal would obey, or could not show.

    Examples
    --------
    >>> plain("left" + chr(10) + ".dcm")
    'left?.dcm'
    """
    return "".join(letter if letter.isprintable() else "?" for letter in words)


class LayermotionError(Exception):
    """Parent of every error a user meets; the message is one sentence that stands alone.

    It may quote a file's name, of which nothing is passed to the screen that is no plain text.
    """

    def __init__(self, sentence: str) -> None:
        super().__init__(plain(sentence))


class InputError(LayermotionError):
    """A file, folder or option cannot be used."""


class ConfigError(LayermotionError):
    """A training or generator setting cannot be used."""


class WeightsError(LayermotionError):
    """Weights are missing, altered, or laid out otherwise than this version needs."""


class MeasurementError(LayermotionError):
    """A clip was read but cannot be measured."""


class RecordError(LayermotionError):
    """The record over time is damaged, in use, or refuses what is asked of it."""


def failure_of(name: str, error: Exception) -> LayermotionError:
    """Make whatever was raised the failure of one source, so that the others go on.

    Our own errors stay as they are. Of what nobody foresaw only kind and place are told: the words
    of a library may quote a file.
    """
    if isinstance(error, LayermotionError):
        return error
    own = [step for step in traceback.extract_tb(error.__traceback__) if PACKAGE in step.filename]
    place = f" at {own[-1].filename.rpartition(PACKAGE)[2]}:{own[-1].lineno}" if own else ""
    return MeasurementError(
        f"{name} failed in a way that was not foreseen ({type(error).__name__}{place}); report "
        f"this line, and export the recording again in another format."
    )
