"""Proposals: the frames worth labelling, and labels that come back unchanged."""

import csv
from pathlib import Path

import numpy as np
import pytest
from lab_data import OPTIONS, agree, make_lab, speckled_frames, write_scan
from numpy.typing import NDArray

from layermotion.errors import InputError
from layermotion.lab.annotations import read_coco, read_mask
from layermotion.lab.folder import Review, open_secret
from layermotion.lab.importing import import_folder
from layermotion.lab.proposals import Candidate, choose, propose, tidy
from layermotion.lab.review import record_review
from layermotion.network.segmenter import load_segmenter


def candidate(key: str, uncertainty: float, *feature: float) -> Candidate:
    """Make a candidate of a stated look."""
    nothing = np.zeros((1, 1), np.uint8)
    return Candidate(key, nothing, nothing, uncertainty, np.array(feature))


def test_choice_goes_to_uncertain_frames_that_differ() -> None:
    frames = [
        candidate("sure", 0.01, 9.0, 9.0),
        candidate("unsure", 0.50, 0.0, 0.0),
        candidate("its neighbour", 0.49, 0.1, 0.0),
        candidate("its twin", 0.50, 0.0, 0.0),
        candidate("elsewhere", 0.30, 3.0, 4.0),
    ]
    choices = choose(frames, [], 9)
    assert [c.key for c in choices] == ["unsure", "elsewhere", "sure", "its neighbour"]
    assert [c.distance for c in choices] == pytest.approx([np.inf, 5.0, 52**0.5 * 1.0817, 0.1], 0.1)
    labelled = [np.array([3.0, 4.0])]
    assert [c.key for c in choose(frames, labelled, 2)] == ["unsure", "sure"]


def test_tidy_fills_holes_and_drops_specks() -> None:
    label: NDArray[np.uint8] = np.zeros((60, 60), np.uint8)
    label[10:30, 5:55] = 2
    expected = label.copy()
    label[15:20, 20:25] = 0
    label[22:24, 40:42] = 3  # inside, another structure of four pixels
    expected[22:24, 40:42] = 0
    label[50, 50] = 4
    result = tidy(label)
    assert (result == 4).sum() == 0 and (result[15:20, 20:25] == 2).all()
    np.testing.assert_array_equal(result, expected)


def test_proposals_come_back_as_they_went_out(
    tmp_path: Path,
    trained_weights: Path,
) -> None:
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711", "4712")
    for seed, identifier in enumerate(("4711", "4712")):
        write_scan(tmp_path / "scans" / f"{seed}.dcm", identifier, speckled_frames(seed))
    secret = open_secret(lab, secret_path)
    records = import_folder(lab, secret, tmp_path / "scans", OPTIONS).imported
    segmenter = load_segmenter("smoke-001", folder=trained_weights)
    out = tmp_path / "proposals"
    with pytest.raises(InputError, match=r"accept them \(layermotion lab accept\)"):
        propose(lab, segmenter, 3, out)
    record_review(lab, (records[0].name,), Review.ACCEPTED)
    assert {c.key.rpartition("-")[0] for c in propose(lab, segmenter, 9, out)} == {
        records[0].name}  # fmt: skip
    record_review(lab, (records[1].name,), Review.ACCEPTED)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    for holding in (out, lab.root, lab.root / "labels" / "new"):
        words = "holds labels already" if holding is out else "lies in the laboratory"
        with pytest.raises(InputError, match=f"{words}.* by --out"):
            propose(lab, segmenter, 3, holding)
    assert {path: path.read_bytes() for path in before} == before
    (out / "annotations.json").rename(out / "corrected.json")
    with pytest.raises(InputError, match="holds labels already"):
        propose(lab, segmenter, 3, out)
    out = tmp_path / "more"
    choices = propose(lab, segmenter, 3, out)
    assert len(choices) == 3 == len({choice.key for choice in choices})
    # What went out before is known as a proposal, too.
    held = {choice.key: len(lab.proposals_of(choice.key)) for choice in choices}
    assert {n for key, n in held.items() if key.startswith(records[0].name)} == {2}
    assert {n for key, n in held.items() if key.startswith(records[1].name)} == {1}
    assert all(0 < choice.uncertainty < 1 for choice in choices)
    with (out / "chosen.csv").open() as file:
        assert [row["frame"] for row in csv.DictReader(file)] == [c.key for c in choices]
    by_polygon = {frame.key: frame for frame in read_coco(out / "annotations.json")}
    assert set(by_polygon) == {choice.key for choice in choices}
    for choice in choices:
        assert (out / "images" / f"{choice.key}.png").exists()
        mask = read_mask(out / "labels" / f"{choice.key}.png")
        assert mask.label.any()
        np.testing.assert_array_equal(by_polygon[choice.key].label, mask.label)
