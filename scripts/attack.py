"""Damages good files in thousands of ways, reads each in a process of its own, counts what breaks.

    python scripts/attack.py --count 12000 --whole 400 --out out/attack

Every file goes through the same functions as a user's; ``--whole`` files through a whole command.
What must come of each is one sentence that names the file, or what was in it. Run it in parts with
``--first``; the table is of all parts in the folder.
"""

import argparse
import json
import os
import resource
import select
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = "1"

import cv2
import numpy as np
from attack_mutations import mutate
from attack_seeds import write_all
from attack_targets import COMMANDS, TARGETS, Command, Reader

from layermotion.cli import main as run_command
from layermotion.errors import LayermotionError

HANG_S = 60
MOST_MEMORY_KB = 1_500_000
# Keeps a bomb from the machine itself; above what the table calls too much.
ADDRESS_SPACE = 8 * 2**30
LONGEST_SENTENCE = 700
SEED = 22
# Files after which their results are kept, so that a stopped attack loses little.
EACH_PART = 250
# Files that one process reads while nothing breaks.
TOGETHER = 25
# What may come of a damaged file.
GOOD = ("refused", "read", "read with a caution")

Act = Callable[[], tuple[str, str]]


@dataclass(frozen=True)
class Result:
    """What came of one damaged file.

    Parameters
    ----------
    number
        Which one it is: the same number gives the same file.
    outcome
        ``refused``, ``read``, or a fault.
    words
        The sentence, or what a fault left.
    """

    number: int
    target: str
    seed: str
    how: str
    outcome: str
    words: str
    seconds: float
    memory_kb: int

    @property
    def is_fault(self) -> bool:
        """Whether it should not have come to this."""
        return self.outcome not in GOOD


@dataclass(frozen=True)
class Came:
    """What came of an act: outcome, words, all that was printed, seconds, memory so far."""

    outcome: str
    words: str
    output: str
    seconds: float
    memory_kb: int


def attempt(act: Act) -> Came:
    """Run one act in a process of its own."""
    return attempt_all([act])[0]


def attempt_all(acts: Sequence[Act]) -> list[Came]:
    """Run acts one after the other in processes of their own.

    A process goes on to the next act until one hangs, ends it, or takes too much memory.
    """
    came: list[Came] = []
    while len(came) < len(acts):
        came += _until_it_breaks(acts[len(came) :])
    return came


def _until_it_breaks(acts: Sequence[Act]) -> list[Came]:
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        _act_and_leave(acts, writing)
    os.close(writing)
    came: list[Came] = []
    lost = ""
    with os.fdopen(reading, "rb") as stream:
        while len(came) < len(acts):
            if not select.select([stream], [], [], HANG_S)[0]:
                lost = "hang"
                os.kill(child, signal.SIGKILL)
                break
            line = stream.readline()
            if not line:
                lost = "crash"
                break
            came.append(Came(**json.loads(line)))
            if came[-1].outcome == "memory":
                break
    _, status, usage = os.wait4(child, 0)
    if lost:
        came.append(Came(lost, f"status {status}", "", HANG_S, usage.ru_maxrss))
    return came


def _act_and_leave(acts: Sequence[Act], writing: int) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with tempfile.TemporaryFile() as printed:
        for handle in (1, 2):
            os.dup2(printed.fileno(), handle)
        for act in acts:
            began_s, began = time.monotonic(), os.lseek(printed.fileno(), 0, os.SEEK_END)
            try:
                outcome, words = act()
            except LayermotionError as error:
                outcome, words = "refused", str(error)
            except BaseException as error:
                outcome, words = "traceback", f"{type(error).__name__}: {str(error)[:200]}"
            sys.stdout.flush()
            sys.stderr.flush()
            output = os.pread(printed.fileno(), 5000, began).decode("utf-8", "replace")
            memory_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            if memory_kb > MOST_MEMORY_KB:
                outcome, words = "memory", f"{memory_kb // 1000} MB; {words}"
            seconds = time.monotonic() - began_s
            line = Came(outcome, words[:3000], output, seconds, memory_kb)
            os.write(writing, json.dumps(asdict(line)).encode() + b"\n")
    os._exit(0)


def result_of(came: Came, reader: Reader, path: Path, how: str, number: int, seed: str) -> Result:
    """Judge what came of one damaged file that was read by functions."""
    outcome, words = came.outcome, came.words
    if outcome == "refused":
        outcome = judged(words, path)
    if came.output.strip() and outcome in GOOD:
        outcome, words = "printed", came.output[:300]
    seconds = round(came.seconds, 2)
    return Result(number, reader.name, seed, how, outcome, words, seconds, came.memory_kb)


def judged(sentence: str, path: Path) -> str:
    """Tell whether a refusal is one sentence that names the file."""
    names = (path.name, path.stem, path.parent.name)
    if "\n" in sentence or len(sentence) > LONGEST_SENTENCE or not sentence.endswith((".", ")")):
        return "no sentence"
    if "not foreseen" in sentence:
        return "unforeseen"
    return "refused" if any(name in sentence for name in names) else "no name"


def run_one(command: Command, path: Path, folder: Path, how: str, number: int) -> Result:
    """Run a whole command on one damaged file, and judge its code, words and files."""
    out = folder / "out"

    def act() -> tuple[str, str]:
        try:
            run_command([str(word) for word in command.arguments(path, out)])
        except SystemExit as left:
            return str(left.code), ""

    came = attempt(act)
    code, words, output = came.outcome, came.words, came.output
    lines = [line for line in output.splitlines() if line.startswith("layermotion: ")]
    half = [
        str(found.relative_to(out))
        for found in (out.rglob("*") if out.exists() else ())
        if command.is_half(found)
    ]
    if half:
        outcome, words = "half-written", ", ".join(half)[:300]
    elif "Traceback" in output or "Warning" in output:
        outcome, words = "traceback", output[-300:]
    elif code not in ("0", "1", "2"):
        outcome, words = code, words or output[-300:]
    elif code == "0":
        outcome, words = "read", ""
    else:
        refusal = lines[-1].removeprefix("layermotion: ") if lines else output.strip()
        words = refusal.splitlines()[0] if refusal else ""
        outcome = "refused" if words else "no sentence"
        if any("not foreseen" in line for line in lines):
            outcome, words = "unforeseen", output[-300:]
    seconds = round(came.seconds, 2)
    return Result(number, command.name, path.name, how, outcome, words, seconds, came.memory_kb)


def attack(seeds: Path, folder: Path, first: int, count: int, whole: int) -> list[Result]:
    """Damage and read ``count`` files, and run ``whole`` more through commands."""
    results = []
    chosen = [target for target in TARGETS for _ in range(target.share)]
    for begin in range(first, first + count, TOGETHER):
        batch: list[tuple[Path, Reader, Path, str, int, str]] = []
        for number in range(begin, min(begin + TOGETHER, first + count)):
            random = np.random.Generator(np.random.SFC64([SEED, number]))
            reader = chosen[number % len(chosen)]
            seed = reader.seeds[int(random.integers(len(reader.seeds)))]
            own, path, how = damaged(random, seeds, reader.place, seed, folder)
            batch.append((own, reader, path, how, number, seed))
        acts = [partial(reader.read, path, how) for _, reader, path, how, _, _ in batch]
        for came, one in zip(attempt_all(acts), batch, strict=True):
            own, reader, path, how, number, seed = one
            results.append(result_of(came, reader, path, how, number, seed))
            keep_or_remove(own, results[-1], folder)
    for number in range(first, first + whole):
        random = np.random.Generator(np.random.SFC64([SEED + 1, number]))
        command = COMMANDS[number % len(COMMANDS)]
        seed = command.seeds[int(random.integers(len(command.seeds)))]
        own, path, how = damaged(random, seeds, command.place, seed, folder)
        result = run_one(command, path, own, how, number)
        results.append(result)
        keep_or_remove(own, result, folder)
    return results


def damaged(
    random: np.random.Generator, seeds: Path, place: str, seed: str, folder: Path
) -> tuple[Path, Path, str]:
    """Copy a seed with what lies beside it into a folder of its own, and damage it there."""
    own = Path(tempfile.mkdtemp(prefix="mutant-", dir=folder))
    beside = seeds / place / Path(seed).parent
    (own / "damaged").mkdir()
    target = own / "damaged" / Path(seed).name
    for other in beside.iterdir():
        if other.is_file() and other.name != target.name and len(Path(seed).parts) > 1:
            (own / "damaged" / other.name).symlink_to(other)
    if place in ("tables", "results"):
        for other in beside.iterdir():
            if other.name != target.name and other.is_file():
                (own / "damaged" / other.name).symlink_to(other)
    how, content = mutate(random, target.name, (seeds / place / seed).read_bytes())
    target.write_bytes(content)
    return own, target, how


def keep_or_remove(own: Path, result: Result, folder: Path) -> None:
    """Keep the file of a fault, by its number and kind."""
    if result.is_fault:
        kept = folder / "faults" / f"{result.target}-{result.number}"
        kept.parent.mkdir(exist_ok=True)
        shutil.rmtree(kept, ignore_errors=True)
        shutil.copytree(own / "damaged", kept, symlinks=True)
    shutil.rmtree(own)


def table(results: Sequence[Result]) -> str:
    """One line for each kind of file."""
    lines = [
        f"{'what was read':28}{'files':>7}{'refused':>9}{'read':>7}{'caution':>9}{'faults':>8}"
        f"{'slowest s':>11}{'most MB':>9}"
    ]
    for name in [*dict.fromkeys(result.target for result in results), "all"]:
        own = [result for result in results if name in (result.target, "all")]
        found = Counter(result.outcome for result in own)
        faults = sum(result.is_fault for result in own)
        counts = [found[outcome] for outcome in GOOD]
        lines.append(
            f"{name:28}{len(own):7}{counts[0]:9}{counts[1]:7}{counts[2]:9}{faults:8}"
            f"{max(r.seconds for r in own):11.1f}{max(r.memory_kb for r in own) // 1000:9}"
        )
    faults_by_kind = Counter(result.outcome for result in results if result.is_fault)
    lines.append("faults: " + (", ".join(f"{k} {n}" for k, n in faults_by_kind.items()) or "none"))
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Attack, keep the results, print the table of all parts; 1 if anything is a fault."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=12_000)
    parser.add_argument("--whole", type=int, default=400)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args(arguments)
    options.out.mkdir(parents=True, exist_ok=True)
    cv2.setNumThreads(1)
    # Secrets and local weights of whole commands, away from those of who runs this.
    os.environ["XDG_CONFIG_HOME"] = str(options.out.absolute() / "settings")
    seeds = options.out / "seeds"
    if not seeds.exists():
        write_all(seeds)
    whole = max(1, round(EACH_PART * options.whole / max(options.count, options.whole)))
    for first in range(options.first, options.first + max(options.count, options.whole), EACH_PART):
        count = min(EACH_PART, options.first + options.count - first)
        done = (first - options.first) // EACH_PART * whole
        some = min(whole, options.whole - done)
        results = attack(seeds, options.out, first, max(0, count), max(0, some))
        part = options.out / f"part-{first}.json"
        part.write_text(json.dumps([asdict(result) for result in results], indent=1))
        for result in results:
            if result.is_fault:
                print(f"{result.target} {result.number} {result.seed} {result.how}: "
                      f"{result.outcome}: {result.words[:300]!r}", flush=True)  # fmt: skip
    parts = sorted(options.out.glob("part-*.json"))
    everything = [Result(**entry) for path in parts for entry in json.loads(path.read_text())]
    print(table(everything))
    return int(any(result.is_fault for result in everything))


if __name__ == "__main__":
    sys.exit(main())
