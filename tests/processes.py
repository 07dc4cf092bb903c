"""Owns running one program in two processes, as torchrun would."""

import os
import socket
import subprocess
import sys
from pathlib import Path


def run_two(program: str) -> None:
    """Run a program as the two processes of one run; both must end well."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    common = {"WORLD_SIZE": "2", "MASTER_ADDR": "127.0.0.1", "MASTER_PORT": str(port)}
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", program],
            env=os.environ | common | {"RANK": rank, "LOCAL_RANK": rank, "OMP_NUM_THREADS": "1"},
            cwd=Path(__file__).parent,
        )
        for rank in "01"
    ]
    assert [process.wait(timeout=240) for process in processes] == [0, 0]
