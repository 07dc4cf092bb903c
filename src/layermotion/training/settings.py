"""Owns training settings: the schema, its defaults and what each value may be."""

import difflib
import math
from collections.abc import Collection
from dataclasses import dataclass, field

from layermotion.errors import ConfigError
from layermotion.geometry import COLUMN_RATIO
from layermotion.network.segmenter import CLASSES
from layermotion_synthetic.factors import SHARES

PRECISIONS = ("fp32", "bf16")
# Factors of clips alone: training draws stills, which they leave as they are.
CLIP_FACTORS = frozenset({"persistence", "probe_motion", "breathing", "peristalsis"})
FACTORS = tuple(name for name in SHARES if name not in CLIP_FACTORS)
# Strongest that a factor may be made, of what the shipped weights were trained on (our choice;
# beyond it pictures show little else).
STRONGEST = 2.0
# Names of the scores that an early stop may watch: higher is better in all of them.
STOP_METRICS = ("dice_mean", *(f"dice_{name}" for name in CLASSES[1:]), "view_accuracy")


@dataclass(frozen=True)
class TrainSettings:
    """Everything that decides what a training run computes, and how it is stored.

    Parameters
    ----------
    factors
        How strong named factors of ``layermotion_synthetic/factors.py`` are drawn: 0 leaves a
        factor out, 1 is as for the shipped weights (so is every factor without a name here), 2
        twice as strong.
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
    hold_weight
        Where above 0, pictures of the generator do not teach their truth but hold the answers of
        the weights that the run began from; weight of that loss beside the one of local pictures.
    teacher_weight
        Weight of the distance from a teacher's answers beside the loss of the truth; without a
        teacher it changes nothing.
    agree_weight
        Where above 0, local pictures without a label are drawn as well: the network, which sees
        them changed, is to agree with its moving average, which sees them as they are; weight of
        that loss beside the one of labelled pictures.
    repainted
        Share of looks at a wall whose greys, borders and lines are changed (``repaint.py``).
    respeckled
        Share of looks that get another grain (``respeckle.py``).
    reuse
        How many batches one drawn example appears in, each time augmented anew.
    workers, seed, precision
        Loader processes; seed of every random draw; ``fp32`` or ``bf16``.
    log_every_steps, checkpoint_every_s, validate_every_steps, validation_examples
        How often numbers are logged, state is saved and the moving average is scored.
    patience, stop_metric
        Stop after so many scorings in a row without a new best of ``stop_metric``, and keep the
        weights of the best one; a patience of 0 goes on to the last step and keeps the last.
    tracking
        ``csv`` (``metrics.csv`` only), ``sqlite`` (also ``mlflow.db`` in the run folder), or
        the URI of an mlflow store.
    """

    # Left out of the hash alone, because a dict has none.
    factors: dict[str, float] = field(default_factory=dict, hash=False)
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
    hold_weight: float = 0.0
    agree_weight: float = 0.0
    teacher_weight: float = 1.0
    repainted: float = 0.0
    respeckled: float = 0.0
    reuse: int = 1
    workers: int = 2
    seed: int = 0
    precision: str = "fp32"
    log_every_steps: int = 20
    checkpoint_every_s: float = 120.0
    validate_every_steps: int = 500
    validation_examples: int = 64
    patience: int = 0
    stop_metric: str = "dice_mean"
    tracking: str = "sqlite"

    def __post_init__(self) -> None:
        object.__setattr__(self, "decoder_channels", tuple(self.decoder_channels))
        for name in (
            "size_px", "batch_size", "steps", "learning_rate", "gradient_limit", "boundary_px",
            "reuse", "log_every_steps", "validate_every_steps", "validation_examples",
        ):  # fmt: skip
            self._require(getattr(self, name) > 0, name, "a value above 0")
        for name in (
            "warmup_steps", "weight_decay", "boundary_weight", "view_weight", "hold_weight",
            "agree_weight", "teacher_weight", "workers", "seed", "checkpoint_every_s", "patience",
        ):  # fmt: skip
            self._require(getattr(self, name) >= 0, name, "0 or more")
        for name, value in vars(self).items():
            is_finite = not isinstance(value, float) or math.isfinite(value)
            self._require(is_finite, name, "a finite value")
        stride = 32 * COLUMN_RATIO
        self._require(
            self.size_px % stride == 0, "size_px", f"one such as {_multiple(self.size_px, stride)}"
        )
        self._require(0 <= self.ema_decay < 1, "ema_decay", "one from 0 to below 1")
        for name in ("repainted", "respeckled"):
            self._require(0 <= getattr(self, name) <= 1, name, "one from 0 to 1")
        for name, choices in (("precision", PRECISIONS), ("stop_metric", STOP_METRICS)):
            self._require(getattr(self, name) in choices, name, f"one of {' or '.join(choices)}")
        widths = self.decoder_channels
        is_wide = len(widths) == 4 and min(widths) > 0
        self._require(is_wide, "decoder_channels", "four widths above 0")
        is_scored = not self.patience or self.validate_every_steps <= self.steps
        self._require(is_scored, "validate_every_steps", "at most steps, or set patience=0")
        self._require(
            self.batch_size % self.reuse == 0,
            "batch_size",
            f"a multiple of reuse, such as {_multiple(self.batch_size, self.reuse)}",
        )

        for name, strength in self.factors.items():
            if name not in FACTORS:
                raise ConfigError(f"There is no factor {name} of stills{nearest(name, FACTORS)}.")
            if not 0 <= strength <= STRONGEST:
                raise ConfigError(
                    f"The factor {name} cannot be {strength:g} times as strong; give 0 to "
                    f"{STRONGEST:g}."
                )

    def _require(self, holds: bool, name: str, needed: str) -> None:
        if not holds:
            raise ConfigError(f"The setting {name} cannot be {getattr(self, name)}; give {needed}.")


def _multiple(value: int, step: int) -> int:
    """Multiple of ``step`` nearest to ``value``, at least ``step``."""
    return max(step, round(value / step) * step)


def nearest(word: str, choices: Collection[str]) -> str:
    """End a sentence about an unknown word with the nearest choice, else with all of them."""
    close = difflib.get_close_matches(word, choices, n=1)
    return f"; the nearest is {close[0]}" if close else f"; choose from {', '.join(choices)}"
