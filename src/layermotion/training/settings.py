"""Owns training settings: the schema, its defaults, and reading them from ``configs/``."""

import difflib
import re
from dataclasses import dataclass, fields
from pathlib import Path
from typing import cast

import yaml  # type: ignore[import-untyped]
from hydra import compose, initialize_config_dir
from hydra.core.config_store import ConfigStore
from hydra.errors import HydraException
from omegaconf import OmegaConf
from omegaconf.errors import OmegaConfBaseException

import layermotion
from layermotion.errors import ConfigError
from layermotion.geometry import COLUMN_RATIO

PRECISIONS = ("fp32", "bf16")


@dataclass(frozen=True)
class TrainSettings:
    """Everything that decides what a training run computes, and how it is stored.

    Parameters
    ----------
    size_px
        Rows of the model input, px; a multiple of 64, as its columns (half as many) must be one of
        32, the encoder's total stride.
    batch_size, steps
        Examples in one step on one process, and steps in the whole run.
    learning_rate, warmup_steps, weight_decay
        AdamW: peak rate after a linear warm-up, followed by a cosine down to zero.
    gradient_limit
        Largest gradient norm; a longer gradient is scaled down to it.
    ema_decay
        Decay of the moving average of the weights; the average is what gets exported.
    encoder, decoder_channels
        Names and widths for ``segmentation_models_pytorch.Unet``.
    boundary_weight, boundary_px
        Extra cross-entropy weight of pixels within ``boundary_px`` of a label change.
    view_weight
        Weight of the view classifier's loss beside the segmentation loss.
    reuse
        How many batches one drawn example appears in, each time augmented anew.
    workers, seed, precision
        Loader processes; seed of every random draw; ``fp32`` or ``bf16``.
    log_every_steps, checkpoint_every_s, validate_every_steps, validation_examples
        How often numbers are logged, state is saved and the moving average is scored.
    tracking
        ``csv`` (``metrics.csv`` only), ``sqlite`` (also ``mlflow.db`` in the run folder), or
        the URI of an mlflow store.
    """

    size_px: int = 320
    batch_size: int = 32
    steps: int = 1000
    learning_rate: float = 1e-3
    warmup_steps: int = 100
    weight_decay: float = 0.01
    gradient_limit: float = 1.0
    ema_decay: float = 0.999
    encoder: str = "tu-mobilenetv4_conv_small"
    decoder_channels: tuple[int, ...] = (96, 64, 48, 32)
    boundary_weight: float = 2.0
    boundary_px: int = 3
    view_weight: float = 0.1
    reuse: int = 1
    workers: int = 2
    seed: int = 0
    precision: str = "fp32"
    log_every_steps: int = 20
    checkpoint_every_s: float = 120.0
    validate_every_steps: int = 500
    validation_examples: int = 64
    tracking: str = "sqlite"

    def __post_init__(self) -> None:
        object.__setattr__(self, "decoder_channels", tuple(self.decoder_channels))
        for name in (
            "size_px", "batch_size", "steps", "learning_rate", "gradient_limit", "boundary_px",
            "reuse", "log_every_steps", "validate_every_steps", "validation_examples",
        ):  # fmt: skip
            self._require(getattr(self, name) > 0, name, "a value above 0")
        for name in (
            "warmup_steps", "weight_decay", "boundary_weight", "view_weight", "workers", "seed",
            "checkpoint_every_s",
        ):  # fmt: skip
            self._require(getattr(self, name) >= 0, name, "0 or more")
        stride = 32 * COLUMN_RATIO
        self._require(
            self.size_px % stride == 0, "size_px", f"such as {_multiple(self.size_px, stride)}"
        )
        self._require(0 <= self.ema_decay < 1, "ema_decay", "from 0 to below 1")
        self._require(self.precision in PRECISIONS, "precision", f"of {' or '.join(PRECISIONS)}")
        self._require(len(self.decoder_channels) == 4, "decoder_channels", "of four widths")
        self._require(
            self.batch_size % self.reuse == 0,
            "batch_size",
            f"that is a multiple of reuse, such as {_multiple(self.batch_size, self.reuse)}",
        )

    def _require(self, holds: bool, name: str, needed: str) -> None:
        if not holds:
            raise ConfigError(
                f"The setting {name} cannot be {getattr(self, name)}; give one {needed}."
            )


def _multiple(value: int, step: int) -> int:
    """Multiple of ``step`` nearest to ``value``, at least ``step``."""
    return max(step, round(value / step) * step)


def config_folder() -> Path:
    """Folder of the YAML files: inside an installed package, else beside ``src`` in a clone."""
    package = Path(layermotion.__file__).parent
    for folder in (package / "configs", package.parents[1] / "configs"):
        if folder.is_dir():
            return folder
    raise ConfigError("The folder configs is missing; install layermotion again.")


def load_settings(config: str = "train", overrides: list[str] | None = None) -> TrainSettings:
    """Read ``configs/<config>.yaml`` and apply ``NAME=VALUE`` overrides.

    Parameters
    ----------
    config
        Name of a file in ``configs/``, without its suffix.
    overrides
        Such as ``["steps=200", "precision=bf16"]``.

    Raises
    ------
    ConfigError
        In one sentence that names the setting, and the nearest valid one where it is misspelt.

    Examples
    --------
    >>> load_settings("train", ["steps=7"]).steps
    7
    """
    overrides = overrides or []
    folder = config_folder()
    names = sorted(path.stem for path in folder.glob("*.yaml"))
    if config not in names:
        raise ConfigError(f"There is no config {config}{_nearest(config, names)}.")
    known = [field.name for field in fields(TrainSettings)]
    for override in overrides:
        match = re.fullmatch(r"([A-Za-z0-9_.]+)=(.*)", override, flags=re.DOTALL)
        if match is None:
            raise ConfigError(f"The override {override} is not of the form NAME=VALUE.")
        if match[1] not in known:
            raise ConfigError(f"There is no setting {match[1]}{_nearest(match[1], known)}.")
    _register_schema()
    try:
        with initialize_config_dir(version_base="1.3", config_dir=str(folder.resolve())):
            composed = compose(config, overrides=overrides)
    except (HydraException, OmegaConfBaseException, yaml.YAMLError) as error:
        raise ConfigError(_sentence(error, config, known)) from error
    return cast(TrainSettings, OmegaConf.to_object(composed))


def _register_schema() -> None:
    """Store the schema under the name that the YAML files start from."""
    node = OmegaConf.structured(TrainSettings)
    # A frozen dataclass gives a read-only node, which would refuse every value of a YAML file.
    OmegaConf.set_readonly(node, None)
    ConfigStore.instance().store("train_schema", node)


def _sentence(error: BaseException, config: str, known: list[str]) -> str:
    """Turn a library error into one sentence."""
    text = f"{error}\n{error.__cause__ or ''}"
    unknown = re.search(r"Key '([^']+)' not in", text)
    if unknown:
        key = unknown[1]
        return f"There is no setting {key} (config {config}){_nearest(key, known)}."
    where = re.search(r"full_key: (\S+)", text)
    reason = re.search(r"Value '[^']*' of type|field '[^']*' is not Optional", text)
    if where and reason:
        field = next(f for f in fields(TrainSettings) if where[1].split("[")[0] == f.name)
        kind = getattr(field.type, "__name__", str(field.type))
        return (
            f"The setting {where[1]} (config {config}, or an override) has a value of the wrong "
            f"kind; give one of type {kind}, such as {field.default}."
        )
    first = str(error).splitlines()[0]
    return f"The config {config} or an override cannot be read ({first}); correct its syntax."


def _nearest(word: str, choices: list[str]) -> str:
    """End a sentence about an unknown word with the nearest choice, else with all of them."""
    close = difflib.get_close_matches(word, choices, n=1)
    return f"; the nearest is {close[0]}" if close else f"; choose from {', '.join(choices)}"
