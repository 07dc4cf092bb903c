"""Owns where the runs of a sweep are started, in the words of the command line."""

import re
import shutil
from dataclasses import dataclass, fields
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
            if not re.fullmatch(r"[^=]+=.+", word):
                raise ConfigError(f"--job {word} is not of the form NAME=VALUE.")
        if self.job and self.place is SweepPlace.HERE:
            raise ConfigError("--job asks something of a cluster; give --where as well.")

    def overrides(self) -> list[str]:
        """Words that choose and set the launcher.

        Raises
        ------
        LayermotionError
            If its package or Slurm is missing, or it does not take a word of ``job``.
        """
        if self.place is SweepPlace.HERE:
            return []
        need(f"--where {self.place} needs", "scale", ("hydra_plugins.hydra_submitit_launcher",))
        self._check_job()
        if self.place is SweepPlace.SLURM and shutil.which("srun") is None:
            raise ConfigError(
                "--where slurm needs srun, and there is none here; start the sweep on the login "
                "node of the cluster, or give --where processes."
            )
        settings = [f"hydra.launcher.{word}" for word in self.job]
        return [f"hydra/launcher={_LAUNCHERS[self.place]}", *settings]

    def _check_job(self) -> None:
        """Refuse names and values that the launcher does not take, before anything is started."""
        from hydra_plugins.hydra_submitit_launcher.config import LocalQueueConf, SlurmQueueConf
        from omegaconf import OmegaConf
        from omegaconf.errors import OmegaConfBaseException

        from layermotion.training.settings import nearest

        taken = SlurmQueueConf if self.place is SweepPlace.SLURM else LocalQueueConf
        names = [field.name for field in fields(taken) if not field.name.startswith("_")]
        for word in self.job:
            name = word.split("=")[0]
            if name not in names:
                raise ConfigError(
                    f"--where {self.place} takes no --job {name}{nearest(name, names)}."
                )
            try:
                OmegaConf.merge(OmegaConf.structured(taken), OmegaConf.from_dotlist([word]))
            except OmegaConfBaseException as error:
                raise ConfigError(
                    f"--job {word} has a value of the wrong kind "
                    f"({str(error).splitlines()[0]}); correct it."
                ) from error
