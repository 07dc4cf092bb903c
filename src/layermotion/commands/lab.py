"""Owns the group of the lab's commands, in the order in which a laboratory meets them."""

from layermotion.commands import (
    lab_clips,
    lab_consent,
    lab_labels,
    lab_learn,
    lab_training,
)
from layermotion.commands.lab_options import group

lab_app = group(
    "Local data: consent, import, labels, builds and judging; nothing leaves the place."
)
for part in (lab_clips, lab_consent, lab_labels, lab_training, lab_learn):
    lab_app.add_typer(part.app)
