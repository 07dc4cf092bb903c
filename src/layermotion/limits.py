"""Owns the limits of what a user may state: they catch slips of the keyboard."""

# Below 10 mm no wall fits, above 400 mm no clinical abdominal probe reaches, mm (our choice).
DEPTH_RANGE_MM = (10.0, 400.0)
# A frame every two seconds misses every contraction, 1000 a second is beyond any clinical B-mode
# display, frames/s (our choice).
FRAME_RATE_RANGE_HZ = (0.5, 1000.0)
