"""What a laboratory holds is said at every stage, with the command that brings it on."""

from pathlib import Path

from lab_data import agree, import_subjects, label_everything, make_lab, wall_label

from layermotion.images import write_png
from layermotion.lab.folder import Lab, Review, frame_key
from layermotion.lab.making import make_build
from layermotion.lab.review import record_review, write_sheets
from layermotion.lab.status import Status, next_command, read_status

SUBJECTS = ("101", "102", "103", "104")


def test_the_next_command_leads_from_nothing_to_a_build(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    models = tmp_path / "models"

    def step() -> tuple[Status, str]:
        status = read_status(lab, models)
        return status, next_command(lab, models, status).removeprefix("layermotion ")

    assert step()[1].startswith(f"lab consent load {lab.root}")
    agree(lab, secret_path, *SUBJECTS)
    assert step()[1].startswith(f"lab import {lab.root}")
    import_subjects(lab, secret_path, tmp_path / "scans", SUBJECTS, "clinic-a")
    assert step()[1] == f"lab sheets {lab.root}"
    (sheet,) = write_sheets(lab, tuple(lab.clips().values()), "again")
    assert step()[1].startswith(f"lab accept {lab.root} {sheet}")
    record_review(lab, tuple(lab.clips()), Review.ACCEPTED)
    assert step()[1].startswith(f"lab propose {lab.root}")
    key = frame_key(next(iter(lab.clips())), 0)
    write_png(lab.proposal_path(key), wall_label())
    assert step()[1].startswith(f"lab label {lab.root}")
    label_everything(lab)
    status, command = step()
    assert (status.proposed, status.labelled, status.untouched) == (1, 8, 1)
    assert status.labelled_subjects == 4 and command == f"lab learn {lab.root} first"
    build = make_build(lab, "spring", 1 / 4).build
    assert step()[1].startswith(f"lab learn {lab.root} spring")
    run = tmp_path / "runs" / "spring"
    lab.register.note_made(run, [build.fingerprint])
    lab.ledger.withdraw(build.subjects()[-1], lab.today, "nurse 2")
    status, _ = step()
    assert (status.consenting, status.withdrawn, status.without_consent) == (3, 1, 1)
    assert status.builds == () and status.blocked == (run,)
    assert f"Blocked by a withdrawal: {run}" in list(status.lines(tmp_path))


def test_a_consent_that_ran_out_leaves_nothing_to_use(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "101")
    import_subjects(lab, secret_path, tmp_path / "scans", ("101",), "clinic-a")
    later = Lab(lab.root, lab.today.replace(year=2025))
    status = read_status(later, tmp_path / "models")
    assert (status.consenting, status.without_consent) == (0, 1)
    assert not status.reviews and status.withdrawn == 0
