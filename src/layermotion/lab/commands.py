"""Owns the group of the lab's commands, in the order in which a laboratory meets them."""

from layermotion.lab import clip_commands, consent_commands, label_commands, training_commands
from layermotion.lab.options import group

lab_app = group(
    "Local data: consent, import, labels, builds and judging; nothing leaves the place."
)
for part in (clip_commands, consent_commands, label_commands, training_commands):
    lab_app.add_typer(part.app)
