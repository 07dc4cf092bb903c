"""Owns reasons, cautions and refusals in the language of a page; all else says them in English."""

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Self

from layermotion.serving.texts import FALLBACK, Languages, Texts

FOLDER = "translations"
# Tables of a file in the order of looking: reasons and cautions, what changed between visits, what
# is wrong with a file, what the program refuses, and the phrases that are put into them.
TABLES = ("sentences", "changes", "faults", "refusals", "phrases")
PLACE = re.compile(r"\{(\w+)\}")
# What is put into a sentence as it is: numbers, names of files, and what a person typed.
NUMBER = re.compile(r"[-−+\d.,; ]+(e[-+]\d+)?|[-−+]?(nan|inf)")
AS_IT_IS = ("file", "how", "own", "reason", "second", "source", "stored", "values")
# What the system says of a fault: in its own language, if we do not know it.
CAUSE = "cause"
DECIMAL = re.compile(r"(?<=\d)\.(?=\d)")


@dataclass(frozen=True)
class Sentences:
    """Sentences of one language by what they are in English.

    Parameters
    ----------
    known
        Pattern of the English sentence or phrase, and its translation, in the order of looking.
    other
        Stands for a sentence that has no translation, so that no page mixes languages.
    decimal
        Mark before the decimals of a number.
    """

    known: tuple[tuple[re.Pattern[str], str], ...]
    other: str
    decimal: str

    @classmethod
    def of(cls, language: str) -> Self | None:
        """Read the sentences of a language; None for English."""
        if language == FALLBACK:
            return None
        text = (files(__package__) / FOLDER / f"{language}.toml").read_text(encoding="utf-8")
        stored = tomllib.loads(text)
        known = tuple(
            (_pattern(english), own) for table in TABLES for english, own in stored[table].items()
        )
        return cls(known, stored["other"], stored["decimal"])

    def say(self, english: str) -> str:
        """Give a reason or caution in this language."""
        return self._found(english) or self.other

    def refuse(self, english: str) -> str:
        """Give a refusal in this language, or as it is: a remedy that is not said helps nobody."""
        return self._found(english) or english

    def _found(self, english: str) -> str | None:
        for pattern, own in self.known:
            match = pattern.fullmatch(english)
            if match is None:
                continue
            parts = {name: self._part(name, text) for name, text in match.groupdict().items()}
            if all(part is not None for part in parts.values()):
                return PLACE.sub(lambda place, own=parts: str(own[place[1]]), own)  # type: ignore[misc]
        return None

    def _part(self, name: str, text: str) -> str | None:
        """Give what is put in; None where it is English that has no translation."""
        if name in AS_IT_IS:
            return text
        if NUMBER.fullmatch(text):
            return DECIMAL.sub(self.decimal, text)
        for mark in ("; ", ", "):
            if mark in text:
                parts = [self._found(part) for part in text.split(mark)]
                if None not in parts:
                    return mark.join(str(part) for part in parts)
        found = self._found(text)
        return text if found is None and name == CAUSE else found


@cache
def sentences_of(language: str) -> Sentences | None:
    """Sentences of a language, read once; None for English."""
    return Sentences.of(language)


@cache
def _languages() -> Languages:
    """All languages that there are sentences in."""
    names = [entry.name for entry in (files(__package__) / FOLDER).iterdir()]
    own = [name.removesuffix(".toml") for name in sorted(names) if name.endswith(".toml")]
    return Languages(tuple(Texts(language, {}) for language in (FALLBACK, *own)))


def language_of(accepted: str) -> str:
    """Give the language for a browser's header ``Accept-Language``.

    Examples
    --------
    >>> [language_of(accepted) for accepted in ("de-CH, en;q=0.5", "fr", "")]
    ['de', 'en', 'en']
    """
    return _languages().choose(accepted).language


def say_in(language: str, english: str) -> str:
    """Say a sentence in a language."""
    own = sentences_of(language)
    return english if own is None else own.say(english)


def refuse_in(language: str, english: str) -> str:
    """Say a refusal in a language."""
    own = sentences_of(language)
    return english if own is None else own.refuse(english)


def _pattern(english: str) -> re.Pattern[str]:
    parts = PLACE.split(english)
    texts = [re.escape(part) if k % 2 == 0 else f"(?P<{part}>.+?)" for k, part in enumerate(parts)]
    return re.compile("".join(texts), re.DOTALL)
