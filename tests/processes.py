"""Owns running one program in two processes, as torchrun would."""

import os
import socket
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path


def run_two(*parts: str) -> None:
    """Run parts of a program one after the other, each as the two processes of a run of its own.

    All parts run in the same two processes, which both must end well: starting one takes longer
    than what it does here.
    """
    program = "\n".join(
        f"import os\nos.environ['MASTER_PORT'] = '{port}'\n{part}"
        for port, part in zip(free_ports(len(parts)), parts, strict=True)
    )
    common = {"WORLD_SIZE": "2", "MASTER_ADDR": "127.0.0.1"}
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", program],
            env=os.environ | common | {"RANK": rank, "LOCAL_RANK": rank},
            cwd=Path(__file__).parent,
        )
        for rank in "01"
    ]
    try:
        assert [process.wait(timeout=240) for process in processes] == [0, 0]
    finally:
        for process in processes:
            process.kill()  # where one waits for the other
            process.wait()


def free_ports(count: int) -> list[int]:
    """Find ports of this computer that nobody uses."""
    with ExitStack() as stack:
        found = [stack.enter_context(socket.socket()) for _ in range(count)]
        for one in found:
            one.bind(("127.0.0.1", 0))
        return [one.getsockname()[1] for one in found]
