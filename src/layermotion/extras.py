"""Owns what is said where a package of an extra is missing, the same for every command."""

import importlib.util
from collections.abc import Sequence

from layermotion.errors import InputError

# What training itself imports.
TRAINING = ("torch", "hydra", "segmentation_models_pytorch", "albumentations")


def need(what: str, extra: str, packages: Sequence[str]) -> None:
    """Refuse in one sentence where a package is missing.

    Parameters
    ----------
    what
        What cannot be done, as the sentence begins: ``Training needs``.
    extra
        The extra of layermotion that brings the packages.

    Raises
    ------
    InputError
        Naming the first package that is missing, the extra and how to install it.

    Examples
    --------
    >>> need("Measuring needs", "train", ["numpy"])
    """
    for package in packages:
        if importlib.util.find_spec(package) is None:
            raise InputError(
                f"{what} {package}, which is not installed; it comes with the {extra} extra: "
                f"pip install 'layermotion[{extra}]'."
            )
