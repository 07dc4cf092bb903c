"""Owns the processes of one run: which one this is, requests to stop, and agreeing on them."""

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

import torch
from torch import distributed


@dataclass(frozen=True)
class Place:
    """Which process of the run this is, as torchrun states it."""

    rank: int
    world: int
    device: torch.device

    @classmethod
    def from_environment(cls) -> "Place":
        """Read the variables that torchrun sets; without them there is one process."""
        rank, world = int(os.environ.get("RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))
        if not torch.cuda.is_available():
            return cls(rank, world, torch.device("cpu"))
        device = torch.device("cuda", int(os.environ.get("LOCAL_RANK", 0)))
        torch.cuda.set_device(device)
        return cls(rank, world, device)

    @property
    def is_writer(self) -> bool:
        """Whether this process writes files and lines of progress."""
        return self.rank == 0

    def any_wants(self, wish: bool) -> bool:
        """Whether any process has the wish; all of them must ask at the same step."""
        return bool(self.largest(float(wish)))

    def largest(self, value: float) -> float:
        """Largest value of all processes; all of them must ask at the same step."""
        if self.world == 1:
            return value
        values = torch.tensor(value, device=self.device)
        distributed.all_reduce(values, distributed.ReduceOp.MAX)
        return float(values.item())


@contextmanager
def joined(place: Place) -> Iterator[None]:
    """Connect the processes of a run with each other."""
    is_new = place.world > 1 and not distributed.is_initialized()
    if is_new:
        distributed.init_process_group("nccl" if place.device.type == "cuda" else "gloo")
    yield
    # Not after a failure: it would wait for the other processes, which wait for this one.
    if is_new:
        distributed.destroy_process_group()


@contextmanager
def stop_requests() -> Iterator[list[int]]:
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
