"""Train the network that tells the parts of efforts, on signals drawn and filmed, and place it.

python scripts/effort_network.py train --minutes 8 --out FILE.npz   goes on from FILE if it exists,
                                                                    with clips from --first on
python scripts/effort_network.py train --start NETWORK.onnx --filmed SIGNALS.npz ... --batch 64
                                                                    goes on from an exported one,
                                                                    in part on filmed clips
python scripts/effort_network.py export FILE.npz                    writes it where clips use it
"""

import argparse
import hashlib
import itertools
import json
import multiprocessing
import os
import queue
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
from effort_filmed import Stored, altered, read_stored
from effort_signals import draw_signals, following, varied
from numpy.typing import NDArray
from torch import Tensor, nn

from layermotion.efforts.channels import BESIDE_PICTURE, CHANNELS, OF_PICTURE, PICTURE
from layermotion.efforts.parts import (
    INPUTS,
    LENGTH_STEP,
    RATE_HZ,
    TASKS,
    Part,
    frames_of,
    inputs_of,
)
from layermotion.efforts.tell import FOLDER, INPUT_NAME, NAME, OUTPUT_NAME
from layermotion.files import atomic_path, write_text
from layermotion.labels import Task, View
from layermotion_synthetic.anatomy import chance, log_uniform
from layermotion_synthetic.course import Repeat
from layermotion_synthetic.scenarios import ASIDE, BLADDER_ONLY, Kind, draw_scenario

# No other use of the generator starts its seeds with this word.
STREAM = 20_261_129
RATES_HZ = (8.0, 60.0)
WIDTHS = (40, 56, 72, 88, 104)
MEMBERS = 3
# The most clips that are added between two steps, frames of one, and clips kept to be seen again,
# drawn and filmed.
MOST_NEW, LONGEST, KEPT, KEPT_FILMED = 96, 640, 60_000, 12_000
# Share of filmed clips in a step, and of those that are altered to be kept, where some are given.
FILMED_SHARE, NEW_FILMED = 0.4, 0.4
WEIGHT_DECAY, AVERAGED = 1e-2, 0.99
FLOAT = onnx.TensorProto.FLOAT
# What ends the name of a weight that is exported in half precision.
HALF = "_half"
# Fewer weights than this stay in single precision.
SMALL = 256
# How often a signal is left out, how often all but the picture where it is seen, and signals that
# may be turned round together.
UNSEEN, PICTURE_ALONE = 0.08, 0.4
TURNED = [
    [k for k, name in enumerate(CHANNELS) if name.startswith(word)]
    for word in ("slide", "shape", "second", "probe", *PICTURE)
]
# What the network sees of a clip, and the part of each frame.
Example = tuple[NDArray[np.float16], NDArray[np.int8]]
# How often another task than the scenario's is stated.
OTHER_TASK = 0.1
# How often lifts that are let go again come before coughs.
LIFTS_FIRST = 0.3
# Kinds that are drawn more often than the others, by which factor.
OFTEN = {Kind.REST: 3.0, Kind.NO_EFFORT: 3.0, Kind.CUT: 3.0, Kind.FAST: 1.5, Kind.UNEQUAL: 1.5,
         Kind.WEAK_THIRD: 1.5, Kind.COUGHS: 2.0, Kind.DIP_ON_LIFT: 2.0}  # fmt: skip


class Norm(nn.Module):
    """Norm over the channels of each frame by itself, so that no clip's length tells anything."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.gain = nn.Parameter(torch.ones(channels, 1))
        self.shift = nn.Parameter(torch.zeros(channels, 1))

    def forward(self, signal: Tensor) -> Tensor:
        """Shape (batch, channels, T), as given."""
        away = signal - signal.mean(1, keepdim=True)
        return away / (away.square().mean(1, keepdim=True) + 1e-5).sqrt() * self.gain + self.shift


class Block(nn.Module):
    """Two convolutions over time, with a way around them; what lies after the clip stays 0."""

    def __init__(self, inputs: int, outputs: int, step: int = 1) -> None:
        super().__init__()
        self.first = nn.Conv1d(inputs, outputs, 5, padding=2 * step, dilation=step)
        self.second = nn.Conv1d(outputs, outputs, 5, padding=2 * step, dilation=step)
        self.norms = nn.ModuleList(Norm(outputs) for _ in range(2))
        self.around = nn.Conv1d(inputs, outputs, 1) if inputs != outputs else nn.Identity()

    def forward(self, signal: Tensor, shown: Tensor) -> Tensor:
        """Shape (batch, inputs, T) to (batch, outputs, T), where ``shown`` (batch, 1, T) is 1."""
        hidden = torch.relu(self.norms[0](self.first(signal))) * shown
        return torch.relu(self.norms[1](self.second(hidden)) + self.around(signal)) * shown


class Member(nn.Module):
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
        # What was asked for is one row of 1 within the clip.
        masks = [signals[:, -len(TASKS) :].sum(1, keepdim=True)]
        hidden = self.enter(signals) * masks[0]
        levels = []
        for depth, block in enumerate(self.down):
            if depth:
                hidden = nn.functional.max_pool1d(hidden, 2)
                masks.append(nn.functional.max_pool1d(masks[-1], 2))
            hidden = block(hidden, masks[-1])
            levels.append(hidden)
        for block in self.deep:
            hidden = block(hidden, masks[-1])
        overall = self.whole(torch.cat([hidden.sum(2) / masks[-1].sum(2), hidden.amax(2)], 1))
        hidden = (hidden + overall[:, :, None]) * masks[-1]
        for block, level, mask in zip(self.up, levels[-2::-1], masks[-2::-1], strict=True):
            hidden = nn.functional.interpolate(hidden, scale_factor=2.0, mode="nearest")
            hidden = block(torch.cat([hidden, level], 1), mask)
        result: Tensor = self.leave(hidden)
        return result


class Network(nn.Module):
    """Several that were trained beside each other, and asked together."""

    def __init__(self) -> None:
        super().__init__()
        self.members = nn.ModuleList(Member() for _ in range(MEMBERS))

    def forward(self, signals: Tensor) -> Tensor:
        """Mean probability of each part, shape (batch, parts, T), from (batch, INPUTS, T)."""
        each = torch.stack([member(signals).softmax(1) for member in self.members])
        return each.mean(0)


def parts_of(
    repeats: Sequence[Repeat], last_s: float, time_s: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Part that each time belongs to; -1 after the clip, whose last frame is at ``last_s``."""
    parts = np.full(time_s.size, int(Part.REST), np.int64)
    for one in repeats:
        if not one.is_dip:
            parts[(time_s >= one.onset_s) & (time_s < one.full_s)] = Part.RISE
            parts[(time_s >= one.full_s) & (time_s <= one.release_s)] = Part.HOLD
            parts[(time_s > one.release_s) & (time_s <= one.end_s)] = Part.FALL
    for one in repeats:
        if one.is_dip:
            parts[(time_s >= one.onset_s) & (time_s <= one.release_s)] = Part.DIP
            parts[(time_s > one.release_s) & (time_s <= one.end_s)] = Part.RECOVERY
    parts[time_s > last_s] = -1
    return parts


def example(seed: int) -> Example:
    """One drawn clip: what the network sees, and the part of each frame."""
    rng = np.random.Generator(np.random.SFC64([STREAM, seed]))
    kinds = [kind for kind in Kind if kind not in ASIDE]
    weights = np.array([OFTEN.get(kind, 1.0) for kind in kinds])
    kind = kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))]
    is_bladder = kind in BLADDER_ONLY or rng.random() < 0.4
    view = View.BLADDER if is_bladder else View.ABDOMINAL_WALL
    rate_hz = log_uniform(rng, *RATES_HZ)
    scenario = draw_scenario(rng, kind, view, rate_hz)
    if kind is Kind.COUGHS and chance(rng, LIFTS_FIRST):
        lifts = draw_scenario(rng, Kind.UNEQUAL, View.BLADDER, rate_hz)
        scenario = following(lifts, scenario)
    scenario = varied(rng, scenario)
    signals = draw_signals(rng, scenario)
    course = scenario.course
    parts = parts_of(course.repeats, course.time_s[-1], frames_of(signals.time_s))
    stated = scenario.stated
    if stated not in (None, Task.REST) and chance(rng, OTHER_TASK):
        stated = TASKS[int(rng.integers(2, len(TASKS)))]
    return inputs_of(signals, stated).astype(np.float16), parts.astype(np.int8)


def filmed_example(rng: np.random.Generator, clip: Stored, clips: Sequence[Stored]) -> Example:
    """One filmed clip, altered: what the network sees, and the part of each frame."""
    own = altered(rng, clip, clips)
    time_s = own.signals.time_s
    parts = parts_of(own.repeats, time_s[-1], frames_of(time_s))
    return inputs_of(own.signals, own.stated).astype(np.float16), parts.astype(np.int8)


_clips: list[Stored] = []


def _learn_from(paths: Sequence[Path]) -> None:
    """Give a worker the filmed clips that are learnt from; it gives way to the training itself."""
    if hasattr(os, "nice"):  # Windows has none
        os.nice(10)
    _clips.extend(c for path in paths for c in read_stored(path) if c.kind not in ASIDE)


def _either(number: int) -> tuple[bool, Example]:
    """Whether a clip is filmed, and the clip: some are altered ones, where any are given."""
    rng = np.random.default_rng([STREAM, 1, number])
    if _clips and chance(rng, NEW_FILMED):
        return True, filmed_example(rng, _clips[int(rng.integers(len(_clips)))], _clips)
    return False, example(number)


class Kept:
    """Clips that are seen again and again, the newest in place of the oldest.

    Parameters
    ----------
    count
        How many there is room for.
    """

    def __init__(self, count: int, device: str) -> None:
        self.inputs = torch.zeros(count, INPUTS, LONGEST, dtype=torch.float16, device=device)
        self.parts = torch.full((count, LONGEST), -1, dtype=torch.int8, device=device)
        self.drawn = 0

    def add(self, examples: Sequence[Example], rng: np.random.Generator) -> None:
        """Keep some more, copied together; of one that is too long a stretch."""
        every = np.zeros((len(examples), INPUTS, LONGEST), np.float16)
        every_part = np.full((len(examples), LONGEST), -1, np.int8)
        for own, own_parts, (inputs, parts) in zip(every, every_part, examples, strict=True):
            first = int(rng.integers(max(parts.size - LONGEST, 0) + 1))
            shown = slice(first, first + LONGEST)
            own[:, : parts.size] = inputs[:, shown]
            own_parts[: parts.size] = parts[shown]
        places = (self.drawn + np.arange(len(examples))) % len(self.parts)
        here = torch.from_numpy(places).to(self.parts.device)
        self.inputs[here] = torch.from_numpy(every).to(here.device)
        self.parts[here] = torch.from_numpy(every_part).to(here.device)
        self.drawn += len(examples)

    def batch(self, count: int) -> tuple[Tensor, Tensor]:
        """Draw some, with some signals unseen and others turned round."""
        here = min(self.drawn, len(self.parts))
        places = torch.randint(here, (count,), device=self.parts.device)
        inputs, parts = self.inputs[places].float(), self.parts[places].long()
        factor = (torch.rand(count, len(CHANNELS), device=inputs.device) > UNSEEN).float()
        # Which way a shape changes, or a probe or all slides go, tells nothing.
        for turned in TURNED:
            sign = torch.where(torch.rand(count, 1, device=inputs.device) < 0.5, 1.0, -1.0)
            factor[:, turned] *= sign
        is_seen = inputs[:, 2 * len(CHANNELS) + OF_PICTURE[0]].amax(1, keepdim=True)
        is_alone = is_seen * (torch.rand(count, 1, device=inputs.device) < PICTURE_ALONE)
        factor[:, BESIDE_PICTURE] *= 1 - is_alone
        every = torch.cat([factor, factor, factor.abs()], 1)
        inputs[:, : every.shape[1]] *= every[:, :, None]
        return inputs, parts


def learn(
    network: Network, optimiser: torch.optim.Optimizer, inputs: Tensor, parts: Tensor
) -> Tensor:
    """Take one step of training on a batch, and give the loss of it, mean over the members."""
    optimiser.zero_grad()
    every = [
        nn.functional.cross_entropy(member(inputs), parts, ignore_index=-1)
        for member in network.members
    ]
    loss = torch.stack(every).mean()
    loss.backward()  # type: ignore[no-untyped-call]
    nn.utils.clip_grad_norm_(network.parameters(), 1.0)
    optimiser.step()
    return loss.detach()


@dataclass(frozen=True)
class Run:
    """What a run of training is told.

    Parameters
    ----------
    first
        Number of the first drawn clip; a run that goes on takes one that no run before came to.
    rate
        Highest rate of learning.
    batch
        Clips in a step.
    start
        Network to begin as, where ``out`` does not exist; None begins from chance.
    filmed
        Signals of filmed clips, which then are ``FILMED_SHARE`` of each step.
    """

    minutes: float
    workers: int
    out: Path
    first: int
    rate: float
    batch: int
    start: Path | None
    filmed: Sequence[Path]


def train(run: Run) -> None:
    """Train for some minutes on fresh drawn signals; store the running mean of the weights.

    A run that finds ``out`` goes on from it.
    """
    torch.manual_seed(run.first)
    rng = np.random.default_rng(run.first)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    begun = run.out if run.out.exists() else run.start
    network = (load(begun) if begun else Network()).train().to(device)
    mean = torch.optim.swa_utils.AveragedModel(
        network,
        multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(AVERAGED),  # type: ignore[no-untyped-call]
    )
    optimiser = torch.optim.AdamW(network.parameters(), run.rate, weight_decay=WEIGHT_DECAY)
    started_s = time.monotonic()
    step, smooth = 0, float("nan")
    if device == "cuda":
        for member in network.members:
            member.compile()
    fewer = 1 if device == "cuda" else 20
    kept = {False: Kept(KEPT // fewer, device), True: Kept(KEPT_FILMED // fewer, device)}
    filmed = round(FILMED_SHARE * run.batch) if run.filmed else 0
    counts = {False: run.batch - filmed, True: filmed}
    waiting: queue.SimpleQueue[tuple[bool, Example]] = queue.SimpleQueue()
    # No more is drawn ahead than this, so that drawing leaves a slow computer to training.
    room, has_ended = threading.Semaphore(4 * MOST_NEW), threading.Event()

    def numbers() -> Iterator[int]:
        for number in itertools.count(run.first):
            room.acquire()
            if has_ended.is_set():
                return
            yield number

    spawned = multiprocessing.get_context("spawn")
    with spawned.Pool(run.workers, _learn_from, (run.filmed,)) as pool:
        fresh = pool.imap_unordered(_either, numbers(), chunksize=8)

        def collect() -> None:
            for one in fresh:
                waiting.put(one)

        threading.Thread(target=collect, daemon=True).start()
        try:
            while (share := (time.monotonic() - started_s) / 60 / run.minutes) < 1:
                is_short = any(wanted and not kept[which].drawn for which, wanted in counts.items())
                count = max(MOST_NEW if is_short else 1, min(waiting.qsize(), MOST_NEW))
                new = [waiting.get() for _ in range(count)]
                room.release(count)
                for which, own in kept.items():
                    own.add([one for is_filmed, one in new if is_filmed is which], rng)
                rate = run.rate * min(1.0, (step + 1) / 200) * (0.5 + 0.5 * np.cos(np.pi * share))
                for group in optimiser.param_groups:
                    group["lr"] = rate
                sources = [own.batch(counts[which]) for which, own in kept.items() if counts[which]]
                inputs, parts = map(torch.cat, zip(*sources, strict=True))
                loss = learn(network, optimiser, inputs, parts)
                mean.update_parameters(network)
                step += 1
                if step % 50 == 0:
                    now = loss.item()
                    smooth = now if step == 50 else 0.9 * smooth + 0.1 * now
                    seen = " and ".join(str(own.drawn) for own in kept.values())
                    print(
                        f"{step} steps, {seen} clips drawn and filmed, "
                        f"{time.monotonic() - started_s:.0f} s, loss {smooth:.4f}",
                        flush=True,
                    )
                if step % 500 == 0:
                    save(mean.module.state_dict(), run.out)
            save(mean.module.state_dict(), run.out)
        finally:
            # Who waits for room would keep the pool from ending.
            has_ended.set()
            room.release()


def save(state: dict[str, Tensor], out: Path) -> None:
    """Store weights in half precision."""
    packed: dict[str, Any] = {n: value.cpu().half().numpy() for n, value in state.items()}
    np.savez_compressed(out, **packed)


def load(path: Path) -> Network:
    """Read a network back that was stored here, or that was exported."""
    network = Network()
    names = set(network.state_dict())
    if path.suffix == ".onnx":
        weights = {
            each.name.removesuffix(HALF): onnx.numpy_helper.to_array(each)
            for each in onnx.load(path).graph.initializer
        }
    else:
        with np.load(path) as stored:
            weights = dict(stored)
    network.load_state_dict({n: torch.tensor(w) for n, w in weights.items() if n in names})
    return network.float().eval()


def export(path: Path) -> None:
    """Write a trained network in the open format that clips are measured with, and its card.

    Weights are stored in half precision and used in single.
    """
    network = load(path)
    signals = torch.zeros(1, INPUTS, 8 * LENGTH_STEP)
    signals[:, -len(TASKS)] = 1
    with tempfile.TemporaryDirectory() as folder:
        exact = Path(folder) / "exact.onnx"
        torch.onnx.export(
            network, (signals,), exact, input_names=[INPUT_NAME], output_names=[OUTPUT_NAME],
            dynamic_axes={INPUT_NAME: {2: "frames"}, OUTPUT_NAME: {2: "frames"}}, opset_version=18,
            dynamo=False,
        )  # fmt: skip
        model = onnx.load(exact)
    halve(model)
    content = model.SerializeToString()
    card = {
        "name": NAME,
        "sha256": hashlib.sha256(content).hexdigest(),
        "date": datetime.now(UTC).date().isoformat(),
        "parts": [part.name.lower() for part in Part],
        "rate_hz": RATE_HZ,
        "parameters": sum(each.numel() for each in network.parameters()),
    }
    with atomic_path(FOLDER / f"{NAME}.onnx") as temporary:
        temporary.write_bytes(content)
    write_text(FOLDER / f"{NAME}.json", json.dumps(card, indent=2) + "\n")


def halve(model: onnx.ModelProto) -> None:
    """Store large weights in half precision, made single again when the network is loaded."""
    for own in [each for each in model.graph.initializer if each.data_type == FLOAT]:
        value = onnx.numpy_helper.to_array(own)
        if value.size < SMALL:
            continue
        half = onnx.numpy_helper.from_array(value.astype(np.float16), own.name + HALF)
        cast = onnx.helper.make_node("Cast", [half.name], [own.name], to=FLOAT)
        model.graph.initializer.remove(own)
        model.graph.initializer.append(half)
        model.graph.node.insert(0, cast)


def main() -> None:
    """Train or export."""
    parser = argparse.ArgumentParser(description="The network of efforts.")
    commands = parser.add_subparsers(dest="command", required=True)
    training = commands.add_parser("train")
    training.add_argument("--minutes", type=float, default=8)
    training.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 2))
    training.add_argument("--out", type=Path, required=True)
    training.add_argument("--first", type=int, default=0, help="number of the first drawn clip")
    training.add_argument("--rate", type=float, default=2e-3, help="highest rate of learning")
    training.add_argument("--batch", type=int, default=512, help="clips in a step")
    training.add_argument("--start", type=Path, help="begin as this network")
    training.add_argument(
        "--filmed", type=Path, nargs="+", default=[], help="signals to learn from"
    )
    exporting = commands.add_parser("export")
    exporting.add_argument("trained", type=Path)
    options = parser.parse_args()
    if options.command == "train":
        for path in options.filmed:
            if not path.exists():
                parser.error(f"{path} does not exist; name files of scripts/efforts_data")
        told = vars(options)
        del told["command"]
        train(Run(**told))
    else:
        export(options.trained)


if __name__ == "__main__":
    main()
