"""Fit how likely the number of efforts is right to how unsure the network is, on drawn scenarios.

python scripts/effort_odds.py --clips 100      prints SURE_ODDS and DOUBT_ODDS of efforts/decode.py
"""

import argparse

import numpy as np
from efforts import draw_case
from scipy.optimize import minimize

from layermotion.efforts.count import SURE
from layermotion.efforts.decode import decode, doubt_of
from layermotion.efforts.parts import inputs_of, shown_of
from layermotion.efforts.tell import likely_parts
from layermotion_synthetic.scenarios import ASIDE, Kind

# No other use of the generator starts its seeds with this word.
STREAM = 20_261_130


def tried(kind: Kind, number: int) -> tuple[float, bool]:
    """How unsure the network is in one drawn clip, and whether its number of efforts is right."""
    scenario, signals, repeats = draw_case(STREAM, kind, number)
    likely = likely_parts(inputs_of(signals, scenario.stated))[: shown_of(signals.time_s)]
    return doubt_of(likely), len(decode(likely).spans) == len(repeats)


def main() -> None:
    """Draw, fit and print."""
    parser = argparse.ArgumentParser(description="Fit the odds that a number of efforts is right.")
    parser.add_argument("--clips", type=int, default=100, help="clips of each kind")
    options = parser.parse_args()
    kinds = [kind for kind in Kind if kind not in ASIDE]
    each = [tried(kind, number) for kind in kinds for number in range(options.clips)]
    doubt, right = (np.array(column) for column in zip(*each, strict=True))
    sign = np.where(right, 1.0, -1.0)
    fitted = minimize(
        lambda odds: np.logaddexp(0, -sign * (odds[0] - odds[1] * doubt)).sum(), np.zeros(2)
    )
    said = 1 / (1 + np.exp(-(fitted.x[0] - fitted.x[1] * doubt)))
    sure = said >= SURE
    print(f"{len(each)} drawn clips, {100 * right.mean():.1f} % right")
    print(f"SURE_ODDS, DOUBT_ODDS = {fitted.x[0]:.1f}, {fitted.x[1]:.1f}")
    print(f"sure {100 * sure.mean():.0f} %, of these right {100 * right[sure].mean():.1f} %")


if __name__ == "__main__":
    main()
