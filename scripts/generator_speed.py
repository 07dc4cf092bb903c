"""Time the generator on one core: 320 x 320 stills as trained on, and clips with truth.

python scripts/generator_speed.py       prints pictures per second
"""

import argparse
import time
from collections.abc import Iterator
from itertools import islice

import cv2
import numpy as np

from layermotion.labels import View
from layermotion_synthetic.clips import clip_truth, draw_clip, render_clip
from layermotion_synthetic.dataset import draw_example

# No other use of the generator starts its seeds with this word.
SPEED_STREAM = 20_261_126_1
SIZE_PX = 320
FRAMES_OF_A_CLIP = 60
# Smallest number of pictures per second and core that the project asks of its generator.
LIMIT_HZ = 40.0


def stills() -> Iterator[None]:
    """Draw one still after another, each another scene."""
    for number in range(1_000_000):
        draw_example(np.random.Generator(np.random.SFC64([SPEED_STREAM, 0, number])), SIZE_PX)
        yield


def clips() -> Iterator[None]:
    """Render one frame after another, of wall and bladder in turn, with the clip's truth."""
    for number in range(1_000_000):
        rng = np.random.Generator(np.random.SFC64([SPEED_STREAM, 1, number]))
        view = (View.ABDOMINAL_WALL, View.BLADDER)[number % 2]
        plan = draw_clip(rng, view, screen_px=(SIZE_PX, SIZE_PX))
        clip_truth(plan)
        for _ in islice(render_clip(plan), FRAMES_OF_A_CLIP):
            yield


def pictures_per_s(pictures: Iterator[None], count: int) -> float:
    """Pictures per second of processor time; the first, which warms caches, is not timed."""
    next(pictures)
    started_s = time.process_time()
    for _ in islice(pictures, count):
        pass
    return count / (time.process_time() - started_s)


def main() -> None:
    """Time both, print."""
    parser = argparse.ArgumentParser(description="Time the generator.")
    parser.add_argument("--pictures", type=int, default=1200, help="of each kind")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    for name, pictures in (("stills", stills()), ("clips", clips())):
        rate_hz = pictures_per_s(pictures, options.pictures)
        verdict = "met" if rate_hz >= LIMIT_HZ else "MISSED"
        print(f"{name}: {rate_hz:.0f} pictures of {SIZE_PX} x {SIZE_PX} a second of processor time "
              f"(goal {LIMIT_HZ:.0f}: {verdict})")  # fmt: skip


if __name__ == "__main__":
    main()
