"""Owns validation during a run: scores of the moving average, and whether to stop early."""

import math
from collections.abc import Callable
from pathlib import Path

import torch
from torch import nn

from layermotion.network.segmenter import CLASSES
from layermotion.training import tracking
from layermotion.training.checkpoint import Progress
from layermotion.training.data import Batch, validation_batches
from layermotion.training.drawing import Draw
from layermotion.training.processes import Place
from layermotion.training.samples import write_samples
from layermotion.training.scoring import evaluate
from layermotion.training.settings import TrainSettings


class Watch:
    """Scores the moving average on examples that no training run draws.

    With a patience, it keeps the weights of the best score in ``best``, and ends a run that goes on
    without a better one.
    """

    def __init__(
        self,
        settings: TrainSettings,
        draw: Draw,
        place: Place,
        out: Path,
        report: Callable[[str], None],
    ) -> None:
        self.settings, self.draw, self.place = settings, draw, place
        self.out, self.report = out, report
        self.best: dict[str, torch.Tensor] | None = None
        self._batches: list[Batch] = []

    def look(self, average: nn.Module, progress: Progress) -> None:
        """Score and log; all processes of a run call this at the same step, the first one scores.

        Parameters
        ----------
        progress
            Its ``has_ended`` is set when the patience is over.
        """
        is_over = False
        if self.place.is_writer:
            score = self._score(average, progress.step)
            if self.settings.patience:
                is_over = self._is_over(average, progress, score)
        if self.settings.patience:
            progress.has_ended |= self.place.any_wants(is_over)

    def _score(self, average: nn.Module, step: int) -> float:
        if not self._batches:
            # Whoever is trained on is not watched: a draw may name pictures held aside for that.
            watched = getattr(self.draw, "watched", self.draw)
            self._batches = validation_batches(self.settings, watched)
        values = evaluate(average, self._batches, self.place.device)
        tracking.append(self.out, step, values)
        write_samples(self.out, average, self._batches, self.place.device)
        dice = "  ".join(f"{name} {_shown(values[f'dice_{name}'])}" for name in CLASSES[1:])
        self.report(f"step {step}  Dice {dice}  view {values['view_accuracy']:.3f}")
        return values[self.settings.stop_metric]

    def _is_over(self, average: nn.Module, progress: Progress, score: float) -> bool:
        if progress.note_score(score):
            self.best = {name: tensor.clone() for name, tensor in average.state_dict().items()}
        if progress.worse < self.settings.patience:
            return False
        self.report(
            f"step {progress.step}  {self.settings.stop_metric} was best at step "
            f"{progress.best_step}, {progress.best_score:.4f}; stopping"
        )
        return True


def _shown(dice: float) -> str:
    return "none" if math.isnan(dice) else f"{dice:.3f}"
