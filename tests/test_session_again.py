"""A finished recording is measured again where anything its results depend on has changed."""

from dataclasses import replace
from pathlib import Path

import pytest
from standin import TruthSegmenter
from visits import DrawnVisit

from layermotion.cli import main
from layermotion.commands import session as command
from layermotion.errors import InputError


def test_a_finished_recording_is_measured_again_under_other_settings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit = DrawnVisit(tmp_path / "visit")
    # A still at rest, which is measured in a moment.
    visit.still("left_rest_1_rest.png", 45)
    measured: list[str] = []
    really_record = command.record

    def record(folder: Path, *arguments: object) -> Path:
        measured.append(folder.name)
        return really_record(folder, *arguments)  # type: ignore[arg-type]

    def run(segmenter: TruthSegmenter, *options: str) -> int:
        monkeypatch.setattr(command, "load_in_use", lambda: segmenter)
        measured.clear()
        with pytest.raises(SystemExit) as ended:
            main(["session", str(visit.folder), "--out", str(tmp_path / "out"), *options])
        assert ended.value.code == 0
        return len(measured)

    monkeypatch.setattr(command, "record", record)
    own, other = visit.segmenter(), replace(visit.segmenter(), sha256="1" * 64)
    scale, other_scale = (("--mm-per-pixel", f"{row_mm},0.11") for row_mm in (0.08, 0.09))
    assert run(own, "--no-overlay", *scale) == 1
    assert run(own, "--no-overlay", *scale) == 0
    assert run(own, *scale) == 1, "the overlay is missing"
    assert run(own, *other_scale) == 1
    assert run(own, *other_scale) == 0
    assert run(own, *other_scale, "--site", "image-centre") == 1
    assert run(other, *other_scale, "--site", "image-centre") == 1


@pytest.mark.parametrize(
    ("stopped_in", "is_anew", "left"),
    [
        ("layermotion.commands.session.write_visit", True, set()),
        ("layermotion.commands.session.write_visit", False, {"csv", "json", "html"}),
        ("layermotion.session.page.build_visit_page", False, {"csv", "json"}),
    ],
)
def test_no_page_of_an_earlier_run_stands_beside_values_of_another(
    stopped_in: str, is_anew: bool, left: set[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit, out = DrawnVisit(tmp_path / "visit"), tmp_path / "out"
    visit.still("left_rest_1_rest.png", 45)
    monkeypatch.setattr(command, "load_in_use", visit.segmenter)

    def run(row_mm: float) -> int | str | None:
        scale = ("--mm-per-pixel", f"{row_mm},0.11")
        with pytest.raises(SystemExit) as ended:
            main(["session", str(visit.folder), "--out", str(out), "--no-overlay", *scale])
        return ended.value.code

    assert run(0.08) == 0

    def stop(*arguments: object) -> None:
        raise InputError("The disk is full; free some space.")

    monkeypatch.setattr(stopped_in, stop)
    assert run(0.09 if is_anew else 0.08) == 2
    assert {path.suffix[1:] for path in out.glob("visit.*")} == left
