"""Owns what identifies the code that made a result."""

import hashlib
from importlib.util import find_spec
from pathlib import Path


def code_digest() -> str:
    """SHA-256 over the code of the measuring side and of the generator."""
    digest = hashlib.sha256()
    for package in ("layermotion", "layermotion_synthetic"):
        spec = find_spec(package)
        assert spec is not None and spec.origin is not None  # both are installed together
        for path in sorted(Path(spec.origin).parent.rglob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()
