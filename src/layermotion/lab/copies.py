"""Owns telling whether a clip that comes in shows pictures that another subject brought already.

prints/NAME.npz keeps what is compared, by a key from the secret, and no picture; it stays when the
clip is erased, so that a copy cannot come back under another name.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from layermotion.errors import InputError
from layermotion.files import atomic_path
from layermotion.lab.leakage import LARGEST_DISTANCE, Look, look_of, shares_texture
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
    looks
        Keyed texture of some frames.
    """

    name: str
    subject: str
    bits: NDArray[np.bool_]
    looks: tuple[Look, ...]


def spread(count: int, wanted: int) -> list[int]:
    """Numbers of frames that are spread over a clip.

    Examples
    --------
    >>> spread(100, 3), spread(2, 16)
    ([0, 50, 99], [0, 1])
    """
    return sorted({round(float(n)) for n in np.linspace(0, count - 1, min(count, wanted))})


def print_of(
    name: str, subject: str, pictures: Iterable[NDArray[np.uint8]], secret: Secret
) -> Print:
    """Take of a clip what is kept.

    Parameters
    ----------
    pictures
        Image areas of the frames that ``spread`` names for ``HASHED_FRAMES``.
    """
    veil = _veil(secret)
    looks = [veil(look_of(picture)) for picture in pictures]
    kept = tuple(looks[n] for n in spread(len(looks), TEXTURED_FRAMES))
    return Print(name, subject, np.stack([look.bits for look in looks]), kept)


def find_copy(
    clip: Iterable[NDArray[np.uint8]], subject: str, prints: Iterable[Print], secret: Secret
) -> str | None:
    """Name of a clip of another subject that shows the same pictures or parts, mirrored or not.

    Takes some 6 ms for each clip that is known.

    Parameters
    ----------
    clip
        Image areas of the frames that ``spread`` names for ``HASHED_FRAMES``.
    """
    pictures = list(clip)
    others = [known for known in prints if known.subject != subject]
    for shown in (pictures, [np.ascontiguousarray(p[:, ::-1]) for p in pictures]):
        mine = print_of("", subject, shown, secret)
        middle = mine.looks[len(mine.looks) // 2]
        for known in others:
            differing = (mine.bits[:, None] != known.bits[None]).sum(axis=2)  # (mine, known)
            if int(differing.min()) <= LARGEST_DISTANCE:
                return known.name
            if any(shares_texture(look, middle) for look in known.looks):
                return known.name
    return None


def save_print(path: Path, kept: Print) -> None:
    """Write a print."""
    arrays = {
        f"{part}_{number}": getattr(look, part)
        for number, look in enumerate(kept.looks)
        for part in ("bits", "places", "codes")
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
            looks = tuple(
                Look(*(stored[f"{part}_{number}"] for part in ("bits", "places", "codes")))
                for number in range(count)
            )
            return Print(path.stem, str(stored["subject"]), stored["bits"], looks)
    except (OSError, ValueError, KeyError) as error:
        raise InputError(
            f"prints/{path.name} is damaged, so copies cannot be told; restore it from the last "
            f"copy of the laboratory."
        ) from error


def _veil(secret: Secret) -> Callable[[Look], Look]:
    """Order and turn the bits of a look by the secret: distances between two looks stay."""
    bit_order, bit_flips = _key(secret, "whole", 255)
    code_order, code_flips = _key(secret, "texture", 256)

    def veil(look: Look) -> Look:
        codes = np.unpackbits(look.codes, axis=1)[:, code_order] ^ code_flips
        bits = look.bits[bit_order] ^ bit_flips.astype(bool)
        return replace(look, bits=bits, codes=np.packbits(codes, axis=1))

    return veil


def _key(secret: Secret, purpose: str, length: int) -> tuple[NDArray[np.intp], NDArray[np.uint8]]:
    """Order of bits, and which are turned, (length,) each."""
    digests = [secret.digest(f"print {purpose}", str(number)) for number in range(length)]
    order = np.argsort([int.from_bytes(d[:DIGEST_BYTES], "big") for d in digests])
    return order, np.array([digest[-1] & 1 for digest in digests], np.uint8)
