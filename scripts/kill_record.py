"""Kill a writer of the record at random moments, and see what is lost.

python scripts/kill_record.py             100 kills; prints a table, and fails if anything is lost
"""

import argparse
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path

from layermotion.errors import LayermotionError
from layermotion.measures.measure import Status
from layermotion.record.entries import SignedValue
from layermotion.record.store import Record

# The longest that a writer lives, s: it opens the record, and then writes some hundred events.
LONGEST_S = 0.4
CORRECTIONS = 6
CLIP = "c-1"


@dataclass
class Outcome:
    """What was seen after each kill."""

    kills: int = 0
    returned: int = 0
    lost: int = 0
    beyond: int = 0
    opened: int = 0
    held: int = 0

    @property
    def is_good(self) -> bool:
        """Whether nothing was lost, and every record opened and held."""
        return (
            self.lost == 0 and self.beyond <= self.kills and self.kills == self.opened == self.held
        )

    def table(self) -> str:
        """Outcome in lines."""
        return "\n".join(
            f"{words:52}{value:7}"
            for words, value in (
                ("kills", self.kills),
                ("events whose writing had returned", self.returned),
                ("of these lost", self.lost),
                ("events on the disk whose writing had not returned", self.beyond),
                ("records that opened clean", self.opened),
                ("chains that hold", self.held),
            )
        )


def value(number: int) -> SignedValue:
    """Make a confirmed value."""
    return SignedValue(
        CLIP, "left", "draw_in", "thickness_rest", "tra", str(number), 4.0 + number / 10, "mm",
        3.5, 5.5, Status.CONFIRMED, "", "0-14", "Inside edge to inside edge.",
    )  # fmt: skip


def write(path: Path, said: Connection) -> None:
    """Correct and sign visits until killed; say the hash of each event once its call returned."""
    with Record.open(path) as record:
        (patient,) = record.patients() or (record.add_patient("P-001"),)
        while True:
            visit = record.begin_visit(patient.patient_id, date(2024, 3, 1), "KL")
            record.add_clip(visit.visit_id, CLIP, {"lateral": "known"}, "KL")
            for number in range(CORRECTIONS):
                payload = {"kind": "move_edge", "frame": number, "row_px": [31.5 + number] * 12}
                event = record.append(visit.visit_id, CLIP, "move_edge", payload, "KL", "slip")
                said.send(event.hash)
            record.sign(visit.visit_id, [value(number) for number in range(8)], "KL")
            said.send(record.events(visit.visit_id)[-1].hash)


def hashes(record: Record) -> set[str]:
    """Every hash of the events that ``write`` says."""
    return {
        event.hash
        for patient in record.patients()
        for visit in record.visits(patient.patient_id)
        for event in record.events(visit.visit_id)
        if event.kind in ("move_edge", "signed")
    }


def kill_often(folder: Path, kills: int, rng: random.Random) -> Outcome:
    """Kill so many writers of one record, one after the other, and look at it after each."""
    path = folder / "record.sqlite"
    # A fork starts at once, so that the moment of a kill lies within the work.
    context = get_context("fork")
    known: set[str] = set()
    outcome = Outcome()
    for _ in range(kills):
        heard, said = context.Pipe(duplex=False)
        writer = context.Process(target=write, args=(path, said))
        writer.start()
        said.close()
        time.sleep(rng.uniform(0, LONGEST_S))
        os.kill(writer.pid or 0, signal.SIGKILL)
        writer.join()
        if writer.exitcode != -signal.SIGKILL:
            raise RuntimeError(f"the writer ended by itself with code {writer.exitcode}")
        returned = set(_heard(heard))
        outcome.kills += 1
        outcome.returned += len(returned)
        known |= returned
        try:
            with Record.open(path) as record:
                outcome.opened += 1
                held = hashes(record)
                outcome.lost += len(known - held)
                outcome.beyond += len(held - known)
                known = held
                record.verify()
                outcome.held += 1
        except LayermotionError as error:
            print(error, file=sys.stderr)
    return outcome


def _heard(heard: Connection) -> Iterator[str]:
    """Give what a killed process has said, without a last word that it could not finish."""
    with heard:
        while heard.poll():
            try:
                yield heard.recv()
            except (EOFError, OSError):
                return


def main() -> int:
    """Kill, print the table, and say by the exit code whether nothing was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        outcome = kill_often(Path(folder), options.kills, random.Random(options.seed))
    print(outcome.table())
    return 0 if outcome.is_good else 1


if __name__ == "__main__":
    sys.exit(main())
