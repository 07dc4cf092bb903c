"""A small fixed part of the attack of ``scripts/attack.py``, which runs thousands of its files."""

import os
import shutil
import sys
import warnings
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from layermotion.errors import LayermotionError

sys.path.append(str(Path(__file__).parent.parent / "scripts"))
from attack import SEED, Result, attempt_all, damaged, judged, table
from attack_mutations import BYTES, mutate, mutations_of
from attack_seeds import write_all
from attack_targets import TARGETS

# Of each kind of file (our choice: with more, the tests would take too long).
EACH = 6
# Of whose readers other tests are the keepers.
ELSEWHERE = ("calliper tables", "results for compare", "consent tables")


@pytest.fixture(scope="module")
def seeds(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write one good file of each kind."""
    return write_all(tmp_path_factory.mktemp("attack") / "seeds")


READERS = [reader for reader in TARGETS if reader.name not in ELSEWHERE]


@pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.name)
def test_every_seed_is_read_and_a_damaged_one_is_refused_or_read(
    reader, seeds: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    for seed in reader.seeds:
        own = tmp_path / "good" / seed
        shutil.copytree((seeds / reader.place / seed).parent, own.parent, dirs_exist_ok=True)
        assert reader.read(own, "whole")[0] in ("read", "read with a caution")
    outcomes: Counter[str] = Counter()
    for number in range(EACH):
        random = np.random.Generator(np.random.SFC64([SEED, number]))
        seed = reader.seeds[number % len(reader.seeds)]
        _, path, how = damaged(random, seeds, reader.place, seed, tmp_path)
        with warnings.catch_warnings():
            warnings.simplefilter("error", UserWarning)
            try:
                outcome, words = reader.read(path, how)
            except LayermotionError as error:
                outcome, words = judged(str(error), path), str(error)
        assert outcome in ("refused", "read", "read with a caution"), (how, outcome, words)
        outcomes[outcome] += 1
    assert sum(outcomes.values()) == EACH and outcomes["refused"]
    assert capfd.readouterr() == ("", "")


def test_the_same_number_damages_alike_and_every_way_changes_something(seeds: Path) -> None:
    for name in ("sources/plain.dcm", "results/visit.json", "tables/visit.csv"):
        content = (seeds / name).read_bytes()
        made = [mutate(np.random.default_rng(3), name, content) for _ in range(2)]
        assert made[0] == made[1]
        for way in {*mutations_of(name), *BYTES}:
            tried = [way(np.random.default_rng(seed), content) for seed in range(6)]
            assert any(changed != content for changed in tried), way


def test_what_breaks_is_counted() -> None:
    def breaks() -> tuple[str, str]:
        raise ZeroDivisionError("words")

    def ends() -> tuple[str, str]:
        os._exit(3)

    def prints() -> tuple[str, str]:
        os.write(1, b"warning\n")
        return "read", ""

    came = attempt_all([prints, breaks, ends, prints])
    assert [one.outcome for one in came] == ["read", "traceback", "crash", "read"]
    assert came[1].words == "ZeroDivisionError: words"
    assert [one.output for one in came] == ["warning\n", "", "", "warning\n"]
    result = Result(1, "stills", "a.png", "cut", "traceback", "words", 0.1, 1000)
    fine = Result(2, "stills", "a.png", "cut", "refused", "words", 0.1, 1000)
    assert result.is_fault and not fine.is_fault
    assert table([result, fine]).splitlines()[-1] == "faults: traceback 1"
    assert judged("still.png is damaged; export it again.", Path("damaged/still.png")) == "refused"
    assert judged("It cannot be read; export it again.", Path("damaged/still.png")) == "no name"
    assert judged("still.png\nis damaged.", Path("damaged/still.png")) == "no sentence"
