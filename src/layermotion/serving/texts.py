"""Owns the texts of a page: one TOML file for each language, keyed alike."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Self

# The language of whoever reads none of the others; its file is complete.
FALLBACK = "en"
FOLDER = "texts"


@dataclass(frozen=True)
class Texts:
    """Texts in one language.

    Parameters
    ----------
    language
        Two letters, as in ``<html lang>``.
    by_key
        Text of each key, ``TABLE.NAME``.
    """

    language: str
    by_key: Mapping[str, str]

    def say(self, key: str, **values: object) -> str:
        """Text of a key, with its placeholders filled.

        Examples
        --------
        >>> Texts("en", {"live.repeat": "Repeat {number}"}).say("live.repeat", number=2)
        'Repeat 2'
        """
        return self.by_key[key].format(**values)


@dataclass(frozen=True)
class Languages:
    """The texts of a page in every language that it has."""

    texts: tuple[Texts, ...]

    @classmethod
    def of(cls, package: str) -> Self:
        """Read ``PACKAGE/texts/LANGUAGE.toml``, each of them."""
        folder = files(package) / FOLDER
        found = sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".toml"))
        return cls(
            tuple(
                Texts(
                    name.removesuffix(".toml"),
                    dict(_flat(tomllib.loads((folder / name).read_text(encoding="utf-8")))),
                )
                for name in found
            )
        )

    def choose(self, accepted: str) -> Texts:
        """Texts in the language that a browser likes best; English where it knows none of ours.

        Parameters
        ----------
        accepted
            Header ``Accept-Language``.

        Examples
        --------
        >>> languages = Languages((Texts("de", {}), Texts("en", {})))
        >>> [languages.choose(a).language for a in ("de-AT,en;q=0.5", "fr", "fr, de;q=0.2")]
        ['de', 'en', 'de']
        """
        by_language = {texts.language: texts for texts in self.texts}
        for wanted in _by_liking(accepted):
            if wanted in by_language:
                return by_language[wanted]
        return by_language[FALLBACK]


def _by_liking(accepted: str) -> list[str]:
    """Languages of a header, the best liked first."""
    liked: list[tuple[float, str]] = []
    for part in accepted.split(","):
        name, _, weight = part.partition(";q=")
        try:
            liked.append((-float(weight or 1), name.strip().lower().partition("-")[0]))
        except ValueError:
            continue
    return [name for _, name in sorted(liked, key=lambda pair: pair[0])]


def _flat(table: Mapping[str, Any], above: str = "") -> list[tuple[str, str]]:
    """Keys of nested tables joined by dots."""
    found: list[tuple[str, str]] = []
    for key, value in table.items():
        name = f"{above}{key}"
        found += _flat(value, f"{name}.") if isinstance(value, dict) else [(name, str(value))]
    return found
