"""Owns telling a DICOM file by its first bytes, without loading what reads it."""


def looks_like_dicom(head: bytes) -> bool:
    """Tell by the first 132 bytes: the DICM mark, or a first element of group 2 or 8.

    Examples
    --------
    >>> looks_like_dicom(bytes(128) + b"DICM")
    True
    >>> looks_like_dicom(b"hello")
    False
    """
    return head[128:132] == b"DICM" or head[:2] in (b"\x08\x00", b"\x02\x00")
