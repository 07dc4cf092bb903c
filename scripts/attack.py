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
        return self.outcome not in ("refused", "read", "read with a caution")


def attempt(act: Callable[[], tuple[str, str]]) -> tuple[str, str, str, float, int]:
    """Run in a process of its own: outcome, words, all that was printed, seconds, memory."""
    started_s = time.monotonic()
    reading, writing = os.pipe()
    with tempfile.TemporaryFile() as printed:
        child = os.fork()
        if child == 0:
            os.close(reading)
            os.dup2(printed.fileno(), 1)
            os.dup2(printed.fileno(), 2)
            _act_and_leave(act, writing)
        os.close(writing)
        is_late = not select.select([reading], [], [], HANG_S)[0]
        if is_late:
            os.kill(child, signal.SIGKILL)
        with os.fdopen(reading, "rb") as stream:
            said = stream.read()
        _, status, usage = os.wait4(child, 0)
        printed.seek(0)
        output = printed.read().decode("utf-8", "replace")
    seconds = time.monotonic() - started_s
    if is_late:
        return "hang", f"over {HANG_S} s", output, seconds, usage.ru_maxrss
    if status or not said:
        return "crash", f"status {status}", output, seconds, usage.ru_maxrss
    outcome, words = json.loads(said)
    if usage.ru_maxrss > MOST_MEMORY_KB:
        outcome, words = "memory", f"{usage.ru_maxrss // 1000} MB; {words}"
    return outcome, words, output, seconds, usage.ru_maxrss


def _act_and_leave(act: Callable[[], tuple[str, str]], writing: int) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        result = act()
    except LayermotionError as error:
        result = ("refused", str(error))
    except BaseException as error:
        result = ("traceback", f"{type(error).__name__}: {str(error)[:200]}")
    sys.stdout.flush()
    sys.stderr.flush()
    os.write(writing, json.dumps(result)[:60_000].encode())
    os._exit(0)


def read_one(reader: Reader, path: Path, how: str, number: int, seed: str) -> Result:
    """Read one damaged file by functions, and judge what came of it."""
    outcome, words, output, seconds, memory = attempt(lambda: reader.read(path, how))
    if outcome == "refused":
        outcome = judged(words, path)
    if output.strip() and outcome in ("refused", "read", "read with a caution"):
        outcome, words = "printed", output[:300]
    return Result(number, reader.name, seed, how, outcome, words, round(seconds, 2), memory)


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

    code, words, output, seconds, memory = attempt(act)  # type: ignore[arg-type]
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
    return Result(number, command.name, path.name, how, outcome, words, round(seconds, 2), memory)


def attack(seeds: Path, folder: Path, first: int, count: int, whole: int) -> list[Result]:
    """Damage and read ``count`` files, and run ``whole`` more through commands."""
    results = []
    chosen = [target for target in TARGETS for _ in range(target.share)]
    for number in range(first, first + count):
        random = np.random.Generator(np.random.SFC64([SEED, number]))
        reader = chosen[number % len(chosen)]
        seed = reader.seeds[int(random.integers(len(reader.seeds)))]
        own, path, how = damaged(random, seeds, reader.place, seed, folder)
        result = read_one(reader, path, how, number, seed)
        results.append(result)
        keep_or_remove(own, result, folder)
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
    outcomes = ("refused", "read", "read with a caution")
    lines = [
        f"{'what was read':28}{'files':>7}{'refused':>9}{'read':>7}{'caution':>9}{'faults':>8}"
        f"{'slowest s':>11}{'most MB':>9}"
    ]
    for name in [*dict.fromkeys(result.target for result in results), "all"]:
        own = [result for result in results if name in (result.target, "all")]
        found = Counter(result.outcome for result in own)
        faults = sum(result.is_fault for result in own)
        counts = [found[outcome] for outcome in outcomes]
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
    results = attack(seeds, options.out, options.first, options.count, options.whole)
    part = options.out / f"part-{options.first}.json"
    part.write_text(json.dumps([asdict(result) for result in results], indent=1))
    for result in results:
        if result.is_fault:
            print(f"{result.target} {result.number} {result.seed} {result.how}: {result.outcome}: "
                  f"{result.words[:300]!r}")  # fmt: skip
    parts = sorted(options.out.glob("part-*.json"))
    everything = [Result(**entry) for path in parts for entry in json.loads(path.read_text())]
    print(table(everything))
    return int(any(result.is_fault for result in everything))


if __name__ == "__main__":
    sys.exit(main())
