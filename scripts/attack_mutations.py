"""Owns how a good file is damaged: by bytes, by DICOM elements, by values of JSON and tables."""

import csv
import io
import json
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from pydicom.dataelem import RawDataElement
from pydicom.filereader import data_element_generator, read_preamble

Random = np.random.Generator
Mutation = Callable[[Random, bytes], bytes]

# Values that stand where another one is expected.
ODD_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 10**30, -(10**12), 1.5, -0.0, 1e308, 1e999, float("nan"),
    float("inf"), "", "words", "NaN", "\0", "../../x", "=1+1", "a" * 3000, "\u202e", [], [[]],
    [1, 2], ["a"], {}, {"a": {"a": {}}},
)  # fmt: skip
ODD_WORDS = (
    "", " ", "-1", "0", "1e999", "nan", "inf", "1,5", "１２", "²", "\0", '"', "=1+1", "../x.dcm",
    "/etc/passwd", "a" * 5000, "\u202egpj", "1" * 400, "-", "2024-02-31", "left", ";", "\t", "é",
)  # fmt: skip
EXTREMES = (0, 1, 2**7, 2**15, 2**16 - 1, 2**24, 2**31 - 1, 2**31, 2**32 - 1)
NESTED = (b"[" * 60_000, b'{"a":' * 60_000, b'[{"rows":' * 30_000)


def cut(random: Random, content: bytes) -> bytes:
    """Leave the end away, as a copy that was stopped does."""
    return content[: int(len(content) * random.uniform(0.02, 0.98))]


def flip(random: Random, content: bytes) -> bytes:
    """Turn some bits."""
    changed = bytearray(content)
    for place in random.integers(0, len(content), random.integers(1, 12)):
        changed[place] ^= 1 << int(random.integers(8))
    return bytes(changed)


def flip_head(random: Random, content: bytes) -> bytes:
    """Turn bits where headers stand."""
    head = min(len(content), 600)
    return flip(random, content[:head]) + content[head:]


def overwrite(random: Random, content: bytes) -> bytes:
    """Put noise, zeros or text over a stretch."""
    first, length = _stretch(random, content)
    kind = random.integers(3)
    block = random.bytes(length) if kind == 0 else bytes(length) if kind == 1 else b"A" * length
    return content[:first] + block + content[first + length :]


def take_out(random: Random, content: bytes) -> bytes:
    """Leave a stretch away."""
    first, length = _stretch(random, content)
    return content[:first] + content[first + length :]


def put_in(random: Random, content: bytes) -> bytes:
    """Put a stretch in twice, or noise between."""
    first, length = _stretch(random, content)
    block = content[first : first + length] if random.integers(2) else random.bytes(length)
    return content[:first] + block + content[first:]


def extreme(random: Random, content: bytes) -> bytes:
    """Put an extreme number over one near the beginning or anywhere."""
    size = int(random.choice([1, 2, 4]))
    end = min(len(content), 2000) if random.integers(2) else len(content)
    place = int(random.integers(0, max(1, end - size)))
    number = int(random.choice(EXTREMES)) % (1 << 8 * size)
    # Its own order, or the other one.
    put = number.to_bytes(size, "little")[:: 1 if random.integers(2) else -1]
    return content[:place] + put + content[place + size :]


def replace_all(random: Random, content: bytes) -> bytes:
    """Put something of another kind in the place of the file."""
    choices = (
        b"",
        b"\0" * 500,
        random.bytes(700),
        b"text\n" * 90,
        content[::-1],
        content[:1],
        *NESTED,
    )
    return choices[int(random.integers(len(choices)))]


BYTES: tuple[Mutation, ...] = (
    cut, cut, flip, flip_head, overwrite, take_out, put_in, extreme, extreme, replace_all,
)  # fmt: skip


def dicom_value(random: Random, content: bytes) -> bytes:
    """Put something odd over the value of an element, or over its kind or its length."""
    places = _elements(content)
    if not places:
        return flip(random, content)
    value_at, length = places[int(random.integers(len(places)))]
    changed = bytearray(content)
    kind = int(random.integers(4))
    if kind == 0 and length:  # a number or text that the element cannot have
        word = str(random.choice(["NaN", "1e20", "-1", "DOE^JANE", "\\\\\\", "99999999"])).encode()
        changed[value_at : value_at + length] = (word * length)[:length]
    elif kind == 1 and length:
        changed[value_at : value_at + length] = bytes([int(random.choice([0, 255, 92]))]) * length
    elif kind == 2:  # another value representation
        word = str(random.choice(["US", "SQ", "OB", "UN", "LT", "DS", "IS", "??"])).encode()
        changed[value_at - 4 : value_at - 2] = word
    else:  # a length that does not fit
        changed[value_at - 2 : value_at] = struct.pack("<H", int(random.choice([0, 1, 3, 65535])))
    return bytes(changed)


def _elements(content: bytes) -> list[tuple[int, int]]:
    """Where the values of the first level stand, and how long they are, but for the pixels."""
    stream = io.BytesIO(content)
    try:
        read_preamble(stream, force=True)
        found = data_element_generator(stream, is_implicit_VR=False, is_little_endian=True)
        return [
            (element.value_tell, len(element.value or b""))
            for element in found
            if isinstance(element, RawDataElement)
            and element.tag.group != 0x7FE0
            and isinstance(element.value, bytes | None)
        ]
    except Exception:
        return []


def json_value(random: Random, content: bytes) -> bytes:
    """Put an odd value in the place of one of a document, take it away or name it otherwise."""
    document = json.loads(content)
    places = list(_places(document))
    if not places:
        return replace_all(random, content)
    path = places[int(random.integers(len(places)))]
    part = document
    for key in path[:-1]:
        part = part[key]
    kind = random.integers(6)
    if kind == 0:
        del part[path[-1]]
    elif kind == 1 and isinstance(part, dict):
        part["odd"] = part.pop(path[-1])
    else:
        part[path[-1]] = ODD_VALUES[int(random.integers(len(ODD_VALUES)))]
    return json.dumps(document).encode()


def _places(content: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if path:
        yield path
    if isinstance(content, dict | list):
        for key, value in content.items() if isinstance(content, dict) else enumerate(content):
            yield from _places(value, (*path, key))


def table_value(random: Random, content: bytes) -> bytes:
    """Put an odd word into a cell, or change columns, rows, separators or the encoding."""
    rows = list(csv.reader(io.StringIO(content.decode("utf-8"), newline="")))
    row = rows[int(random.integers(len(rows)))]
    word = ODD_WORDS[int(random.integers(len(ODD_WORDS)))]
    kind = int(random.integers(8))
    if kind <= 3:
        row[int(random.integers(len(row)))] = word
    elif kind == 4:
        row.append(word)
    elif kind == 5:
        row.pop()
    elif kind == 6:
        rows.append(list(row))
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=",;\t|"[int(random.integers(4)) if kind == 7 else 0]).writerows(
        rows
    )
    return stream.getvalue().encode("utf-16" if random.integers(12) == 0 else "utf-8")


def workbook_part(random: Random, content: bytes) -> bytes:
    """Damage one part of a workbook, and pack it again."""
    with zipfile.ZipFile(io.BytesIO(content)) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    name = sorted(parts)[int(random.integers(len(parts)))]
    if random.integers(4) == 0:
        del parts[name]
    else:
        parts[name] = BYTES[int(random.integers(len(BYTES)))](random, parts[name])
    with io.BytesIO() as stream:
        with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as book:
            for part, value in parts.items():
                book.writestr(part, value)
        return stream.getvalue()


def png_chunk(random: Random, content: bytes) -> bytes:
    """Change the header of a PNG, with a checksum that fits."""
    header = bytearray(content[12:29])
    place = int(random.integers(4, 17))
    header[place] = int(random.choice([0, 1, 2, 3, 7, 16, 127, 128, 255]))
    return content[:12] + bytes(header) + struct.pack(">I", zlib.crc32(header)) + content[33:]


def _stretch(random: Random, content: bytes) -> tuple[int, int]:
    length = int(random.integers(1, max(2, min(3000, len(content) // 3))))
    return int(random.integers(0, max(1, len(content) - length))), length


def mutations_of(name: str) -> tuple[Mutation, ...]:
    """Ways to damage a file, by its name."""
    suffix = name.rpartition(".")[2].lower()
    own: dict[str, tuple[Mutation, ...]] = {
        "dcm": (dicom_value,) * 8,
        "json": (json_value,) * 20,
        "csv": (table_value,) * 15,
        "xlsx": (workbook_part,) * 8,
        "png": (png_chunk,) * 3,
    }
    return (*BYTES, *own.get(suffix, ()))


def mutate(random: Random, name: str, content: bytes) -> tuple[str, bytes]:
    """Damage a file once, now and then twice; say how, and give its new content."""
    ways = mutations_of(name)
    way = ways[int(random.integers(len(ways)))]
    changed = way(random, content)
    if random.integers(8) == 0 and changed:
        changed = flip(random, changed)
    return way.__name__, changed
