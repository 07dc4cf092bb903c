"""Owns the training loop: steps, checkpoints, exact resume, validation, one or many GPUs."""

import copy
import hashlib
import math
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

import torch
from torch import distributed, nn
from torch.nn.parallel import DistributedDataParallel

from layermotion.errors import ConfigError
from layermotion.files import atomic_path
from layermotion.segment import CLASSES, WEIGHTS_FOLDER, weights_names
from layermotion.training import tracking
from layermotion.training.data import (
    STEP_STREAM,
    Batch,
    Draw,
    TrainingStream,
    seeded,
    synthetic_draw,
    training_batches,
    validation_batches,
)
from layermotion.training.network import LayerNet, compute_losses
from layermotion.training.scoring import evaluate
from layermotion.training.settings import TrainSettings, load_settings

CHECKPOINT_NAME = "last.pt"
# Settings that may change between two parts of one run, because no number depends on them.
FREE_SETTINGS = {"checkpoint_every_s", "tracking"}
# How often processes agree on whether to stop; a time limit is overrun by at most this.
STOP_CHECK_STEPS = 10


@dataclass(frozen=True)
class Result:
    """Where a call of ``train`` ended."""

    step: int
    examples_seen: int
    is_finished: bool


@dataclass(frozen=True)
class _Place:
    """Which process of the run this is, as torchrun states it."""

    rank: int
    world: int
    device: torch.device

    @classmethod
    def from_environment(cls) -> "_Place":
        rank, world = int(os.environ.get("RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))
        if not torch.cuda.is_available():
            return cls(rank, world, torch.device("cpu"))
        device = torch.device("cuda", int(os.environ.get("LOCAL_RANK", 0)))
        torch.cuda.set_device(device)
        return cls(rank, world, device)


@dataclass
class _Progress:
    """What a checkpoint holds beside the three sets of tensors."""

    step: int = 0
    sources: list[str] = field(default_factory=list)
    spacing_range_mm: list[float] = field(default_factory=lambda: [math.inf, -math.inf])
    # Sums since the last row of the log, so that a restart in between logs the same mean.
    sums: dict[str, float] = field(default_factory=dict)
    summed_steps: int = 0


def train(
    settings: TrainSettings,
    out: Path,
    draw: Draw | None = None,
    augment: bool = True,
    max_seconds: float | None = None,
    report: Callable[[str], None] = print,
    start_from: str | None = None,
    keep_normalisation: bool = False,
) -> Result:
    """Train until ``settings.steps``, going on from ``last.pt`` in ``out`` where there is one.

    Going on gives the same numbers as never having stopped. Under torchrun every process calls
    this, and the first one writes.

    Parameters
    ----------
    settings
        All numbers of the run.
    out
        Run folder: ``last.pt``, ``metrics.csv``, ``settings.json``.
    draw
        Source of labelled images; the generator if None.
    augment
        Whether drawn images are changed before use.
    max_seconds
        Stop cleanly after this long, as on SIGTERM or Ctrl-C; None for no limit.
    report
        Receives one line of progress at a time.
    start_from
        What a new run takes its averaged weights from: the folder of a run, or the name of shipped
        weights; None starts from chance.
    keep_normalisation
        Whether batch normalisation keeps the means and variances it starts with: those of a small
        batch, or of other pictures, would undo what the weights know.

    Raises
    ------
    ConfigError
        If ``out`` holds a run with other settings, or ``start_from`` names no weights of the same
        network.
    """
    started_s = time.monotonic()
    tracking.check_tracking(settings.tracking)
    place = _Place.from_environment()
    joined = place.world > 1 and not distributed.is_initialized()
    if joined:
        distributed.init_process_group("nccl" if place.device.type == "cuda" else "gloo")
    with _stop_requests() as requests:
        limit_s = math.inf if max_seconds is None else started_s + max_seconds
        run = _Run(settings, out, draw or synthetic_draw(), place, report, start_from)
        run.keep_normalisation = keep_normalisation
        result = run.go(augment, lambda: bool(requests) or time.monotonic() > limit_s)
    # Not after a failure: it would wait for the other processes, which wait for this one.
    if joined:
        distributed.destroy_process_group()
    return result


class _Run:
    """Network, moving average and optimiser of one run, with the folder they are saved in."""

    def __init__(
        self,
        settings: TrainSettings,
        out: Path,
        draw: Draw,
        place: _Place,
        report: Callable[[str], None],
        start_from: str | None,
    ) -> None:
        self.settings, self.out, self.draw, self.place = settings, out, draw, place
        self.is_writer = place.rank == 0
        self.report = report if self.is_writer else lambda _: None
        torch.manual_seed(settings.seed)
        memory = torch.channels_last if place.device.type == "cuda" else torch.contiguous_format
        self.model = LayerNet(settings).to(place.device, memory_format=memory)  # type: ignore[call-overload]
        self.average = copy.deepcopy(self.model).eval().requires_grad_(False)
        self.optimizer = torch.optim.AdamW(
            self.model.parameters(), lr=settings.learning_rate, weight_decay=settings.weight_decay
        )
        self.progress = _Progress()
        self.keep_normalisation = False
        self.validation: list[Batch] = []
        if start_from and not (out / CHECKPOINT_NAME).exists():
            self._start_from(start_from)
        self._restore(source_name(draw))

    def go(self, augment: bool, should_stop: Callable[[], bool]) -> Result:
        """Step until done or stopped, then save."""
        settings, progress = self.settings, self.progress
        model: nn.Module = self.model
        if self.place.world > 1:
            model = DistributedDataParallel(model)
        if progress.step < settings.steps:
            first = progress.step
            stream = TrainingStream(
                settings, self.draw, first, self.place.rank, self.place.world, augment
            )
            batches = training_batches(stream, pin=self.place.device.type == "cuda")
            saved_s = time.monotonic()
            clock = _Clock()
            while progress.step < settings.steps and not self._agree(should_stop):
                self._step(model, clock.timed(batches))
                if progress.step % settings.log_every_steps == 0:
                    self._log(clock)
                if progress.step % settings.validate_every_steps == 0 and self.is_writer:
                    self._validate()
                if time.monotonic() - saved_s >= settings.checkpoint_every_s:
                    self._save()
                    saved_s = time.monotonic()
            self._save()
        seen = progress.step * settings.batch_size * self.place.world
        return Result(progress.step, seen, progress.step >= settings.steps)

    def _step(self, model: nn.Module, batch: Batch) -> None:
        settings, progress = self.settings, self.progress
        low, high = progress.spacing_range_mm
        spacing = batch.mm_per_pixel
        progress.spacing_range_mm = [
            min(low, spacing.min().item()),
            max(high, spacing.max().item()),
        ]
        device = self.place.device
        batch = Batch(*(tensor.to(device, non_blocking=True) for tensor in batch))
        # Dropout is the only draw inside a step: seeding each step needs no saved state.
        key = seeded(STEP_STREAM, settings.seed, progress.step, self.place.rank)
        torch.manual_seed(int(key.integers(2**63)))
        for group in self.optimizer.param_groups:
            group["lr"] = learning_rate(progress.step, settings)
        model.train()
        if self.keep_normalisation:
            for module in model.modules():
                if isinstance(module, nn.BatchNorm2d):
                    module.eval()
        with torch.autocast(device.type, torch.bfloat16, enabled=settings.precision == "bf16"):
            class_logits, view_logits = model(batch.image)
        losses = compute_losses(class_logits, view_logits, batch, settings)
        self.optimizer.zero_grad(set_to_none=True)
        losses.total.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(model.parameters(), settings.gradient_limit)
        self.optimizer.step()
        update_average(self.average, self.model, settings.ema_decay, progress.step)
        for name, value in losses._asdict().items():
            # Stays on the device: reading it here would make the GPU wait.
            progress.sums[name] = progress.sums.get(name, 0.0) + value.detach().double()
        progress.summed_steps += 1
        progress.step += 1

    def _log(self, clock: "_Clock") -> None:
        progress, settings = self.progress, self.settings
        values = {f"loss_{n}": float(v) / progress.summed_steps for n, v in progress.sums.items()}
        values["learning_rate"] = learning_rate(progress.step - 1, settings)
        batches_per_second, wait = clock.lap()
        speed = batches_per_second * settings.batch_size * self.place.world
        values |= {"images_per_second": speed, "data_wait_share": wait}
        progress.sums, progress.summed_steps = {}, 0
        if self.is_writer:
            tracking.append(self.out, progress.step, values)
        self.report(
            f"step {progress.step}/{settings.steps}  loss {values['loss_total']:.4f}  "
            f"{speed:.0f} images/s  waiting for data {100 * wait:.0f} %"
        )

    def _validate(self) -> None:
        """Score the moving average on examples that no training run draws."""
        if not self.validation:
            self.validation = validation_batches(self.settings, self.draw)
        values = evaluate(self.average, self.validation, self.place.device)
        tracking.append(self.out, self.progress.step, values)
        dice = "  ".join(f"{name} {values[f'dice_{name}']:.3f}" for name in CLASSES[1:])
        self.report(f"step {self.progress.step}  Dice {dice}  view {values['view_accuracy']:.3f}")

    def _agree(self, should_stop: Callable[[], bool]) -> bool:
        """Whether any process wants to stop; all give the same answer at the same step."""
        if self.place.world == 1:
            return should_stop()
        if self.progress.step % STOP_CHECK_STEPS:
            return False
        wish = torch.tensor(float(should_stop()), device=self.place.device)
        distributed.all_reduce(wish, distributed.ReduceOp.MAX)
        return bool(wish.item())

    def _save(self) -> None:
        if not self.is_writer:
            return
        self.progress.sums = {name: float(value) for name, value in self.progress.sums.items()}
        state = {
            "settings": asdict(self.settings),
            "world": self.place.world,
            "progress": asdict(self.progress),
            "model": self.model.state_dict(),
            "average": self.average.state_dict(),
            "optimizer": self.optimizer.state_dict(),
        }
        with atomic_path(self.out / CHECKPOINT_NAME) as temporary:
            torch.save(state, temporary)
        if self.settings.tracking != "csv":
            tracking.record_run(self.out, self.settings.tracking)

    def _start_from(self, source: str) -> None:
        """Take over the averaged weights of another run, and what they were trained on."""
        state = load_checkpoint(starting_point(source))
        try:
            self.model.load_state_dict(state["average"])
        except RuntimeError as error:
            raise ConfigError(
                f"{source} holds another network; give the same encoder and decoder_channels."
            ) from error
        self.average.load_state_dict(state["average"])
        old = state["progress"]
        self.progress.sources = list(old["sources"])
        self.progress.spacing_range_mm = list(old["spacing_range_mm"])
        self.report(f"starting from the weights of {source}, step {old['step']}")

    def _restore(self, source: str) -> None:
        """Load ``last.pt`` where there is one, and note what images are trained on."""
        path = self.out / CHECKPOINT_NAME
        if path.exists():
            state = load_checkpoint(path)
            self._refuse_other_settings(state)
            self.model.load_state_dict(state["model"])
            self.average.load_state_dict(state["average"])
            self.optimizer.load_state_dict(state["optimizer"])
            self.progress = _Progress(**state["progress"])
            self.report(f"going on from step {self.progress.step} in {self.out}")
        if source not in self.progress.sources:
            self.progress.sources.append(source)
        if self.is_writer:
            self.out.mkdir(parents=True, exist_ok=True)
            tracking.write_settings(self.out, self.settings)
            tracking.keep_until(self.out, self.progress.step)

    def _refuse_other_settings(self, state: dict[str, Any]) -> None:
        free = FREE_SETTINGS | ({"workers"} if self.settings.reuse == 1 else set())
        old = state["settings"] | {"processes": state["world"]}
        new = asdict(self.settings) | {"processes": self.place.world}
        changed = [name for name in new if name not in free and new[name] != old.get(name)]
        if changed:
            raise ConfigError(
                f"{self.out} holds a run with {changed[0]}={old.get(changed[0])}, not "
                f"{new[changed[0]]}; choose another folder, or give the old value."
            )


def learning_rate(step: int, settings: TrainSettings) -> float:
    """Rate of step ``step`` (from 0): linear warm-up, then half a cosine down to zero.

    Examples
    --------
    >>> settings = TrainSettings(steps=100, warmup_steps=10, learning_rate=1.0)
    >>> [round(learning_rate(step, settings), 3) for step in (0, 9, 10, 55)]
    [0.1, 1.0, 1.0, 0.5]
    """
    if step < settings.warmup_steps:
        return settings.learning_rate * (step + 1) / settings.warmup_steps
    done = (step - settings.warmup_steps) / max(1, settings.steps - settings.warmup_steps)
    return settings.learning_rate * 0.5 * (1 + math.cos(math.pi * done))


@torch.no_grad()
def update_average(average: nn.Module, model: nn.Module, decay: float, step: int) -> None:
    """Move ``average`` toward ``model``; the first steps move it faster, to forget the start."""
    share = 1 - min(decay, (1 + step) / (10 + step))
    old, new = average.state_dict(), model.state_dict()
    moving = [name for name, tensor in old.items() if tensor.is_floating_point()]
    torch._foreach_lerp_([old[n] for n in moving], [new[n] for n in moving], share)
    for name in old.keys() - set(moving):
        old[name].copy_(new[name])


def load_checkpoint(path: Path) -> dict[str, Any]:
    """Read ``last.pt`` into main memory; only tensors and plain values, so it runs no code."""
    # Main memory, because AdamW keeps its step counts there; the rest moves when it is loaded.
    state: dict[str, Any] = torch.load(path, map_location="cpu", weights_only=True)
    return state


def starting_point(source: str) -> Path:
    """File with averaged weights: of a run (its folder is given) or of shipped weights (name).

    The file itself, NAME.pt beside an exported NAME.onnx, may be given too.

    Raises
    ------
    ConfigError
        If there is neither such a run nor such weights.
    """
    run, shipped = Path(source) / CHECKPOINT_NAME, WEIGHTS_FOLDER / f"{source}.pt"
    for path in (run, Path(source), shipped):
        if path.is_file():
            return path
    raise ConfigError(
        f"{source} is neither the folder of a run with a {CHECKPOINT_NAME} nor the name of shipped "
        f"weights; choose from {', '.join(weights_names(WEIGHTS_FOLDER))}."
    )


def source_name(draw: Draw) -> str:
    """Name the source of the images, with a digest of the code of its package or module.

    Two runs with the same name saw the same images for the same seed.
    """
    module = sys.modules[draw.__module__]
    file = Path(str(module.__file__))
    files = sorted(file.parent.glob("*.py")) if module.__package__ else [file]
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()
    return f"{draw.__module__}.{draw.__qualname__} {digest[:12]}"


@dataclass
class _Clock:
    """Measures throughput, and the share of time spent waiting for data."""

    started_s: float = field(default_factory=time.monotonic)
    waited_s: float = 0.0
    taken: int = 0

    def timed(self, batches: Iterator[Batch]) -> Batch:
        """Take the next batch and count the wait."""
        before_s = time.monotonic()
        batch = next(batches)
        self.waited_s += time.monotonic() - before_s
        self.taken += 1
        return batch

    def lap(self) -> tuple[float, float]:
        """Batches a second and share of waiting since the last lap."""
        now_s = time.monotonic()
        elapsed_s = now_s - self.started_s
        result = self.taken / elapsed_s, self.waited_s / elapsed_s
        self.started_s, self.waited_s, self.taken = now_s, 0.0, 0
        return result


@contextmanager
def _stop_requests() -> Iterator[list[int]]:
    """Collect SIGTERM and Ctrl-C instead of dying of them; the list fills when one comes."""
    received: list[int] = []

    def note(number: int, _: FrameType | None) -> None:
        received.append(number)

    old = {number: signal.signal(number, note) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield received
    finally:
        for number, handler in old.items():
            signal.signal(number, handler)


def main(
    overrides: list[str],
    config: str,
    out: Path,
    max_seconds: float | None = None,
    report: Callable[[str], None] = print,
    start_from: str | None = None,
) -> Result:
    """Read the settings and train; what ``layermotion train`` runs."""
    settings = load_settings(config, overrides)
    return train(settings, out, max_seconds=max_seconds, report=report, start_from=start_from)
