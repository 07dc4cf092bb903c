"""Owns how fast a run is: images a second, waiting for data, and how busy the GPU is."""

import shutil
import subprocess
import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import torch

from layermotion.training.data import Batch

SAMPLE_MS = 500


@dataclass
class Clock:
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


class GpuLoad:
    """Reads how busy a GPU is, from a program that prints a percentage a line.

    Parameters
    ----------
    command
        The program and its arguments; None gives no figure.
    """

    def __init__(self, command: Sequence[str] | None) -> None:
        self._percent: deque[float] = deque()
        self._program: subprocess.Popen[str] | None = None
        if command is not None:
            self._program = subprocess.Popen(
                command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
            )
            self._reader = threading.Thread(target=self._read, daemon=True)
            self._reader.start()

    def _read(self) -> None:
        assert self._program is not None and self._program.stdout is not None
        with self._program.stdout as answers:
            for line in answers:
                if line.strip().isdecimal():  # some cards answer [N/A]
                    self._percent.append(float(line))

    def lap(self) -> float | None:
        """Mean share of time in which the GPU was busy since the last lap; None if not known."""
        found = [self._percent.popleft() for _ in range(len(self._percent))]
        return sum(found) / len(found) / 100 if found else None

    def close(self) -> None:
        """End the program."""
        if self._program is not None:
            self._program.terminate()
            self._program.wait()
            self._reader.join()


def gpu_command(device: torch.device) -> list[str] | None:
    """Program that tells how busy a device is: nvidia-smi, which comes with the GPU's driver."""
    program = shutil.which("nvidia-smi")
    if device.type != "cuda" or program is None:
        return None
    return [
        program,
        f"--id=GPU-{torch.cuda.get_device_properties(device).uuid}",
        "--query-gpu=utilization.gpu",
        "--format=csv,noheader,nounits",
        f"--loop-ms={SAMPLE_MS}",
    ]
