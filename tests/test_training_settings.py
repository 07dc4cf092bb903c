"""Settings: parts that compose, names and values that are checked, and the generator's factors."""

import re
from dataclasses import replace
from itertools import zip_longest
from pathlib import Path

import numpy as np
import pytest

from layermotion.errors import ConfigError
from layermotion.network.segmenter import WEIGHTS_FOLDER, read_card, weights_names
from layermotion.training.composing import config_folder, load_settings, starting_from
from layermotion.training.drawing import SyntheticDraw, source_name
from layermotion.training.settings import CLIP_FACTORS, FACTORS, TrainSettings
from layermotion_synthetic.dataset import draw_example
from layermotion_synthetic.factors import draw_factors


def test_every_config_is_complete_and_overrides_win() -> None:
    assert load_settings("train").size_px == 320
    smoke = load_settings("smoke", ["steps=3", "decoder_channels=[32,32,16,16]"])
    assert (smoke.size_px, smoke.steps) == (64, 3)
    assert smoke.decoder_channels == (32, 32, 16, 16)
    assert hash(smoke)
    assert load_settings("fine-tune").batch_size == 6
    coarse = load_settings("coarse")
    assert (coarse.size_px, coarse.learning_rate) == (192, 1e-4)


@pytest.mark.parametrize(
    ("overrides", "message"),
    [
        (["btach_size=3"], "There is no setting btach_size; the nearest is batch_size."),
        (["quux=3"], r"There is no setting quux; choose from factors, size_px, .*"),
        (["steps"], "The override steps is not of the form NAME=VALUE."),
        (["+steps=3"], r"The override \+steps=3 is not of the form NAME=VALUE."),
        (["steps=many"], r"The setting steps .* one of type int, such as 1000."),
        (["steps=null"], r"The setting steps .* one of type int, such as 1000."),
        (["decoder_channels=[a]"], r"The setting decoder_channels\[0\] .* such as \(96, .*"),
        (["steps=[1"], r"The config smoke or an override cannot be read .*"),
        (["steps=0"], "The setting steps cannot be 0; give a value above 0."),
        (["size_px=100"], "The setting size_px cannot be 100; give one such as 128."),
        (["precision=fp16"], "The setting precision cannot be fp16; give one of fp32 or bf16."),
        (["batch_size=6", "reuse=4"], ".* multiple of reuse, such as 8."),
        (
            ["stop_metric=dice"],
            "The setting stop_metric cannot be dice; give one of dice_mean or .*",
        ),
        (["patience=-1"], "The setting patience cannot be -1; give 0 or more."),
        (["learning_rate=nan"], "The setting learning_rate cannot be nan; give a value above 0."),
        (["learning_rate=inf"], "The setting learning_rate cannot be inf; give a finite value."),
        (
            ["boundary_weight=inf"],
            "The setting boundary_weight cannot be inf; give a finite value.",
        ),
        (["decoder_channels=[8,8,0,8]"], "The setting .* give four widths above 0."),
        (
            ["patience=2", "steps=3", "validate_every_steps=4"],
            ".* cannot be 4; give at most steps.*",
        ),
        (["model=larg"], "There is no model larg; the nearest is large."),
        (["modl=large"], "There is no setting modl; the nearest is model."),
        (["steps=3,4"], "An override has several values; give one, or --sweep to .*"),
        (["model=small,large"], "An override has several values; give one, or --sweep to .*"),
        (["factors.nois=0"], "There is no factor nois of stills; the nearest is noise."),
        (["factors.breathing=0"], "There is no factor breathing of stills; choose from .*"),
        (["factors.noise=much"], r"The setting factors.noise .* of type float, such as 1.5."),
        (["factors.noise=3"], "The factor noise cannot be 3 times as strong; give 0 to 2."),
        (["factors.noise=nan"], "The factor noise cannot be nan times as strong; give 0 to 2."),
        (["factors={noise: 1}"], "Set one factor at a time, such as factors.noise=0."),
    ],
)
def test_a_wrong_override_is_one_sentence(overrides: list[str], message: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load_settings("smoke", overrides)
    assert re.fullmatch(message, str(caught.value))


def test_parts_compose_and_an_override_beats_its_part() -> None:
    small, large = load_settings("smoke"), load_settings("smoke", ["model=large"])
    changed = {"encoder": large.encoder, "decoder_channels": large.decoder_channels}
    assert large == replace(small, **changed) and large != small
    both = load_settings("smoke", ["generator=older-scanner", "factors.noise=0", "factors.gain=1"])
    assert both.factors["noise"] == 0 and both.factors["haze"] > 1 and both.factors["gain"] == 1
    assert load_settings("smoke", ["optimizer=further"]).learning_rate == 1e-4


def test_going_on_takes_the_low_rate_unless_told_otherwise() -> None:
    further = load_settings("train", starting_from(["steps=7"], "layers-001"))
    assert (further.learning_rate, further.ema_decay, further.steps) == (1e-4, 0.98, 7)
    chosen = load_settings("train", starting_from(["optimizer=from-chance"], "layers-001"))
    assert chosen == load_settings("train") == load_settings("train", starting_from([], None))
    rate = load_settings("train", starting_from(["learning_rate=5e-4"], "layers-001"))
    assert (rate.learning_rate, rate.ema_decay) == (5e-4, 0.98)


def test_every_choice_of_every_part_fits_every_config() -> None:
    parts = {path.name: path for path in config_folder().iterdir() if path.is_dir()}
    assert set(parts) == {"generator", "model", "loss", "optimizer", "data", "trainer"}
    choices = [
        [f"{name}={file.stem}" for file in sorted(folder.glob("*.yaml"))]
        for name, folder in parts.items()
    ]
    # The first choice of each part, then the second, and so on to the part with the most.
    together = [[one for one in chosen if one] for chosen in zip_longest(*choices)]
    assert len(together) > 1
    for config in ("train", "smoke", "fine-tune"):
        for chosen in together:
            assert load_settings(config, chosen).steps > 0


def test_settings_of_the_shipped_weights_still_load() -> None:
    card = read_card(weights_names()[-1], WEIGHTS_FOLDER)
    settings = TrainSettings(**card["settings"])
    assert settings.factors == {} and settings.patience == 0


# The generator


def test_a_factor_is_left_out_or_made_stronger_and_the_rest_stays() -> None:
    # The strengths that the pictures are drawn with, by what is asked of the noise.
    drawn = {}
    for strength in (0.0, 1.0, 2.0):
        seen = []

        def note(rng: np.random.Generator, size_px: int, forced: object, seen: list = seen) -> None:
            seen.append(forced)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("layermotion_synthetic.dataset.draw_example", note)
            for seed in range(40):
                SyntheticDraw({"noise": strength})(np.random.default_rng(seed), 64)
        drawn[strength] = np.array([forced["noise"] for forced in seen])
    assert not drawn[0.0].any()
    assert drawn[1.0].max() > 0.8 and 0.4 < (drawn[1.0] > 0).mean() < 0.8  # its share is 0.6
    assert np.array_equal(drawn[2.0], 2 * drawn[1.0])
    other = draw_factors(np.random.default_rng(3).spawn(1)[0]).noise
    assert drawn[1.0][3] == other


def test_pictures_differ_by_the_factor_alone_and_say_so_in_their_source() -> None:
    plain, same = SyntheticDraw(), SyntheticDraw({})
    clean = SyntheticDraw({"screen_marks": 0.0, "screen_grab": 0.0})
    changed = 0
    for seed in range(8):
        images = [draw(np.random.default_rng([7, seed]), 64).image for draw in (plain, same, clean)]
        direct = draw_example(np.random.default_rng([7, seed]), 64).image
        assert np.array_equal(images[0], direct) and np.array_equal(images[0], images[1])
        changed += not np.array_equal(images[0], images[2])
    # Marks are in 40 % of pictures and copies of a screen in 30 %; the others stay as they were.
    assert 2 <= changed <= 7
    assert source_name(plain) == source_name(same) != source_name(clean)
    assert source_name(clean).endswith(", screen_grab x 0, screen_marks x 0")


def test_factors_of_clips_are_no_setting() -> None:
    assert not CLIP_FACTORS & set(FACTORS) and len(FACTORS) == 48


def test_a_misspelt_key_in_a_file_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("layermotion.training.composing.config_folder", lambda: tmp_path)
    (tmp_path / "mine.yaml").write_text("defaults: [train_schema, _self_]\nlearning_rat: 1\n")
    with pytest.raises(ConfigError, match=r"setting learning_rat \(config mine\); the nearest is"):
        load_settings("mine")
    (tmp_path / "mine.yaml").write_text("defaults: [train_schema, _self_]\nsteps: [1\n")
    with pytest.raises(ConfigError, match="config mine or an override cannot be read"):
        load_settings("mine")
    with pytest.raises(ConfigError, match="no config main; the nearest is mine."):
        load_settings("main")
