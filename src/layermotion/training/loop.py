"""Owns the training loop: steps, exact resume, one or many GPUs."""

import copy
import math
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path

import torch
from torch import nn
from torch.nn.parallel import DistributedDataParallel

from layermotion.consent.origins import check_weights, note_made, origins_of, to_entries
from layermotion.errors import ConfigError
from layermotion.training import tracking
from layermotion.training.checkpoint import (
    CHECKPOINT_NAME,
    RUN_PARTS,
    Progress,
    load_checkpoint,
    refuse_other_settings,
    refuse_other_start,
    save_checkpoint,
    start_names,
    starting_point,
)
from layermotion.training.data import (
    STEP_STREAM,
    Batch,
    TrainingStream,
    seeded,
    training_batches,
)
from layermotion.training.drawing import Draw, SyntheticDraw, source_name
from layermotion.training.network import (
    Answers,
    LayerNet,
    build_network,
    compute_local_losses,
    compute_losses,
)
from layermotion.training.processes import Place, joined, stop_requests
from layermotion.training.schedule import AveragedTensors, learning_rate, set_training
from layermotion.training.settings import TrainSettings
from layermotion.training.teacher import Teacher, add_taught, read_teacher
from layermotion.training.throughput import Clock, GpuLoad, gpu_command
from layermotion.training.watching import Watch

# Changes averaged weights in place, given those that a run began from, and gives what to log.
Settle = Callable[[nn.Module, dict[str, torch.Tensor]], dict[str, float]]
# How often processes agree on whether to stop; a time limit is overrun by at most this.
STOP_CHECK_STEPS = 10


@dataclass(frozen=True)
class Result:
    """Where a call of ``train`` ended."""

    step: int
    examples_seen: int
    is_finished: bool


@dataclass(frozen=True, eq=False)
class Start:
    """What a new run begins with.

    Parameters
    ----------
    weights
        What it takes its averaged weights from: the folder of a run, or the name of shipped
        weights; None starts from chance.
    keep_normalisation
        Whether batch normalisation keeps the means and variances it starts with: those of a small
        batch, or of other pictures, would undo what the weights know.
    settle
        What the first process does with the averaged weights once, when the last step is done; it
        needs ``weights``.
    teacher
        Weights whose answers are learnt beside the truth, named as ``weights`` are; their network
        may be another one. With the same encoder, and no ``weights``, the run begins with theirs.
    """

    weights: str | None = None
    keep_normalisation: bool = False
    settle: Settle | None = None
    teacher: str | None = None


FROM_CHANCE = Start()


def train(
    settings: TrainSettings,
    out: Path,
    draw: Draw | None = None,
    augment: bool = True,
    max_seconds: float | None = None,
    report: Callable[[str], None] = print,
    start: Start = FROM_CHANCE,
    advance: Callable[[int], None] = lambda step: None,
) -> Result:
    """Train until ``settings.steps``, going on from ``last.pt`` in ``out`` where there is one.

    Going on gives the same numbers as never having stopped. Under torchrun every process calls
    this, and the first one writes.

    Parameters
    ----------
    settings, out
        All numbers of the run, and its folder: ``last.pt``, ``metrics.csv``, ``settings.json``.
    draw, augment
        Source of labelled images, the generator if None; whether they are changed before use.
    max_seconds
        Stop cleanly after this long, as on SIGTERM or Ctrl-C; None for no limit.
    report, advance
        Receive one line of progress at a time, and the number of steps done after each.
    start
        What a new run begins with.

    Raises
    ------
    ConfigError
        If ``out`` holds a run with other settings or another start, or ``start`` names no weights
        of the same network.
    """
    started_s = time.monotonic()
    tracking.check_tracking(settings.tracking)
    place = Place.from_environment()
    draw = draw or SyntheticDraw(settings.factors)
    with joined(place), stop_requests() as requests:
        limit_s = math.inf if max_seconds is None else started_s + max_seconds
        run = _Run(settings, out, draw, place, report, start)
        return run.go(augment, lambda: bool(requests) or time.monotonic() > limit_s, advance)


class _Run:
    """Network, moving average and optimiser of one run, with the folder they are saved in."""

    def __init__(
        self,
        settings: TrainSettings,
        out: Path,
        draw: Draw,
        place: Place,
        report: Callable[[str], None],
        start: Start,
    ) -> None:
        self.keep_normalisation, self.settle = start.keep_normalisation, start.settle
        self.start: dict[str, torch.Tensor] | None = None
        self.began = start_names(start.weights, start.teacher)
        self.settings, self.out, self.draw, self.place = settings, out, draw, place
        self.report = report if place.is_writer else lambda _: None
        torch.manual_seed(settings.seed)
        memory = torch.channels_last if place.device.type == "cuda" else torch.contiguous_format
        self.model = build_network(settings).to(place.device, memory_format=memory)  # type: ignore[call-overload]
        self.average = copy.deepcopy(self.model).eval().requires_grad_(False)
        self.optimizer = torch.optim.AdamW(
            self.model.parameters(), lr=settings.learning_rate, weight_decay=settings.weight_decay,
            fused=place.device.type == "cuda",
        )  # fmt: skip
        self.averaged = AveragedTensors.of(self.average, self.model)
        self.progress = Progress()
        self.watch = Watch(settings, draw, place, out, self.report)
        self.teacher: Teacher | None = None
        if not (out / CHECKPOINT_NAME).exists():
            if start.weights:
                self._start_from(start.weights)
            if start.teacher:
                self._learn_from(start.teacher, take_encoder=not start.weights)
            if settings.hold_weight and not start.weights:
                raise ConfigError(
                    "hold_weight needs --from, the weights whose answers are held; give it, or set "
                    "hold_weight=0."
                )
            if settings.agree_weight and isinstance(draw, SyntheticDraw):
                raise ConfigError(
                    "agree_weight needs local pictures without a label, which the generator does "
                    "not draw; train with layermotion lab train, or set agree_weight=0."
                )
        self._restore(source_name(draw))
        self._note_origins()
        self.began_as = self._began_as()
        self.taught_by = self.teacher.network(place.device) if self.teacher else None

    def go(
        self, augment: bool, should_stop: Callable[[], bool], advance: Callable[[int], None]
    ) -> Result:
        """Step until done or stopped, then save."""
        settings, progress, place = self.settings, self.progress, self.place
        model: nn.Module = self.model
        if place.world > 1:
            # Each process normalises by its own batch, and the first one alone writes: sending
            # running means and variances round in every step would change nothing.
            model = DistributedDataParallel(
                model, broadcast_buffers=False, gradient_as_bucket_view=True
            )
        if not progress.has_ended:
            command = gpu_command(place.device) if place.is_writer else None
            with closing(GpuLoad(command)) as load:
                self._go_on(model, augment, should_stop, advance, load)
            if progress.has_ended and self.watch.best is not None:
                self.average.load_state_dict(self.watch.best)
            if progress.has_ended and self.settle and self.start and place.is_writer:
                tracking.append(self.out, progress.step, self.settle(self.average, self.start))
            self._save()
        seen = progress.step * settings.batch_size * place.world
        return Result(progress.step, seen, progress.has_ended)

    def _go_on(
        self,
        model: nn.Module,
        augment: bool,
        should_stop: Callable[[], bool],
        advance: Callable[[int], None],
        load: GpuLoad,
    ) -> None:
        settings, progress, place = self.settings, self.progress, self.place
        stream = TrainingStream(
            settings, self.draw, progress.step, place.rank, place.world, augment
        )
        saved_s = time.monotonic()
        clock = Clock()
        if progress.step == 0 and self.began["--from"]:
            # Weights that it goes on from are scored first, so that a gain can be seen.
            self.watch.look(self.average, progress)
        with closing(training_batches(stream, pin=place.device.type == "cuda")) as batches:
            while not (progress.has_ended or self._agree(should_stop)):
                self._step(model, clock.timed(batches))
                advance(progress.step)
                if progress.step % settings.log_every_steps == 0:
                    self._log(clock, load)
                is_last = progress.step >= settings.steps
                if is_last or progress.step % settings.validate_every_steps == 0:
                    self.watch.look(self.average, progress)
                progress.has_ended |= is_last
                is_due = time.monotonic() - saved_s >= settings.checkpoint_every_s
                if is_due and not progress.has_ended:
                    self._save()
                    saved_s = time.monotonic()

    def _step(self, model: nn.Module, batch: Batch) -> None:
        settings, progress = self.settings, self.progress
        progress.note_spacing(batch.mm_per_pixel[batch.is_labelled])
        device = self.place.device
        batch = Batch(*(tensor.to(device, non_blocking=True) for tensor in batch))
        # Dropout is the only draw inside a step: seeding each step needs no saved state.
        key = seeded(STEP_STREAM, settings.seed, progress.step, self.place.rank)
        torch.manual_seed(int(key.integers(2**63)))
        for group in self.optimizer.param_groups:
            group["lr"] = learning_rate(progress.step, settings)
        set_training(model, self.keep_normalisation)
        with torch.autocast(device.type, torch.bfloat16, enabled=settings.precision == "bf16"):
            class_logits, view_logits = model(batch.image)
        losses = self._losses((class_logits, view_logits), batch)
        self.optimizer.zero_grad(set_to_none=True)
        losses["total"].backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(model.parameters(), settings.gradient_limit)
        self.optimizer.step()
        self.averaged.update(settings.ema_decay, progress.step)
        for name, loss in losses.items():
            # Stays on the device: reading it here would make the GPU wait.
            progress.sums[name] = loss.detach().double() + progress.sums.get(name, 0.0)
        progress.summed_steps += 1
        progress.step += 1

    def _losses(self, answers: Answers, batch: Batch) -> dict[str, torch.Tensor]:
        """Losses of a batch by name; ``total`` is what is minimised."""
        if self.taught_by is not None:
            with torch.no_grad():
                wanted = self.taught_by(batch.image)
            return add_taught(
                compute_losses(*answers, batch, self.settings), answers, wanted, self.settings
            )
        if self.began_as is None and not self.settings.agree_weight:
            return compute_losses(*answers, batch, self.settings)._asdict()
        return compute_local_losses(answers, batch, self.settings, self.began_as, self.average)

    def _log(self, clock: Clock, load: GpuLoad) -> None:
        progress, settings = self.progress, self.settings
        values = {f"loss_{n}": float(v) / progress.summed_steps for n, v in progress.sums.items()}
        self._refuse_divergence(math.isfinite(values["loss_total"]))
        values["learning_rate"] = learning_rate(progress.step - 1, settings)
        batches_per_second, wait = clock.lap()
        speed = batches_per_second * settings.batch_size * self.place.world
        # Every process waits in turn for the one that waits longest for its data.
        values |= {"images_per_second": speed, "data_wait_share": self.place.largest(wait)}
        busy = load.lap()
        if busy is not None:
            values["gpu_utilisation"] = busy
        progress.sums, progress.summed_steps = {}, 0
        if self.place.is_writer:
            tracking.append(self.out, progress.step, values)
        self.report(
            f"step {progress.step}/{settings.steps}  loss {values['loss_total']:.4f}  "
            f"{speed:.0f} images/s  waiting for data {100 * values['data_wait_share']:.0f} %"
            + ("" if busy is None else f"  GPU busy {100 * busy:.0f} %")
        )

    def _agree(self, should_stop: Callable[[], bool]) -> bool:
        """Whether any process wants to stop; all give the same answer at the same step."""
        if self.place.world > 1 and self.progress.step % STOP_CHECK_STEPS:
            return False
        return self.place.any_wants(should_stop())

    def _save(self) -> None:
        if not self.place.is_writer:
            return
        self.progress.sums = {name: float(value) for name, value in self.progress.sums.items()}
        self._refuse_divergence(
            all(math.isfinite(value) for value in self.progress.sums.values())
            and all(bool(tensor.isfinite().all()) for tensor in self.average.state_dict().values())
        )
        state = {
            "settings": asdict(self.settings),
            "world": self.place.world,
            "progress": asdict(self.progress),
            "model": self.model.state_dict(),
            "average": self.average.state_dict(),
            "optimizer": self.optimizer.state_dict(),
            "best": self.watch.best,
            "start": self.start,
            "teacher": self.teacher and self.teacher._asdict(),
            "began": self.began,
        }
        save_checkpoint(self.out, state)
        if self.settings.tracking != "csv":
            tracking.record_run(
                self.out, self.settings.tracking, self.progress.sources,
                is_local=bool(self.progress.local_origins), has_ended=self.progress.has_ended,
            )  # fmt: skip

    def _refuse_divergence(self, is_finite: bool) -> None:
        if not is_finite:
            raise ConfigError(
                f"The run {self.out} has diverged by step {self.progress.step}: its loss or "
                f"weights are no finite numbers; train in another folder with a lower "
                f"learning_rate or a longer warmup_steps."
            )

    def _start_from(self, source: str) -> None:
        """Take over the averaged weights of another run, and what they were trained on."""
        state = load_checkpoint(starting_point(source))
        check_weights(f"The weights of {source}", origins_of(state["progress"]))
        try:
            self.model.load_state_dict(state["average"])
        except RuntimeError as error:
            raise ConfigError(
                f"{source} holds another network; give the same encoder and decoder_channels."
            ) from error
        self.average.load_state_dict(state["average"])
        if self.settle or self.settings.hold_weight:
            self.start = {k: tensor.clone() for k, tensor in self.average.state_dict().items()}
        old = Progress(**state["progress"])
        self.progress = Progress().joined_with(old)
        self.report(f"starting from the weights of {source}, step {old.step}")

    def _learn_from(self, source: str, take_encoder: bool) -> None:
        """Take a teacher, what it was trained on, and its encoder where that is wanted and fits."""
        if self.settings.hold_weight or self.settings.agree_weight:
            raise ConfigError(
                "A teacher answers every picture; set hold_weight=0 and agree_weight=0, or give no "
                "teacher."
            )
        self.teacher, its = read_teacher(source)
        self.progress = self.progress.joined_with(its)
        if take_encoder and self.teacher.settings["encoder"] == self.settings.encoder:
            encoder = self.teacher.network(self.place.device).unet.encoder.state_dict()
            self.model.unet.encoder.load_state_dict(encoder)
            self.average.unet.encoder.load_state_dict(encoder)
        self.report(f"learning from the answers of {source}, step {its.step}")

    def _began_as(self) -> LayerNet | None:
        """Network that the run began as, where its answers are to be held."""
        needs_start = self.settle or self.settings.hold_weight
        if needs_start and self.start is None and not self.progress.has_ended:
            raise ConfigError(
                f"{self.out} does not say what weights its run began from, as hold_weight and "
                f"keeping a share of what was learnt need it; choose another folder, and weights "
                f"to start from."
            )
        if self.start is None or not self.settings.hold_weight:
            return None
        began_as: LayerNet = copy.deepcopy(self.average)
        began_as.load_state_dict(self.start)
        return began_as

    def _note_origins(self) -> None:
        """Pass the gate for weights with all that this run learns from, and tell laboratories.

        Pictures stay where they are: a run on local ones is recorded on this machine alone.
        """
        own = getattr(self.draw, "origin", None)
        origins = (*origins_of(asdict(self.progress)), *([own] if own else []))
        self.progress.local_origins = to_entries(origins)
        if origins:
            tracking.require_here(self.settings.tracking)
            check_weights(f"The run {self.out}", origins)
        if self.place.is_writer:
            note_made(self.out, origins)

    def _restore(self, source: str) -> None:
        """Load ``last.pt`` where there is one, and note what images are trained on."""
        path = self.out / CHECKPOINT_NAME
        if path.exists():
            state = load_checkpoint(path, RUN_PARTS)
            refuse_other_settings(self.out, state, self.settings, self.place.world)
            refuse_other_start(self.out, state, self.began)
            self.began = state.get("began") or self.began
            self.model.load_state_dict(state["model"])
            self.average.load_state_dict(state["average"])
            self.optimizer.load_state_dict(state["optimizer"])
            self.progress = Progress(**state["progress"])
            # Checkpoints of earlier versions do not say whether the run has ended.
            self.progress.has_ended |= self.progress.step >= self.settings.steps
            self.watch.best, self.start = state.get("best"), state.get("start")
            self.teacher = Teacher(**state["teacher"]) if state.get("teacher") else None
            self.report(f"going on from step {self.progress.step} in {self.out}")
        if source not in self.progress.sources:
            self.progress.sources.append(source)
        if self.place.is_writer:
            tracking.write_settings(self.out, self.settings)
            tracking.keep_until(self.out, self.progress.step)
