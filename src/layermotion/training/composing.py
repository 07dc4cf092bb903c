"""Owns making settings out of the files in ``configs/`` and ``NAME=VALUE`` overrides."""

import re
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import cast

import yaml  # type: ignore[import-untyped]
from hydra import compose, initialize_config_dir
from hydra.core.config_store import ConfigStore
from hydra.core.override_parser.overrides_parser import OverridesParser
from hydra.core.override_parser.types import Override
from hydra.errors import HydraException
from omegaconf import DictConfig, OmegaConf
from omegaconf.errors import ConfigAttributeError, ConfigKeyError, OmegaConfBaseException

from layermotion.errors import ConfigError
from layermotion.training.settings import FACTORS, TrainSettings, nearest

NAMES = tuple(field.name for field in fields(TrainSettings))
# One factor is set as factors.NAME=STRENGTH.
FACTOR_PREFIX = "factors."
# The part with the learning rate and its kin, and the choice for weights that know most of it.
OPTIMIZER = "optimizer"
GOING_ON = f"{OPTIMIZER}=further"


def config_folder() -> Path:
    """Folder of the YAML files: inside an installed package, else beside ``src`` in a clone."""
    package = Path(__file__).parents[1]
    for folder in (package / "configs", package.parents[1] / "configs"):
        if folder.is_dir():
            return folder.resolve()
    raise ConfigError("The folder configs is missing; install layermotion again.")


def load_settings(config: str = "train", overrides: Sequence[str] = ()) -> TrainSettings:
    """Read ``configs/<config>.yaml``, with the parts it names, and apply overrides.

    Parameters
    ----------
    config
        Name of a file in ``configs/``, without its suffix.
    overrides
        A setting such as ``steps=200``, a part such as ``model=large`` (a folder in ``configs/``
        and a file in it), or one factor such as ``factors.noise=0``.

    Raises
    ------
    ConfigError
        In one sentence that names the setting, and the nearest valid one where it is misspelt.

    Examples
    --------
    >>> load_settings("train", ["steps=7"]).steps
    7
    """
    register_schema()
    try:
        check_names(config, overrides)
        parser = OverridesParser.create()
        if any(parser.parse_override(word).is_sweep_override() for word in overrides):
            raise ConfigError(
                "An override has several values; give one, or --sweep to train with each."
            )
        with initialize_config_dir(version_base="1.3", config_dir=str(config_folder())):
            composed = compose(config, overrides=list(overrides))
    except (HydraException, OmegaConfBaseException, yaml.YAMLError) as error:
        raise ConfigError(_sentence(error, config)) from error
    return to_settings(composed)


def starting_from(overrides: Sequence[str], start_from: str | None) -> tuple[str, ...]:
    """Add the optimizer for going on, where a run starts from weights and none is asked for.

    The one that starts from chance would undo in its first steps what the weights know.
    """
    is_chosen = any(word.startswith(f"{OPTIMIZER}=") for word in overrides)
    return tuple(overrides) if is_chosen or not start_from else (GOING_ON, *overrides)


def to_settings(composed: DictConfig) -> TrainSettings:
    """Return what was composed as the checked, frozen settings."""
    return cast(TrainSettings, OmegaConf.to_object(composed))


def check_names(config: str, overrides: Sequence[str]) -> None:
    """Raise ConfigError if there is no such config, or no setting, part or factor to override."""
    folder = config_folder()
    configs = sorted(path.stem for path in folder.glob("*.yaml"))
    if config not in configs:
        raise ConfigError(f"There is no config {config}{nearest(config, configs)}.")
    parts = sorted(path.name for path in folder.iterdir() if path.is_dir())
    parser = OverridesParser.create()
    for override in overrides:
        match = re.fullmatch(r"([A-Za-z0-9_.]+)=.*", override, flags=re.DOTALL)
        if match is None:
            raise ConfigError(f"The override {override} is not of the form NAME=VALUE.")
        name = match[1]
        if name in parts:
            choices = sorted(path.stem for path in (folder / name).glob("*.yaml"))
            for choice in values_of(parser.parse_override(override)):
                if choice not in choices:
                    raise ConfigError(f"There is no {name} {choice}{nearest(choice, choices)}.")
        elif name.startswith(FACTOR_PREFIX):
            factor = name.removeprefix(FACTOR_PREFIX)
            if factor not in FACTORS:
                raise ConfigError(
                    f"There is no factor {factor} of stills{nearest(factor, FACTORS)}."
                )
        elif name == "factors":
            raise ConfigError("Set one factor at a time, such as factors.noise=0.")
        elif name not in NAMES:
            raise ConfigError(f"There is no setting {name}{nearest(name, (*NAMES, *parts))}.")


def values_of(override: Override) -> list[str]:
    """Return the value of an override, or each of several: ``3``, ``3,4`` or ``range(3,5)``."""
    if override.is_sweep_override():
        return [str(value) for value in override.sweep_string_iterator()]
    return [override.get_value_element_as_str()]


def register_schema() -> None:
    """Store the schema under the name that the YAML files start from."""
    node = OmegaConf.structured(TrainSettings)
    # A frozen dataclass gives a read-only node, which would refuse every value of a YAML file.
    OmegaConf.set_readonly(node, None)
    # A factor has no key until it is set.
    OmegaConf.set_struct(node.factors, False)
    ConfigStore.instance().store("train_schema", node)


def _sentence(error: BaseException, config: str) -> str:
    """Turn a library error into one sentence."""
    cause: BaseException | None = error
    while cause is not None and not isinstance(cause, OmegaConfBaseException):
        cause = cause.__cause__ or cause.__context__
    if isinstance(cause, ConfigKeyError | ConfigAttributeError):
        return f"There is no setting {cause.key} (config {config}){nearest(str(cause.key), NAMES)}."
    if cause is not None and cause.full_key:
        kind, example = _kind(cause.full_key.partition(".")[0].partition("[")[0])
        return (
            f"The setting {cause.full_key} (config {config}, or an override) has a value of the "
            f"wrong kind; give one of type {kind}, such as {example}."
        )
    first = str(error).splitlines()[0]
    return f"The config {config} or an override cannot be read ({first}); correct its syntax."


def _kind(name: str) -> tuple[str, object]:
    """Type of a setting and a value of that type, for a sentence."""
    if name == "factors":
        return "float", 1.5
    setting = next(field for field in fields(TrainSettings) if field.name == name)
    return getattr(setting.type, "__name__", str(setting.type)), setting.default
