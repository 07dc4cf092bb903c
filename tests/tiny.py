"""Owns the settings of the smallest training run that still has every part, and its looks."""

from dataclasses import replace
from itertools import islice

from drawing import draw_layers

from layermotion.training.data import TrainingStream
from layermotion.training.settings import TrainSettings

# The encoder is one that its library keeps for tests.
TINY = TrainSettings(
    size_px=64,
    encoder="tu-test_efficientnet",
    decoder_channels=(16, 16, 16, 16),
    batch_size=4,
    steps=6,
    warmup_steps=2,
    ema_decay=0.9,
    workers=0,
    log_every_steps=1,
    validate_every_steps=4,
    validation_examples=4,
    tracking="csv",
)
# Scored after each of up to 12 steps, and ended after two scores that are not better.
PATIENT = replace(TINY, steps=12, validate_every_steps=1, patience=2, checkpoint_every_s=0)


def looks_changed(changed: TrainSettings) -> int:
    """Of the first 48 looks of a run, how many other settings change."""

    def looks(settings: TrainSettings) -> list[bytes]:
        stream = TrainingStream(replace(settings, batch_size=16), draw_layers, 0)
        return [image.numpy().tobytes() for batch in islice(stream, 3) for image in batch.image]

    return sum(a != b for a, b in zip(looks(TINY), looks(changed), strict=True))
