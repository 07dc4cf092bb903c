"""Owns the stream of training batches: example k of a run is the same after any restart."""

import os
import signal
from collections.abc import Generator, Iterator, Sequence
from typing import NamedTuple

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch.utils.data import DataLoader, Dataset, IterableDataset, get_worker_info

from layermotion.training.augment import Augmentation
from layermotion.training.drawing import Draw, Drawn
from layermotion.training.repaint import repaint
from layermotion.training.respeckle import respeckle
from layermotion.training.settings import TrainSettings

# Loaders on every core would keep the process that feeds the GPU waiting (our choice).
LOADER_NICENESS = 10
# First word of every seed, so that no two uses of one number ever share random draws.
TRAINING_STREAM, AUGMENT_STREAM, VALIDATION_STREAM, STEP_STREAM = range(4)


class Batch(NamedTuple):
    """Tensors of one step; N examples of R x C pixels.

    ``image`` uint8 (N, 1, R, C), and ``plain`` the same before its greys were changed; ``label``
    uint8 (N, R, C), 0 where ``is_labelled``, bool (N,), is false; ``view`` int64 (N,);
    ``mm_per_pixel`` float32 (N,); ``is_local`` bool (N,).
    """

    image: torch.Tensor
    plain: torch.Tensor
    label: torch.Tensor
    view: torch.Tensor
    mm_per_pixel: torch.Tensor
    is_local: torch.Tensor
    is_labelled: torch.Tensor

    def where(self, chosen: torch.Tensor) -> "Batch":
        """Those of the examples for which ``chosen``, bool (N,), is true."""
        return Batch(*(tensor[chosen] for tensor in self))


def seeded(*words: int) -> np.random.Generator:
    """Return the generator of one purpose and index, independent of all others."""
    return np.random.default_rng(np.random.SeedSequence(words))


def collate(examples: Sequence[Drawn]) -> Batch:
    """Stack examples into one batch; those that were not changed are plain."""
    labels = [np.zeros_like(e.image) if e.label is None else e.label for e in examples]
    return Batch(
        torch.from_numpy(np.stack([e.image for e in examples])[:, None]),
        torch.from_numpy(np.stack([getattr(e, "plain", e.image) for e in examples])[:, None]),
        torch.from_numpy(np.stack(labels)),
        torch.tensor([e.view for e in examples], dtype=torch.int64),
        torch.tensor([e.mm_per_pixel for e in examples], dtype=torch.float32),
        torch.tensor([e.is_local for e in examples]),
        torch.tensor([e.label is not None for e in examples]),
    )


class _Look(NamedTuple):
    """An example after augmentation."""

    image: NDArray[np.uint8]
    plain: NDArray[np.uint8]
    label: NDArray[np.uint8] | None
    view: int
    mm_per_pixel: float
    is_local: bool


class TrainingStream(IterableDataset[Batch]):
    """Endless batches from ``first_batch`` on; batch b never depends on where a run started.

    A batch is ``reuse`` chunks of examples: one drawn for it, and those drawn for the batches
    ``workers``, 2 ``workers``, ... before it, augmented anew. So each example appears in
    ``reuse`` batches, never twice in one, and every worker meets only chunks it drew itself.
    """

    def __init__(
        self,
        settings: TrainSettings,
        draw: Draw,
        first_batch: int,
        rank: int = 0,
        world: int = 1,
        augment: bool = True,
    ) -> None:
        self.settings = settings
        self.draw = draw
        self.first_batch = first_batch
        self.rank = rank
        self.world = world
        self.augment = augment

    def __iter__(self) -> Iterator[Batch]:
        worker = get_worker_info()
        offset, stride = (worker.id, worker.num_workers) if worker else (0, 1)
        augmentation = Augmentation() if self.augment else None
        chunks: dict[int, list[Drawn]] = {}
        index = self.first_batch + offset
        while True:
            wanted = self._chunks_of(index)
            chunks = {c: chunks[c] if c in chunks else self._draw_chunk(c) for c in wanted}
            yield collate(
                [
                    self._look(example, augmentation, c, place, use)
                    for use, c in enumerate(wanted)
                    for place, example in enumerate(chunks[c])
                ]
            )
            index += stride

    def _chunks_of(self, batch: int) -> list[int]:
        """Chunks in a batch, the newest first; the first batches also need older ones."""
        spread = max(1, self.settings.workers)
        newest = batch + (self.settings.reuse - 1) * spread
        return [newest - use * spread for use in range(self.settings.reuse)]

    def _example_index(self, chunk: int, place: int) -> int:
        size = self.settings.batch_size // self.settings.reuse
        return (chunk * self.world + self.rank) * size + place

    def _draw_chunk(self, chunk: int) -> list[Drawn]:
        settings = self.settings
        return [
            self.draw(
                seeded(TRAINING_STREAM, settings.seed, self._example_index(chunk, place)),
                settings.size_px,
            )
            for place in range(settings.batch_size // settings.reuse)
        ]

    def _look(
        self, example: Drawn, augmentation: Augmentation | None, chunk: int, place: int, use: int
    ) -> Drawn:
        if augmentation is None:
            return example
        rng = seeded(AUGMENT_STREAM, self.settings.seed, self._example_index(chunk, place), use)
        image = example.image
        if example.label is not None and rng.random() < self.settings.repainted:
            image = repaint(image, example.label, rng)
        if rng.random() < self.settings.respeckled:
            image = respeckle(image, rng)
        changed = augmentation(image, example.label, rng)
        return _Look(*changed, example.view, example.mm_per_pixel, example.is_local)


class ValidationSet(Dataset[Drawn]):
    """The same examples for every run, whatever its seed; disjoint from all training."""

    def __init__(self, settings: TrainSettings, draw: Draw) -> None:
        self.settings = settings
        self.draw = draw

    def __len__(self) -> int:
        return self.settings.validation_examples

    def __getitem__(self, index: int) -> Drawn:
        if not 0 <= index < len(self):
            raise IndexError(index)
        return self.draw(seeded(VALIDATION_STREAM, 0, index), self.settings.size_px)


def training_batches(stream: TrainingStream, pin: bool) -> Generator[Batch]:
    """Batches of a stream, drawn ahead by its workers; close it to end them."""
    workers = stream.settings.workers
    loader: DataLoader[Batch] = DataLoader(
        stream,
        batch_size=None,
        num_workers=workers,
        prefetch_factor=3 if workers else None,
        pin_memory=pin,
        worker_init_fn=_calm_worker,
    )
    return _drawn(loader)


def validation_batches(settings: TrainSettings, draw: Draw) -> list[Batch]:
    """All validation examples, held in memory (about 0.15 MB each at 320 px)."""
    loader: DataLoader[Drawn] = DataLoader(
        ValidationSet(settings, draw),
        batch_size=settings.batch_size,
        num_workers=settings.workers,
        collate_fn=collate,
        worker_init_fn=_calm_worker,
    )
    return list(_drawn(loader))


def _drawn(loader: "DataLoader[Batch] | DataLoader[Drawn]") -> Generator[Batch]:
    """Batches of a loader, whose workers end with this, whatever was raised.

    They ignore requests to stop, so a process that left them behind would wait for them for ever.
    """
    batches = iter(loader)
    try:
        yield from batches
    finally:
        getattr(batches, "_shutdown_workers", lambda: None)()


def _calm_worker(_: int) -> None:
    """One thread a worker, the parallelism being the workers; the process they feed goes first.

    A cluster asks every process of a job to stop: the run then saves its state, for which it needs
    its workers to the end of the step. They end with it.
    """
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)
    if hasattr(os, "nice"):  # Windows has none
        os.nice(LOADER_NICENESS)
    cv2.setNumThreads(0)
    torch.set_num_threads(1)
