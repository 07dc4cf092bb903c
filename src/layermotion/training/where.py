"""Owns where the runs of a sweep are started, in the words of the command line."""

import re
from dataclasses import dataclass
from enum import StrEnum

from layermotion.errors import ConfigError
from layermotion.extras import need


class SweepPlace(StrEnum):
    """Where the runs of a sweep are started.

    ``HERE`` one after the other in this process's children, ``PROCESSES`` side by side on this
    computer, ``SLURM`` as jobs of a cluster that runs Slurm.
    """

    HERE = "here"
    PROCESSES = "processes"
    SLURM = "slurm"


# The launcher of hydra that starts each.
_LAUNCHERS = {SweepPlace.PROCESSES: "submitit_local", SweepPlace.SLURM: "submitit_slurm"}


@dataclass(frozen=True)
class Elsewhere:
    """A place, and what is asked of it for each run.

    Parameters
    ----------
    job
        Words ``NAME=VALUE``, such as ``partition=gpu``.

    Raises
    ------
    ConfigError
        If a word is of another form, or the place takes none.
    """

    place: SweepPlace = SweepPlace.HERE
    job: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for word in self.job:
            if not re.fullmatch(r"[a-z_]+=.+", word):
                raise ConfigError(f"--job {word} is not of the form NAME=VALUE.")
        if self.job and self.place is SweepPlace.HERE:
            raise ConfigError("--job asks something of a cluster; give --where as well.")

    def overrides(self) -> list[str]:
        """Words that choose and set the launcher; its package must be installed."""
        if self.place is SweepPlace.HERE:
            return []
        need(f"--where {self.place} needs", "scale", ("hydra_plugins.hydra_submitit_launcher",))
        settings = [f"hydra.launcher.{word}" for word in self.job]
        return [f"hydra/launcher={_LAUNCHERS[self.place]}", *settings]
