"""Owns the settings of the smallest training run that still has every part."""

from dataclasses import replace

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
