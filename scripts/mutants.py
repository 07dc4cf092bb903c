"""Change the code in small ways, one at a time, and see whether the tests notice.

python scripts/mutants.py                  tries every change of mutants_list.py
python scripts/mutants.py --only NAME      tries one; may be given several times
python scripts/mutants.py --list           names them, and what they change

Works on a copy of the tree. First the named tests must pass on it unchanged; then each change must
make its own tests fail. Exit code 1 if a change survives, 2 if nothing can be said.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from mutants_list import MUTANTS, Mutant

ROOT = Path(__file__).parent.parent
PACKAGE = Path("src", "layermotion")
# All that tests read.
COPIED = ("src", "synthetic", "tests", "scripts", "configs", "pyproject.toml", "README.md")
LEFT_OUT = shutil.ignore_patterns("__pycache__", ".pytest_cache")
# A change may make code run forever, s; the slowest tests named take 20 s.
LONGEST_S = 300
# How pytest ends, https://docs.pytest.org/en/stable/reference/exit-codes.html
PASSED, FAILED = 0, 1


class Unusable(Exception):
    """A list or a tree of which no mutation can be told to be killed."""


def check_texts(mutants: Iterable[Mutant], root: Path = ROOT) -> None:
    """Refuse changes that do not fit the code.

    Raises
    ------
    Unusable
        If a text is not found exactly once, is not changed, or a file of tests is missing.
    """
    for mutant in mutants:
        path = root / PACKAGE / mutant.file
        found = path.read_text(encoding="utf-8").count(mutant.old) if path.is_file() else 0
        if found != 1:
            raise Unusable(
                f"{mutant.name}: its text stands {found} times in {PACKAGE / mutant.file}; it "
                f"must stand there once."
            )
        if mutant.old == mutant.new:
            raise Unusable(f"{mutant.name} changes nothing.")
        for test in mutant.tests:
            file = root / "tests" / test.partition("::")[0]
            if not file.is_file():
                raise Unusable(f"{mutant.name}: there are no tests {file.name}.")
        if not mutant.tests:
            raise Unusable(f"{mutant.name} names no test that must fail.")


def copy_tree(target: Path) -> None:
    """Copy all that tests read to an empty folder."""
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, target / name, ignore=LEFT_OUT)
        else:
            shutil.copy2(source, target / name)


@contextmanager
def changed(root: Path, mutant: Mutant) -> Iterator[None]:
    """Change one file of a copy, and put it back."""
    path = root / PACKAGE / mutant.file
    own = path.read_text(encoding="utf-8")
    _write(path, own.replace(mutant.old, mutant.new))
    try:
        yield
    finally:
        _write(path, own)


def _write(path: Path, text: str) -> None:
    """Write code, and forget what was compiled of it: that goes by size and whole seconds."""
    path.write_text(text, encoding="utf-8")
    for compiled in path.parent.glob(f"__pycache__/{path.stem}.*.pyc"):
        compiled.unlink()


def run_tests(root: Path, tests: Sequence[str]) -> tuple[int | None, str]:
    """Run tests on a copy up to the first failure; exit code, None if it took too long, and text.

    In one process of one thread, and without most plug-ins, which take seconds to load.
    """
    plugins = ("-p", "no:cacheprovider", "-p", "xdist.plugin")
    options = ("-x", "-q", "-n", "0", *plugins, "--no-header", "--tb=line")
    where = os.pathsep.join(map(str, (root / "src", root / "synthetic", root)))
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "PYTEST_DISABLE_PLUGIN_AUTOLOAD")
    set_to_1 = dict.fromkeys(names, "1")
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", *options, *(f"tests/{test}" for test in tests)],
            cwd=root,
            env={**os.environ, **set_to_1, "PYTHONPATH": where},
            capture_output=True,
            text=True,
            timeout=LONGEST_S,
        )
    except subprocess.TimeoutExpired:
        return None, ""
    return done.returncode, done.stdout + done.stderr


def check_unchanged(root: Path, mutants: Sequence[Mutant]) -> None:
    """Refuse to go on if a named test fails before anything is changed.

    Raises
    ------
    Unusable
        With the end of what pytest printed.
    """
    whole = {test for mutant in mutants for test in mutant.tests if "::" not in test}
    single = {test for mutant in mutants for test in mutant.tests}
    tests = [test for test in sorted(single) if test in whole or test.split("::")[0] not in whole]
    failed = []
    for file in sorted({test.split("::")[0] for test in tests}):
        code, text = run_tests(root, [test for test in tests if test.split("::")[0] == file])
        if code != PASSED:
            failed.append(f"{file}:\n" + "\n".join(text.splitlines()[-8:]))
    if failed:
        told = "\n\n".join(failed)
        raise Unusable(f"Some of the named tests fail on the code as it is.\n\n{told}")


def is_killed(root: Path, mutant: Mutant) -> bool:
    """Whether the tests of a change notice it.

    Raises
    ------
    Unusable
        If pytest could not run them.
    """
    with changed(root, mutant):
        code, text = run_tests(root, mutant.tests)
    if code not in (None, PASSED, FAILED):
        last = "\n".join(text.splitlines()[-8:])
        raise Unusable(f"{mutant.name}: pytest ended with code {code}:\n{last}")
    return code != PASSED


def chosen(names: Sequence[str] | None) -> tuple[Mutant, ...]:
    """Find the changes of the given names, all where none is given.

    Raises
    ------
    Unusable
        If there is none of a name.
    """
    by_name = {mutant.name: mutant for mutant in MUTANTS}
    for name in names or ():
        if name not in by_name:
            raise Unusable(f"There is no change called {name}; see --list.")
    return tuple(by_name[name] for name in names) if names else MUTANTS


def try_all(mutants: Sequence[Mutant]) -> int:
    """Try each change, print a line for it, and return how many survived."""
    check_texts(mutants)
    started_s = time.perf_counter()
    survived = 0
    width = max(len(mutant.name) for mutant in mutants)
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        root = Path(folder)
        copy_tree(root)
        check_unchanged(root, mutants)
        print(f"All tests pass unchanged ({time.perf_counter() - started_s:.0f} s).", flush=True)
        print(f"{'name':<{width}}  {'file':<28}{'':<9}{'seconds':>8}")
        for mutant in mutants:
            began_s = time.perf_counter()
            killed = is_killed(root, mutant)
            survived += not killed
            word = "killed" if killed else "SURVIVED"
            spent_s = time.perf_counter() - began_s
            print(f"{mutant.name:<{width}}  {mutant.file:<28}{word:<9}{spent_s:>8.1f}", flush=True)
    spent_s = time.perf_counter() - started_s
    print(f"{len(mutants) - survived} of {len(mutants)} killed in {spent_s:.0f} s.")
    return survived


def main() -> int:
    """Try the chosen changes."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", action="append", metavar="NAME")
    parser.add_argument("--list", action="store_true")
    given = parser.parse_args()
    try:
        mutants = chosen(given.only)
        if given.list:
            for mutant in mutants:
                print(f"{mutant.name}  {mutant.file}  {' '.join(mutant.tests)}")
            return 0
        return 1 if try_all(mutants) else 0
    except Unusable as error:
        print(error, file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
