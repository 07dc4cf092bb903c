"""Registry: only judged, sound weights come into use, and the way back stays open."""

import hashlib
import json
import math
import re
import shutil
from pathlib import Path
from typing import cast

import onnx
import pytest

from layermotion.errors import InputError, WeightsError
from layermotion.lab.builds import Build
from layermotion.lab.scoring import judge_weights
from layermotion.models.judging import Judgement, Metric, Row
from layermotion.models.registry import Judged, Registry, Step, judgement_text, load_in_use
from layermotion.network.segmenter import WEIGHTS_FOLDER, read_card, weights_names

ROW = Row("all", "all", Metric.DICE, 3, 0.8, 0.9, 0.05, 0.15)


@pytest.fixture
def registry(tmp_path: Path) -> Registry:
    """Make a registry with two sets of local weights: the shipped ones under other checksums."""
    shipped = weights_names()[-1]
    for name in ("local-001", "local-002"):
        card = read_card(shipped)
        model = onnx.load(WEIGHTS_FOLDER / f"{shipped}.onnx")
        model.producer_name = name  # another checksum, the same numbers
        onnx.save(model, tmp_path / f"{name}.onnx")
        card["sha256"] = digest(tmp_path / f"{name}.onnx")
        (tmp_path / f"{name}.json").write_text(json.dumps(card))
    return Registry(tmp_path)


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def judge(registry: Registry, before: str, after: str, *objections: str) -> Judged:
    """Store a comparison of two weights by name."""
    sums = [str(read_card(n, registry.place(n))["sha256"]) for n in (before, after)]
    judged = Judged(*sums, "first", "f" * 64, 3, "2024-06-01",
                    Judgement((ROW,), (ROW,), objections))  # fmt: skip
    registry.store(judged)
    return judged


def test_promotion_and_the_way_back(registry: Registry) -> None:
    shipped = weights_names()[-1]
    assert registry.in_use() == shipped
    judge(registry, shipped, "local-001")
    registry.promote("local-001", "dev 1")
    judge(registry, "local-001", "local-002")
    registry.promote("local-002", "dev 1")
    assert registry.in_use() == "local-002"
    assert registry.roll_back("dev 2") == "local-001"
    assert registry.roll_back("dev 2") == shipped == registry.in_use()
    with pytest.raises(WeightsError, match="nothing to roll back"):
        registry.roll_back("dev 2")
    steps = [(change.step, change.name, change.by) for change in registry.history()]
    assert steps == [
        (Step.PROMOTE, "local-001", "dev 1"),
        (Step.PROMOTE, "local-002", "dev 1"),
        (Step.ROLL_BACK, "local-001", "dev 2"),
        (Step.ROLL_BACK, shipped, "dev 2"),
    ]
    listed = {model.name: model for model in registry.models()}
    assert listed[shipped].is_in_use and not listed[shipped].is_local
    assert listed["local-001"].is_local and listed["local-001"].problem == ""


@pytest.mark.parametrize("steps", [("promote", "roll-back"), ("roll-back",)])
def test_shipped_weights_that_a_version_no_longer_brings_give_way_to_the_newest(
    registry: Registry, steps: tuple[str, ...]
) -> None:
    names = {"promote": "local-001", "roll-back": "layers-000"}
    rows = [
        {"step": step, "name": names[step], "sha256": "f" * 64, "by": "dev 1", "at": ""}
        for step in steps
    ]
    (registry.folder / "in-use.json").write_text(json.dumps(rows))
    shipped = weights_names()[-1]
    assert registry.in_use() == shipped
    assert next(m for m in registry.models() if m.is_in_use).name == shipped
    with pytest.raises(WeightsError, match="nothing to roll back"):
        registry.roll_back("dev 1")
    judge(registry, shipped, "local-002")
    registry.promote("local-002", "dev 1")
    assert registry.in_use() == "local-002"
    assert registry.roll_back("dev 1") == shipped == registry.in_use()


def replace_weights(registry: Registry, name: str) -> None:
    """Put other weights with a card that fits in the place of some."""
    model = onnx.load(registry.folder / f"{name}.onnx")
    model.producer_name = "another"
    onnx.save(model, registry.folder / f"{name}.onnx")
    card = registry.folder / f"{name}.json"
    found = digest(registry.folder / f"{name}.onnx")
    card.write_text(json.dumps(json.loads(card.read_text()) | {"sha256": found}))


def test_a_file_in_the_place_of_promoted_weights_is_not_used(
    registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("layermotion.models.registry.default_models", lambda: registry.folder)
    shipped = weights_names()[-1]
    for before, name in ((shipped, "local-001"), ("local-001", "local-002")):
        judge(registry, before, name)
        registry.promote(name, "dev 1")
    assert load_in_use().name == "local-002"
    replace_weights(registry, "local-002")
    sentence = (
        r"The weights local-002 have checksum \w+, but those promoted had \w+; put that file back\."
    )
    with pytest.raises(WeightsError, match=f"{sentence} .* layermotion models roll-back"):
        load_in_use()
    with pytest.raises(WeightsError, match=sentence):
        judge_weights(registry, cast(Build, None), "local-002", shipped, 1)
    problems = {model.name: model.problem for model in registry.models()}
    assert re.fullmatch(sentence, problems["local-002"]) and not problems["local-001"]
    # The way back passes over what was replaced as well.
    replace_weights(registry, "local-001")
    assert registry.roll_back("dev 1") == shipped == load_in_use().name


def test_unjudged_and_worse_weights_are_refused(registry: Registry) -> None:
    shipped = weights_names()[-1]
    with pytest.raises(WeightsError, match=f"not judged against {shipped}"):
        registry.promote("local-001", "dev 1")
    judge(registry, shipped, "local-001", "on the held-out subjects, dice goes from 0.9 to 0.8")
    with pytest.raises(WeightsError, match=f"dice goes from 0.9 to 0.8. {shipped} stays in use"):
        registry.promote("local-001", "dev 1")
    judge(registry, shipped, "local-001")
    with pytest.raises(InputError, match="who changes"):
        registry.promote("local-001", " ")
    with pytest.raises(WeightsError, match="in use already"):
        registry.promote(shipped, "dev 1")
    with pytest.raises(WeightsError, match="no weights called local-009"):
        registry.promote("local-009", "dev 1")
    assert registry.history() == ()


def test_altered_weights_are_refused_and_listed_as_such(registry: Registry) -> None:
    judge(registry, weights_names()[-1], "local-001")
    path = registry.folder / "local-001.onnx"
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    with pytest.raises(WeightsError, match=r"have checksum \w+, but their card says"):
        registry.promote("local-001", "dev 1")
    listed = {model.name: model for model in registry.models()}
    assert "have checksum" in listed["local-001"].problem


@pytest.mark.parametrize("kept", [(), ("thickness_tra", "change_tra")])
def test_weights_of_unknown_error_are_refused(kept: tuple[str, ...], registry: Registry) -> None:
    judge(registry, weights_names()[-1], "local-001")
    path = registry.folder / "local-001.json"
    card = json.loads(path.read_text())
    card["errors_px"] = {name: card["errors_px"][name] for name in kept}
    path.write_text(json.dumps(card))
    with pytest.raises(WeightsError, match="error of the weights local-001 is not known") as caught:
        registry.promote("local-001", "dev 1")
    assert f"layermotion models calibrate local-001 --models {registry.folder}" in str(caught.value)


def test_a_judgement_counts_for_its_two_weights_alone(registry: Registry) -> None:
    shipped = weights_names()[-1]
    judged = judge(registry, shipped, "local-001")
    assert registry.judged(judged.before, judged.after) == judged
    assert registry.judged(judged.after, judged.before) is None
    (path,) = (registry.folder / "judgements").iterdir()
    shutil.copy(path, path.with_name(f"{'0' * 16}-instead-of-{judged.before[:16]}.json"))
    assert registry.judged(judged.before, "0" * 64) is None
    path.write_text("{}")
    with pytest.raises(InputError, match="damaged"):
        registry.judged(judged.before, judged.after)


def test_a_damaged_history_stops_everything(registry: Registry) -> None:
    (registry.folder / "in-use.json").write_text('[{"step": "promote"}]')
    with pytest.raises(InputError, match="not known which weights are in use"):
        registry.in_use()


def test_tables_can_be_read(registry: Registry) -> None:
    judged = judge(registry, weights_names()[-1], "local-001")
    text = judgement_text(judged, weights_names()[-1], "local-001")
    assert text.startswith(f"local-001 ({judged.after[:12]}) instead of {weights_names()[-1]} (")
    assert "0.800    0.900  +0.100, +0.050 to +0.150" in text
    assert text.endswith("Nothing stands against a promotion.")
    alone = Row("cart", "tra", Metric.DICE, 1, 0.8, 0.9, math.nan, math.nan)
    worse = Judgement((alone,), (), ("dice falls",))
    registry.store(Judged(judged.before, judged.after, "b", "f" * 64, 3, "2024-06-01", worse))
    stored = registry.judged(judged.before, judged.after)
    assert stored is not None
    text = judgement_text(stored, weights_names()[-1], "local-001")
    assert "one subject, no interval" in text
    assert text.endswith("Not to be promoted: dice falls.")
