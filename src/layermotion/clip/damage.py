"""Owns what the libraries that read files raise where one is damaged; it loads none of them."""

import struct
import zlib

# What NumPy and the decoders of pictures raise; regions.py adds what pydicom raises.
DECODE_ERRORS = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    EOFError,
    LookupError,
    MemoryError,
    NotImplementedError,
    OSError,
    RuntimeError,
    TypeError,
    ValueError,
    struct.error,
    zlib.error,
)
