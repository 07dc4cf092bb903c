"""Kills commands at random moments, runs each again, and compares with a run that nobody killed.

    python scripts/kills.py --kills 100 --out out/kills

After the second run everything must be there, byte for byte as without a kill; nothing hidden is
left, and the SQLite files are sound. Of a review, what a person did and was answered is in the
record. Run it in parts: ``--only`` names a command, ``--first`` draws other moments.
"""

import argparse
import hashlib
import os
import shutil
import signal
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = "1"

import cv2
import numpy as np
import torch
from kill_scenarios import SCENARIOS, Scenario, started

from layermotion.training.checkpoint import load_checkpoint

SEED = 100


def digests(folder: Path, compared: Sequence[str]) -> dict[str, str]:
    """Checksum of every result, by its path; times of day that a file states are left out."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(content_of(path)).hexdigest()
        for part in compared
        for path in [folder / part, *(folder / part).rglob("*")]
        if path.is_file() and path.name != ".identity.json"
    }


def content_of(path: Path) -> bytes:
    """Bytes of a file; of a checkpoint those of its weights."""
    if path.suffix != ".pt":
        return path.read_bytes()
    state = load_checkpoint(path)
    weights = (state[kind][name] for kind in ("model", "average") for name in sorted(state[kind]))
    return b"".join(weight.numpy().tobytes() for weight in weights)


def hidden(folder: Path) -> list[str]:
    """Find what is hidden below a folder, but for what a visit keeps so."""
    return [p.name for p in folder.rglob(".*") if p.name != ".identity.json"]


def kill_once(scenario: Scenario, made: Path, expected: dict[str, str], after_s: float) -> str:
    """Kill one run, run it again, and tell what is wrong; empty where nothing is."""
    # The same path each time, since some files state where they are.
    work = made.with_name("work")
    shutil.rmtree(work, ignore_errors=True)
    shutil.copytree(made, work)
    words = [str(word) for word in scenario.arguments(work)]
    acting = partial(scenario.acting, work)
    code, _, _ = started(words, acting, after_s)
    killed = "killed" if code == -signal.SIGKILL else "finished"
    code, said, _ = started(words, acting)
    is_done_before = code == 2 and scenario.again and scenario.again in said
    if "Traceback" in said or (code != 0 and not is_done_before):
        return f"{killed} after {after_s:.2f} s, then code {code}: {said[-300:]}"
    if wrong := scenario.check(work):
        return f"{killed} after {after_s:.2f} s: {wrong}"
    if left := hidden(work):
        return f"{killed} after {after_s:.2f} s: left {left}"
    if (found := digests(work, scenario.compared)) != expected:
        differing = sorted(k for k in {*found, *expected} if found.get(k) != expected.get(k))
        return f"{killed} after {after_s:.2f} s: differs in {differing[:4]}"
    return ""


def main(arguments: Sequence[str] | None = None) -> int:
    """Kill, print a line for each command, and return 1 if anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", help="name of one command")
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    options.out.mkdir(parents=True, exist_ok=True)
    os.environ["XDG_CONFIG_HOME"] = str(options.out.absolute() / "settings")
    chosen = [s for s in SCENARIOS if options.only in (None, s.name)]
    lost = 0
    print(f"{'command':20}{'s':>6}{'kills':>7}{'lost':>6}")
    for place, scenario in enumerate(chosen):
        folder = options.out.absolute() / scenario.name.replace(" ", "-")
        shutil.rmtree(folder, ignore_errors=True)
        made, work = folder / "made", folder / "work"
        made.mkdir(parents=True)
        scenario.prepare(made)
        shutil.copytree(made, work)
        words = [str(word) for word in scenario.arguments(work)]
        code, said, whole_s = started(words, partial(scenario.acting, work))
        if code != 0:
            raise SystemExit(f"{scenario.name} fails without a kill: {said}")
        expected = digests(work, scenario.compared)
        random = np.random.default_rng([SEED, place, options.first])
        count = len(range(place, options.kills, len(chosen)))
        wrong = [
            kill_once(scenario, made, expected, float(random.uniform(0, 1.05 * whole_s)))
            for _ in range(count)
        ]
        for fault in filter(None, wrong):
            print(f"  {scenario.name}: {fault}")
        lost += sum(map(bool, wrong))
        print(f"{scenario.name:20}{whole_s:6.1f}{count:7}{sum(map(bool, wrong)):6}", flush=True)
        shutil.rmtree(folder, ignore_errors=True)
    return int(lost > 0)


if __name__ == "__main__":
    sys.exit(main())
