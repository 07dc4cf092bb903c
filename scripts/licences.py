"""Lists the licence of every package that an installation brings, as the packages state it.

    python scripts/licences.py                # of the light install
    python scripts/licences.py --extra train --extra study

It ends with code 1 if a licence is none of those that are taken without asking.
"""

import argparse
import re
import sys
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from email.message import Message
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path
from typing import cast

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PROJECT = Path(__file__).parent.parent / "pyproject.toml"
# Words of licences that ask for no more than their text and names.
TAKEN = re.compile(
    r"\b(MIT|BSD|Apache|PSF|Python Software Foundation|HPND|ISC|Zlib|0BSD|Unlicense|CC0|MIT-CMU)\b",
    re.IGNORECASE,
)
# Words of licences that ask for more; beside one of the others, the choice is ours.
ASKING = re.compile(r"\b(A?GPL|LGPL|MPL|EPL|CDDL|EUPL|Proprietary|Commercial)", re.IGNORECASE)
UNSTATED = "not stated"


@dataclass(frozen=True)
class Package:
    """A package, and the licence that it states."""

    name: str
    version: str
    licence: str

    @property
    def is_taken(self) -> bool:
        """Whether its licence is one of those that are taken without asking."""
        is_asking = bool(ASKING.search(self.licence)) and " OR " not in self.licence.upper()
        return bool(TAKEN.search(self.licence)) and not is_asking


def requirements(extras: Sequence[str]) -> list[str]:
    """Read what the project asks for, with some of its extras."""
    project = tomllib.loads(PROJECT.read_text(encoding="utf-8"))["project"]
    optional = project["optional-dependencies"]
    unknown = sorted(set(extras) - set(optional))
    if unknown:
        raise SystemExit(f"There is no extra {unknown[0]}; choose from {', '.join(optional)}.")
    return [*project["dependencies"], *(line for extra in extras for line in optional[extra])]


def closure(wanted: Sequence[str]) -> list[Package]:
    """All packages that these requirements bring, as they are installed here."""
    found: dict[str, Package] = {}
    waiting = [Requirement(line) for line in wanted]
    while waiting:
        requirement = waiting.pop()
        name = canonicalize_name(requirement.name)
        if name in found or name == "layermotion":
            continue
        try:
            installed = distribution(requirement.name)
        except PackageNotFoundError:
            found[name] = Package(name, "-", "not installed here")
            continue
        found[name] = Package(name, installed.version, licence_of(installed))
        waiting += _below(installed, requirement.extras)
    return sorted(found.values(), key=lambda package: package.name)


def _below(installed: Distribution, extras: set[str]) -> Iterator[Requirement]:
    for line in installed.requires or ():
        requirement = Requirement(line)
        marker = requirement.marker
        places = [{"extra": extra} for extra in ("", *extras)]
        if marker is None or any(marker.evaluate(place) for place in places):
            yield requirement


def licence_of(installed: Distribution) -> str:
    """Licence in words: its expression, else its classifiers, else its first line of text."""
    metadata = cast(Message, installed.metadata)
    if expression := metadata.get("License-Expression"):
        return str(expression)
    classifiers = [
        line.rpartition(" :: ")[2]
        for line in metadata.get_all("Classifier") or ()
        if line.startswith("License :: ") and not line.endswith("OSI Approved")
    ]
    if classifiers:
        return ", ".join(classifiers)
    words = str(metadata.get("License") or "").strip().splitlines()
    return words[0][:60] if words else UNSTATED


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; 1 if a licence asks for more than is taken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--extra", action="append", default=[])
    options = parser.parse_args(arguments)
    packages = closure(requirements(options.extra))
    for package in packages:
        mark = "" if package.is_taken else "  <- look at this"
        print(f"{package.name:36}{package.version:16}{package.licence}{mark}")
    asking = [package.name for package in packages if not package.is_taken]
    print(f"{len(packages)} packages, {len(asking)} to look at: {', '.join(asking) or 'none'}")
    return int(bool(asking))


if __name__ == "__main__":
    sys.exit(main())
