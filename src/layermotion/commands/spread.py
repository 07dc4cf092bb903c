"""Owns spreading independent pieces of work: over this computer's cores, or a Dask cluster.

Without a cluster no service and no further package is needed. A cluster is named by the address of
its scheduler; its machines need the same code and the same folders as this one. Only functions and
paths travel to them, never pictures.
"""

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any

import cv2

from layermotion import __version__
from layermotion.errors import InputError
from layermotion.extras import need
from layermotion.provenance import code_digest

# Applies a function to every item, results in order, as the built-in map does.
Spread = Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]
# How long to wait for a scheduler to answer (our choice).
CONNECT_S = 10.0


@contextmanager
def spread_over(cluster: str | None, tasks: int) -> Iterator[Spread]:
    """Give what spreads work while the block runs; results do not depend on where it was done.

    Parameters
    ----------
    cluster
        Address of a Dask scheduler, such as ``tcp://10.0.0.5:8786``; None for this computer.
    tasks
        How many pieces there will be; no more processes than that are started here.

    Raises
    ------
    InputError
        If Dask is missing, nothing answers at the address, a worker has other code, or the workers
        were lost.
    """
    processes = min(os.cpu_count() or 1, tasks)
    if cluster is not None:
        with _connected(cluster) as spread:
            yield spread
    elif processes < 2:
        yield map
    else:
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(processes, context, _calm_process) as pool:
            yield pool.map


@contextmanager
def _connected(address: str) -> Iterator[Spread]:
    need("A cluster needs", "scale", ("distributed",))
    from distributed import CancelledError, Client, KilledWorker
    from distributed.comm.core import CommClosedError

    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise InputError(
            f"No Dask scheduler answers at {address}; start one there with: dask scheduler."
        ) from error
    with client:
        try:
            _refuse_other_code(client)
            yield client.get_executor().map  # type: ignore[no-untyped-call]
        except (CancelledError, CommClosedError, KilledWorker) as error:
            raise InputError(
                f"The cluster at {address} lost its workers ({type(error).__name__}); what is "
                f"finished is written. Look at the workers' own messages, then run this again."
            ) from error


def _refuse_other_code(client: Any) -> None:
    found = client.run(code_digest, on_error="return")
    if not found:
        raise InputError("The cluster has no workers; start some with: dask worker ADDRESS.")
    for worker, digest in found.items():
        if digest != code_digest():
            raise InputError(
                f"The worker {worker} does not have this layermotion; install version "
                f"{__version__} there from the same files."
            )


def _calm_process() -> None:
    """One thread for each process, and Ctrl-C left to the one that started them."""
    cv2.setNumThreads(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
