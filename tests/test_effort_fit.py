"""The fit of efforts without a network, which the network is compared with."""

import itertools

import numpy as np
import pytest
from effort_fit import best_set, number_of

from layermotion.efforts.channels import Signals


@pytest.mark.parametrize("seed", range(20))
def test_the_best_set_is_the_best_of_all(seed: int) -> None:
    frames = 5
    gain = np.random.default_rng(seed).normal(0, 2, (frames, frames + 1))
    efforts = list(itertools.combinations(range(frames + 1), 2))
    every = (
        chosen
        for count in range(frames + 1)
        for chosen in itertools.combinations(efforts, count)
        if all(one[1] <= two[0] for one, two in itertools.pairwise(chosen))
    )
    best = max(float(sum(gain[a, b - a] for a, b in chosen)) for chosen in every)
    gained, found = best_set(gain)
    assert gained == pytest.approx(best)
    assert gained == pytest.approx(sum(gain[a, b - a] for a, b in found))


@pytest.mark.parametrize("efforts", [0, 1, 2, 3])
def test_plain_efforts_are_counted(efforts: int) -> None:
    time_s = np.arange(0, 20, 0.05)
    height = np.zeros(time_s.size)
    for k in range(efforts):
        begin = 2.5 + 6 * k
        height += np.clip(np.minimum(time_s - begin, begin + 3 - time_s) / 0.5, 0, 1)
    noise = np.random.default_rng(efforts).normal(0, 0.02, (2, time_s.size))
    signals = Signals.of(
        time_s, {"thickness tra": 0.4 * height + noise[0], "slide tra": 5 * height + noise[1]}
    )
    assert number_of(signals) == efforts
