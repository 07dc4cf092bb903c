"""Train a temporal network to tell efforts, and judge it beside the rules in use.

python scripts/effort_model.py judge                        on the filmed scenarios stored here
python scripts/effort_model.py judge --signals FILE.npz     on others, from scripts/efforts.py
python scripts/effort_model.py judge --aside                on the kinds that nothing is tuned on
python scripts/effort_model.py train --minutes 8 --out FILE.npz

It is on trial: no clip is measured by it. It is trained on drawn signals alone and judged on what
the shipped weights saw in filmed scenarios.
"""

import argparse
import multiprocessing
import os
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from effort_course import INPUTS, RATE_HZ, Part, decode, frames_of, inputs_of
from effort_signals import draw_signals
from numpy.typing import NDArray
from torch import Tensor, nn

from layermotion.analysis.bladder import COUGHS, DESCENTS, LARGEST_BREATH_MM, SMALLEST_LIFT_MM
from layermotion.efforts.channels import CHANNELS, Signals
from layermotion.efforts.count import LONGEST_GAP_COUGH_S, LONGEST_GAP_S
from layermotion.efforts.excursions import Direction
from layermotion.efforts.signals import (
    LARGEST_BREATH,
    SMALLEST_CHANGE,
    SMALLEST_CHANGE_EO,
    SMALLEST_SLIDE_MM,
    Evidence,
    clearest,
    first_sure,
    without_slow,
)
from layermotion.labels import MUSCLES, Structure, Task, View
from synthetic.course import Course
from synthetic.scenarios import ASIDE, BLADDER_ONLY, Kind, draw_scenario

DATA = Path(__file__).parent / "efforts_data"
FILMED, NETWORK = DATA / "filmed.npz", DATA / "network.npz"
# No other use of the generator starts its seeds with this word.
STREAM = 20_261_129
RATES_HZ = (12.0, 50.0)
WIDTHS = (48, 64, 80, 96, 112)
BATCH, LONGEST, KEPT = 128, 640, 30_000
PEAK_RATE = 2e-3
# Factor on the network's log odds and log odds against each change of part, the best of those tried
# on the stored scenarios that are not kept aside.
CALM, CHANGE_COST = 1.0, 10.0
OFTEN = (Kind.UNEQUAL, Kind.WEAK_THIRD, Kind.REST, Kind.NO_EFFORT, Kind.COUGHS, Kind.DIP_ON_LIFT)
SURE = 0.9


class Block(nn.Module):
    """Two convolutions over time, with a way around them."""

    def __init__(self, inputs: int, outputs: int, step: int = 1) -> None:
        super().__init__()
        self.first = nn.Conv1d(inputs, outputs, 5, padding=2 * step, dilation=step)
        self.second = nn.Conv1d(outputs, outputs, 5, padding=2 * step, dilation=step)
        self.norms = nn.ModuleList(nn.GroupNorm(8, outputs) for _ in range(2))
        self.around = nn.Conv1d(inputs, outputs, 1) if inputs != outputs else nn.Identity()

    def forward(self, signal: Tensor) -> Tensor:
        """Shape (batch, inputs, T) to (batch, outputs, T)."""
        hidden = torch.relu(self.norms[0](self.first(signal)))
        return torch.relu(self.norms[1](self.second(hidden)) + self.around(signal))


class Network(nn.Module):
    """U-Net over time, which also sees the whole clip at its deepest."""

    def __init__(self) -> None:
        super().__init__()
        deepest = WIDTHS[-1]
        self.enter = nn.Conv1d(INPUTS, WIDTHS[0], 1)
        self.down = nn.ModuleList(Block(WIDTHS[max(k - 1, 0)], WIDTHS[k]) for k in range(5))
        self.deep = nn.ModuleList(Block(deepest, deepest, step) for step in (2, 4))
        self.whole = nn.Linear(2 * deepest, deepest)
        self.up = nn.ModuleList(Block(WIDTHS[k] + WIDTHS[k + 1], WIDTHS[k]) for k in (3, 2, 1, 0))
        self.leave = nn.Conv1d(WIDTHS[0], len(Part), 1)

    def forward(self, signals: Tensor) -> Tensor:
        """Log odds of each part, shape (batch, parts, T), from (batch, INPUTS, T)."""
        hidden = self.enter(signals)
        levels = []
        for depth, block in enumerate(self.down):
            hidden = block(hidden if depth == 0 else nn.functional.max_pool1d(hidden, 2))
            levels.append(hidden)
        for block in self.deep:
            hidden = block(hidden)
        overall = self.whole(torch.cat([hidden.mean(2), hidden.amax(2)], 1))
        hidden = hidden + overall[:, :, None]
        for block, level in zip(self.up, levels[-2::-1], strict=True):
            hidden = nn.functional.interpolate(hidden, scale_factor=2.0, mode="nearest")
            hidden = block(torch.cat([hidden, level], 1))
        result: Tensor = self.leave(hidden)
        return result


def parts_of(course: Course, time_s: NDArray[np.float64]) -> NDArray[np.int64]:
    """Part that each time belongs to; -1 after the clip."""
    parts = np.full(time_s.size, int(Part.REST), np.int64)
    for one in course.repeats:
        if not one.is_dip:
            parts[(time_s >= one.onset_s) & (time_s < one.full_s)] = Part.RISE
            parts[(time_s >= one.full_s) & (time_s <= one.release_s)] = Part.HOLD
            parts[(time_s > one.release_s) & (time_s <= one.end_s)] = Part.FALL
    for one in course.repeats:
        if one.is_dip:
            parts[(time_s >= one.onset_s) & (time_s <= one.end_s)] = Part.DIP
    parts[time_s > course.time_s[-1]] = -1
    return parts


def example(seed: int) -> tuple[NDArray[np.float16], NDArray[np.int8]]:
    """One drawn clip: what the network sees, and the part of each frame."""
    rng = np.random.Generator(np.random.SFC64([STREAM, seed]))
    kinds = [kind for kind in Kind if kind not in ASIDE]
    weights = np.array([2.0 if kind in OFTEN else 1.0 for kind in kinds])
    kind = kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))]
    is_bladder = kind in BLADDER_ONLY or rng.random() < 0.4
    view = View.BLADDER if is_bladder else View.ABDOMINAL_WALL
    scenario = draw_scenario(rng, kind, view, float(rng.uniform(*RATES_HZ)))
    signals = draw_signals(rng, scenario)
    parts = parts_of(scenario.course, frames_of(signals.time_s))
    return inputs_of(signals, scenario.stated).astype(np.float16), parts.astype(np.int8)


def batch_of(
    examples: Sequence[tuple[NDArray[np.float16], NDArray[np.int8]]], rng: np.random.Generator
) -> tuple[Tensor, Tensor]:
    """Put examples side by side, the short ones padded, a stretch of those that are too long."""
    length = min(max(signals.shape[1] for signals, _ in examples), LONGEST)
    inputs = np.zeros((len(examples), INPUTS, length), np.float32)
    parts = np.full((len(examples), length), -1, np.int64)
    for k, (signals, own) in enumerate(examples):
        first = int(rng.integers(max(own.size - length, 0) + 1))
        cut = slice(first, first + length)
        inputs[k, :, : own[cut].size] = signals[:, cut]
        parts[k, : own[cut].size] = own[cut]
    return torch.from_numpy(inputs), torch.from_numpy(parts)


def train(minutes: float, workers: int, out: Path) -> None:
    """Train for some minutes on fresh drawn signals; store the running mean of the weights."""
    torch.manual_seed(0)
    rng = np.random.default_rng(0)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    network = Network().to(device)
    mean = torch.optim.swa_utils.AveragedModel(
        network, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.995)
    )
    optimiser = torch.optim.AdamW(network.parameters(), PEAK_RATE, weight_decay=1e-3)
    started_s = time.monotonic()
    step, smooth = 0, float("nan")
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        fresh = pool.imap_unordered(example, range(10**8), chunksize=16)
        kept: list[tuple[NDArray[np.float16], NDArray[np.int8]]] = []
        while (share := (time.monotonic() - started_s) / 60 / minutes) < 1:
            rate = PEAK_RATE * min(1.0, (step + 1) / 200) * (0.5 + 0.5 * np.cos(np.pi * share))
            for group in optimiser.param_groups:
                group["lr"] = rate
            kept += _take(fresh, BATCH if not kept else BATCH // 2)
            kept = kept[-KEPT:]
            inputs, parts = batch_of([kept[i] for i in rng.integers(len(kept), size=BATCH)], rng)
            loss = nn.functional.cross_entropy(
                network(inputs.to(device)), parts.to(device), ignore_index=-1
            )
            optimiser.zero_grad()
            loss.backward()
            nn.utils.clip_grad_norm_(network.parameters(), 1.0)
            optimiser.step()
            mean.update_parameters(network)
            step += 1
            smooth = loss.item() if step == 1 else 0.98 * smooth + 0.02 * loss.item()
            if step % 50 == 0:
                print(f"{step} steps, loss {smooth:.4f}", flush=True)
        pool.terminate()
    save(mean.module.state_dict(), out)


def _take(fresh: Iterator[Any], count: int) -> list[Any]:
    return [next(fresh) for _ in range(count)]


def save(state: dict[str, Tensor], out: Path) -> None:
    """Store weights in half precision."""
    np.savez_compressed(out, **{name: value.cpu().half().numpy() for name, value in state.items()})


def load(path: Path) -> Network:
    """Read a network back."""
    network = Network()
    with np.load(path) as stored:
        network.load_state_dict({name: torch.from_numpy(stored[name]) for name in stored.files})
    return network.float().eval()


@dataclass(frozen=True, eq=False)
class Filmed:
    """Signals of one filmed scenario, and how many efforts it shows."""

    kind: Kind
    view: View
    stated: Task | None
    signals: Signals
    number: int


def filmed_in(path: Path, *, is_aside: bool) -> list[Filmed]:
    """Read what ``scripts/efforts.py --signals`` stored."""
    tasks: list[Task | None] = [None, *Task]
    clips = []
    with np.load(path) as stored:
        for number in sorted({int(name.split("/")[0]) for name in stored.files}):
            kind, view, stated = (int(stored[f"{number}/{k}"]) for k in ("kind", "view", "stated"))
            if (list(Kind)[kind] in ASIDE) == is_aside:
                signals = Signals(
                    *(stored[f"{number}/{k}"].astype(float) for k in ("time_s", "value"))
                )
                count = len(stored[f"{number}/repeats"])
                clips.append(
                    Filmed(list(Kind)[kind], list(View)[view], tasks[stated], signals, count)
                )
    return clips


def by_network(network: Network, clip: Filmed) -> tuple[int, float]:
    """Give the number of efforts that the network finds, and its odds."""
    inputs = torch.from_numpy(inputs_of(clip.signals, clip.stated)[None])
    with torch.no_grad():
        likely = torch.log_softmax(network(inputs)[0], 0).numpy().T
    time_s = clip.signals.time_s
    found = decode(likely[: int((time_s[-1] - time_s[0]) * RATE_HZ) + 1], CALM, CHANGE_COST)
    return int(found.odds.argmax()), float(found.odds.max())


def by_rules(clip: Filmed) -> tuple[int, bool]:
    """Give the number that the rules in use find, without the shape of layers; if it is sure."""
    known = dict(zip(CHANNELS, clip.signals.value, strict=True))
    time_s = clip.signals.time_s
    is_asked = clip.stated not in (None, Task.REST)
    if clip.view is View.ABDOMINAL_WALL:
        evidence = []
        for muscle in MUSCLES:
            least = SMALLEST_CHANGE_EO if muscle is Structure.EO else SMALLEST_CHANGE
            limits = (least, LARGEST_BREATH, Direction.RISES)
            evidence.append(Evidence(muscle, known[f"thickness {muscle}"], *limits))
        for muscle in MUSCLES:
            limits = (SMALLEST_SLIDE_MM, float("inf"), Direction.EITHER)
            evidence.append(Evidence(muscle, known[f"slide {muscle}"], *limits))
        _, count = clearest(evidence, time_s, is_asked=is_asked)
    else:
        way = Direction.MOSTLY_FALLS if clip.stated in DESCENTS else Direction.EITHER
        limits = (SMALLEST_LIFT_MM, LARGEST_BREATH_MM, way)
        whole = Evidence(Structure.BLADDER, known["base"], *limits)
        every = (whole, without_slow(whole, time_s)) if clip.stated is Task.COUGH else (whole,)
        longest_gap_s = LONGEST_GAP_COUGH_S if clip.stated in COUGHS else LONGEST_GAP_S
        _, count = first_sure(every, time_s, longest_gap_s, is_asked=is_asked)
    return count.number, not count.doubt


def judge(path: Path, network_path: Path, *, is_aside: bool) -> None:
    """Print how often each finds the right number of efforts, kind by kind."""
    network = load(network_path)
    rows: dict[str, list[tuple[float, ...]]] = defaultdict(list)
    for clip in filmed_in(path, is_aside=is_aside):
        number, odds = by_network(network, clip)
        own, is_sure = by_rules(clip)
        row = (number == clip.number, odds >= SURE, own == clip.number, is_sure)
        for title in (clip.kind, "task stated" if clip.stated else "no task stated", "all"):
            rows[title].append(tuple(map(float, row)))
    print(f"{'':18}{'clips':>6}   network: right, sure, right where sure   rules: the same")
    for title, found in rows.items():
        table = np.array(found)
        words = ""
        for right, sure in ((0, 1), (2, 3)):
            is_sure_here = table[:, sure] > 0
            where = f"{100 * table[is_sure_here, right].mean():.0f}" if is_sure_here.any() else "-"
            words += (
                f"{100 * table[:, right].mean():10.0f}{100 * table[:, sure].mean():6.0f}{where:>6}"
            )
        print(f"{title:18}{len(table):6}{words}")


def main() -> None:
    """Train or judge."""
    parser = argparse.ArgumentParser(description="A temporal model of efforts, on trial.")
    commands = parser.add_subparsers(dest="command", required=True)
    training = commands.add_parser("train")
    training.add_argument("--minutes", type=float, default=8)
    training.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 2))
    training.add_argument("--out", type=Path, required=True)
    judging = commands.add_parser("judge")
    judging.add_argument("--signals", type=Path, default=FILMED)
    judging.add_argument("--network", type=Path, default=NETWORK)
    judging.add_argument("--aside", action="store_true")
    options = parser.parse_args()
    if options.command == "train":
        train(options.minutes, options.workers, options.out)
    else:
        judge(options.signals, options.network, is_aside=options.aside)


if __name__ == "__main__":
    main()
