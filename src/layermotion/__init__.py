"""layermotion measures abdominal-wall layers and the bladder base in ultrasound clips."""

__version__ = "0.1.0"
