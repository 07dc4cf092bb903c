"""Owns telling whether a clip that comes in shows pictures that another subject brought already.

prints/NAME.npz keeps what is compared, by a key from the secret, and no picture; it stays when the
clip is erased, so that a copy cannot come back under another name.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from layermotion.errors import InputError
from layermotion.files import atomic_path
from layermotion.lab.leakage import (
    LARGEST_DISTANCE,
    Texture,
    picture_hash,
    shares_texture,
    texture_of,
)
from layermotion.lab.secret import Secret

# Our choice. Frames of a clip, evenly spread, whose whole pictures are compared; neighbours differ
# less than two scenes do.
HASHED_FRAMES = 16
# Frames of a clip whose texture is kept, to find a part cut out; about 17 kB each.
TEXTURED_FRAMES = 3
DIGEST_BYTES = 8


@dataclass(frozen=True, eq=False)
class Print:
    """What is kept of a clip.

    Parameters
    ----------
    name, subject
        Of the clip.
    bits
        Keyed hashes of whole pictures, bool (frames, 255).
    textures
        Keyed texture of some frames.
    """

    name: str
    subject: str
    bits: NDArray[np.bool_]
    textures: tuple[Texture, ...]


def spread(count: int, wanted: int) -> list[int]:
    """Numbers of frames that are spread over a clip.

    Examples
    --------
    >>> spread(100, 3), spread(2, 16)
    ([0, 50, 99], [0, 1])
    """
    return sorted({round(float(n)) for n in np.linspace(0, count - 1, min(count, wanted))})


def print_of(
    name: str, subject: str, pictures: Sequence[NDArray[np.uint8]], secret: Secret
) -> Print:
    """Take of a clip what is kept.

    Parameters
    ----------
    pictures
        Image areas of the frames that ``spread`` names for ``HASHED_FRAMES``.
    """
    kept = [pictures[n] for n in spread(len(pictures), TEXTURED_FRAMES)]
    textures = tuple(_texture(picture, secret) for picture in kept)
    return Print(name, subject, _bits(pictures, secret), textures)


def find_copy(
    pictures: Sequence[NDArray[np.uint8]], subject: str, prints: Iterable[Print], secret: Secret
) -> str | None:
    """Name of a clip of another subject that shows the same pictures or parts, mirrored or not.

    Parameters
    ----------
    pictures
        Image areas of the frames that ``spread`` names for ``HASHED_FRAMES``.
    """
    others = [known for known in prints if known.subject != subject]
    for shown in (pictures, [np.ascontiguousarray(p[:, ::-1]) for p in pictures]):
        bits, middle = _bits(shown, secret), _texture(shown[len(shown) // 2], secret)
        for known in others:
            differing = (bits[:, None] != known.bits[None]).sum(axis=2)  # (shown, known)
            if int(differing.min()) <= LARGEST_DISTANCE:
                return known.name
            if any(shares_texture(texture, middle) for texture in known.textures):
                return known.name
    return None


def _bits(pictures: Iterable[NDArray[np.uint8]], secret: Secret) -> NDArray[np.bool_]:
    """Hashes of whole pictures, bool (frames, 255), turned by the secret: distances stay."""
    order, flips = _key(secret, "whole", 255)
    return np.stack([picture_hash(picture) for picture in pictures])[:, order] ^ (flips > 0)


def _texture(picture: NDArray[np.uint8], secret: Secret) -> Texture:
    """Texture of a picture, with codes turned by the secret: distances stay."""
    order, flips = _key(secret, "texture", 256)
    found = texture_of(picture)
    codes = np.unpackbits(found.codes, axis=1)[:, order] ^ flips
    return replace(found, codes=np.packbits(codes, axis=1))


def save_print(path: Path, kept: Print) -> None:
    """Write a print."""
    arrays = {
        f"{part}_{number}": getattr(texture, part)
        for number, texture in enumerate(kept.textures)
        for part in ("places", "codes")
    }
    buffer = BytesIO()
    np.savez_compressed(buffer, subject=np.array(kept.subject), bits=kept.bits, **arrays)
    with atomic_path(path) as temporary:
        temporary.write_bytes(buffer.getvalue())


def load_print(path: Path) -> Print:
    """Read a print.

    Raises
    ------
    InputError
        If it is damaged.
    """
    try:
        with np.load(path, allow_pickle=False) as stored:
            count = sum(name.startswith("codes_") for name in stored.files)
            textures = tuple(
                Texture(stored[f"places_{number}"], stored[f"codes_{number}"])
                for number in range(count)
            )
            return Print(path.stem, str(stored["subject"]), stored["bits"], textures)
    except (OSError, ValueError, KeyError) as error:
        raise InputError(
            f"prints/{path.name} is damaged, so copies cannot be told; restore it from the last "
            f"copy of the laboratory."
        ) from error


@lru_cache
def _key(secret: Secret, purpose: str, length: int) -> tuple[NDArray[np.intp], NDArray[np.uint8]]:
    """Order of bits, and which are turned, (length,) each."""
    digests = [secret.digest(f"print {purpose}", str(number)) for number in range(length)]
    order = np.argsort([int.from_bytes(d[:DIGEST_BYTES], "big") for d in digests])
    return order, np.array([digest[-1] & 1 for digest in digests], np.uint8)
