"""The model of efforts: what its network sees, how its answer is read, and that it learns."""

# ruff: noqa: E402
import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parent.parent
DATA = ROOT / "scripts" / "efforts_data"
sys.path.append(str(ROOT / "scripts"))

import effort_network
from drawn_efforts import eased, noise, times
from effort_filmed import Stored, read_stored, write_stored

from layermotion.efforts import tell
from layermotion.efforts.channels import BESIDE_PICTURE, CHANNELS, OF_PICTURE, Signals
from layermotion.efforts.course import Course
from layermotion.efforts.decode import State, decode, surest
from layermotion.efforts.efforts import efforts_in, risen_in_steps
from layermotion.efforts.parts import (
    INPUTS,
    LENGTH_STEP,
    RATE_HZ,
    TASKS,
    Part,
    frames_of,
    inputs_of,
    looks_of,
    shown_of,
)
from layermotion.efforts.windows import Spells
from layermotion.errors import WeightsError
from layermotion.labels import Structure, Task
from layermotion_synthetic.course import Repeat
from layermotion_synthetic.scenarios import ASIDE, Kind

# A lift with two coughs upon it, the second at once after the first, and a cough at rest.
COURSE = (
    [Part.REST] * 50 + [Part.RISE] * 12 + [Part.HOLD] * 40 + [Part.DIP] * 3 + [Part.RECOVERY] * 6
    + [Part.DIP] * 3 + [Part.RECOVERY] * 6 + [Part.HOLD] * 20 + [Part.FALL] * 10
    + [Part.REST] * 50 + [Part.DIP] * 3 + [Part.RECOVERY] * 7 + [Part.REST] * 30
)  # fmt: skip


def likely(course: list[Part], certainty: float) -> np.ndarray:
    """Answer that is right everywhere by so much."""
    odds = np.full((len(course), len(Part)), (1 - certainty) / (len(Part) - 1))
    odds[np.arange(len(course)), course] = certainty
    return odds


def test_the_course_is_read_with_dips_beside_and_upon_a_lift() -> None:
    found = decode(likely(COURSE, 0.98))
    assert found.likely > 0.95
    spans = [(s.first, s.last, s.held_first, s.held_last, s.is_dip, s.on_lift) for s in found.spans]
    assert spans == [
        (50, 149, 62, 139, False, None), (102, 110, 102, 104, True, 0),
        (111, 119, 111, 113, True, 0), (200, 209, 200, 202, True, None),
    ]  # fmt: skip
    assert set(found.path[102:105]) == {State.DIP_ON_LIFT}


def test_a_lone_frame_is_no_effort_and_doubt_makes_the_number_less_likely() -> None:
    course = [Part.REST] * 60
    course[30] = Part.DIP
    found = decode(likely(course, 0.9))
    assert not found.spans
    # Nor are two frames of which the network is no more than fairly sure.
    course[31] = Part.RECOVERY
    assert not decode(likely(course, 0.6)).spans
    sure, unsure = (decode(likely(COURSE, each)).likely for each in (0.98, 0.5))
    assert unsure < 0.5 < sure


def test_of_two_looks_the_surer_is_taken_and_another_number_makes_it_less_likely() -> None:
    twice, once = decode(likely(COURSE, 0.98)), decode(likely([Part.REST] * 60 + COURSE[:50], 0.98))
    assert len(twice.spans) == 4 and not once.spans
    one, other = (replace(own, likely=share) for own, share in ((twice, 0.9), (once, 0.8)))
    assert surest([one]).likely == pytest.approx(0.9)
    for looks in ([one, other], [other, one]):
        found = surest(looks)
        assert found.spans == one.spans
        # 0.9 is right and 0.8 wrong, or the other way round, or both are wrong.
        assert found.likely == pytest.approx(0.9 * 0.2 / (0.9 * 0.2 + 0.1 * 0.8 + 0.1 * 0.2))
    agreeing = surest([replace(twice, likely=0.6), one])
    assert agreeing.likely == pytest.approx(0.9)


def test_the_picture_alone_is_a_look_of_its_own_where_it_is_seen() -> None:
    time_s = times(6.0)
    thick, grey = eased(time_s, (1, 2, 3, 4)), 0.2 * eased(time_s, (2, 3, 4, 5))
    (only,) = looks_of(Signals.of(time_s, {"thickness tra": thick}), Task.DRAW_IN)
    signals = Signals.of(time_s, {"thickness tra": thick, "probe": thick, "picture 2": grey})
    every, alone = looks_of(signals, Task.DRAW_IN)
    assert (every == inputs_of(signals, Task.DRAW_IN)).all()
    assert (alone == inputs_of(Signals.of(time_s, {"picture 2": grey}), Task.DRAW_IN)).all()
    assert not (only == alone).all() and not np.isnan(signals.value[OF_PICTURE[1]]).any()


def test_the_network_is_asked_about_both_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    time_s = np.arange(len(COURSE)) / RATE_HZ
    signals = Signals.of(time_s, dict.fromkeys(("base", "picture 1"), np.sin(time_s)))
    tissue_seen = 2 * len(CHANNELS) + list(CHANNELS).index("base")
    unsure, sure = likely([Part.REST] * len(COURSE), 0.5), likely(COURSE, 0.98)
    monkeypatch.setattr(
        tell, "likely_parts", lambda own: unsure if own[tissue_seen].any() else sure
    )
    assert len(tell.course_of(signals, None).spans) == 4


@pytest.mark.parametrize("efforts", [2, 3])
def test_the_picture_shows_efforts_that_a_wrong_outline_does_not(efforts: int) -> None:
    time_s = times(20.0)
    done = sum(eased(time_s, (t, t + 0.6, t + 3, t + 3.6)) for t in (2.0, 8.0, 14.0)[:efforts])
    known = {
        "thickness tra": noise(time_s.size, 0.01), "thickness io": noise(time_s.size, 0.01),
        "picture 1": 0.3 * done, "picture 2": 0.1 * done**2,
    }  # fmt: skip
    found = found_in(Signals.of(time_s, known), Task.DRAW_IN)
    assert found.count.number == efforts


def test_a_clip_may_begin_and_end_in_a_hold() -> None:
    course = ([Part.HOLD] * 30 + [Part.FALL] * 9 + [Part.REST] * 40 + [Part.RISE] * 9
              + [Part.HOLD] * 20)  # fmt: skip
    found = decode(likely(course, 0.98))
    assert [(s.first, s.last) for s in found.spans] == [(0, 38), (79, 107)]
    assert [(s.held_first, s.held_last) for s in found.spans] == [(0, 29), (88, 107)]


def test_a_lift_lost_with_a_cough_is_over_with_it() -> None:
    course = ([Part.REST] * 20 + [Part.RISE] * 9 + [Part.HOLD] * 20 + [Part.DIP] * 4
              + [Part.RECOVERY] * 8 + [Part.REST] * 30)  # fmt: skip
    lift, cough = decode(likely(course, 0.98)).spans
    assert (lift.first, lift.last, lift.held_last) == (20, 60, 48)
    assert (cough.first, cough.last, cough.on_lift) == (49, 60, 0)


def test_what_is_not_measured_is_marked_and_time_is_the_models() -> None:
    time_s = np.arange(0, 6, 0.1)
    tra = np.where(time_s < 3, 0.0, 0.5)
    tra[:10] = np.nan
    inputs = inputs_of(Signals.of(time_s, {"thickness tra": tra}), Task.DRAW_IN)
    row, count = list(CHANNELS).index("thickness tra"), len(CHANNELS)
    assert inputs.shape == (INPUTS, frames_of(time_s).size)
    assert inputs.shape[1] % LENGTH_STEP == 0
    seen = inputs[2 * count + row]
    assert not seen[:22].any() and seen[30:140].all() and not seen[155:].any()
    assert inputs[row, 130] - inputs[row, 40] == pytest.approx(np.arcsinh(5.0), abs=0.7)
    assert not inputs[: 3 * count].any(axis=1)[[k for k in range(count) if k != row]].any()
    asked = inputs[3 * count :, 0]
    assert asked.sum() == asked[TASKS.index(Task.DRAW_IN)] == 1
    assert not inputs[:, shown_of(time_s) :].any(), "after the clip there is nothing"


def test_how_much_room_is_left_after_the_clip_changes_nothing() -> None:
    time_s = times(9.0)
    signals = Signals.of(time_s, {"base": 8 * eased(time_s, (2, 2.5, 5, 5.5))})
    inputs = inputs_of(signals, None)
    longer = np.pad(inputs, ((0, 0), (0, 10 * LENGTH_STEP)))
    shown = shown_of(time_s)
    assert np.allclose(
        tell.likely_parts(inputs)[:shown], tell.likely_parts(longer)[:shown], atol=1e-4
    )


def test_an_altered_network_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for suffix in ("json", "onnx"):
        content = (tell.FOLDER / f"{tell.NAME}.{suffix}").read_bytes()
        (tmp_path / f"{tell.NAME}.{suffix}").write_bytes(content + b" ")
    monkeypatch.setattr(tell, "FOLDER", tmp_path)
    tell._session.cache_clear()
    with pytest.raises(WeightsError, match="was altered; install layermotion again"):
        tell._session()
    (tmp_path / f"{tell.NAME}.json").unlink()
    with pytest.raises(WeightsError, match="cannot be read"):
        tell._session()
    tell._session.cache_clear()


# -- with the network in use ---------------------------------------------------------------------


def wall_signals(efforts: list[tuple[float, ...]], heights: list[float], seed: int = 0) -> Signals:
    """TrA that thickens by so much, with breaths and noise, and a slide with it."""
    time_s = times(efforts[-1][3] + 2.5 if efforts else 12.0)
    course = sum(
        (h * eased(time_s, each) for h, each in zip(heights, efforts, strict=True)),
        np.zeros(time_s.size),
    )
    breath = 0.04 * np.sin(2 * np.pi * time_s / 4.3)
    size = time_s.size
    return Signals.of(
        time_s,
        {
            "thickness tra": course + breath + noise(size, 0.01, seed),
            "whole tra": 0.9 * course + breath + noise(size, 0.01, seed + 1),
            "thickness io": breath + noise(size, 0.005, seed + 2),
            "slide tra": 12 * course + 3 * breath + noise(size, 0.05, seed + 3),
            "shape": 0.01 * course + 0.01 * breath + noise(size, 0.0002, seed + 4),
        },
    )


def found_in(signals: Signals, task: Task | None):  # type: ignore[no-untyped-def]
    return efforts_in(signals, task, np.full(signals.time_s.shape, np.nan), float("inf"))


@pytest.mark.parametrize("task", [Task.DRAW_IN, None])
@pytest.mark.parametrize("weak", [1.0, 0.35])
def test_a_third_effort_is_found_however_weak(task: Task | None, weak: float) -> None:
    efforts = [(2.0, 2.6, 5.0, 5.6), (8.0, 8.6, 11.0, 11.6), (14.0, 14.5, 16.5, 17.0)]
    found = found_in(wall_signals(efforts, [0.5, 0.5, 0.5 * weak]), task)
    assert found.count.number == 3 and found.structure is Structure.TRA
    onsets = [course.onset_s for course in found.courses]
    assert onsets == pytest.approx([2.0, 8.0, 14.0], abs=0.15)


@pytest.mark.parametrize("task", [Task.DRAW_IN, Task.REST, None])
def test_breathing_alone_is_no_effort(task: Task | None) -> None:
    found = found_in(wall_signals([], []), task)
    assert found.count.number == found.at_rest == 0
    assert [window.state for window in found.windows] == ["rest"]
    assert found.is_missed == (task is Task.DRAW_IN)
    said = any("asked for and none was seen" in words for words in found.cautions)
    assert said == found.is_missed


@pytest.mark.parametrize("onset_s", [5.5, 6.5, 8.0])
def test_one_effort_after_long_rest_is_one(onset_s: float) -> None:
    efforts = [(onset_s, onset_s + 0.5, onset_s + 3, onset_s + 3.5)]
    for seed, height in enumerate((0.25, 0.5, 0.9)):
        for task in (Task.DRAW_IN, None):
            found = found_in(wall_signals(efforts, [height], 10 * seed), task)
            onsets = [course.onset_s for course in found.courses]
            assert onsets == pytest.approx([onset_s], abs=0.3)


def test_an_effort_at_rest_is_told_and_the_rest_beside_it_kept() -> None:
    found = found_in(wall_signals([(6.0, 6.5, 9.0, 9.5)], [0.6]), Task.REST)
    assert (found.at_rest, found.count.number) == (1, 0)
    (rest,) = found.windows
    time_s = times(12.0)
    assert rest.state == "rest" and time_s[rest.last] < 6.1


def test_the_clearest_signal_times_the_efforts() -> None:
    efforts = [(2.0, 2.6, 5.0, 5.6), (8.0, 8.6, 11.0, 11.6)]
    seen = wall_signals(efforts, [0.5, 0.5])
    # The EO shakes and shows nothing; the TrA is lost in the second effort.
    value = seen.value.copy()
    value[0] = noise(seen.time_s.size, 0.05, 9)
    lost = seen.time_s > 7.5
    for name in ("thickness tra", "whole tra", "slide tra"):
        value[list(CHANNELS).index(name), lost] = np.nan
    value[list(CHANNELS).index("thickness io")] = 0.4 * value[list(CHANNELS).index("thickness io")]
    value[list(CHANNELS).index("slide io")] = sum(4 * eased(seen.time_s, each) for each in efforts)
    found = found_in(Signals(seen.time_s, value), Task.DRAW_IN)
    assert found.count.number == 2 and found.structure is Structure.IO
    onsets = [course.onset_s for course in found.courses]
    assert onsets == pytest.approx([2.0, 8.0], abs=0.05)


@pytest.mark.parametrize(("keep", "is_slow"), [(2, False), (4, True)])
def test_with_too_few_frames_a_second_no_number_is_sure(keep: int, is_slow: bool) -> None:
    seen = wall_signals([(2.0, 2.6, 5.0, 5.6), (8.0, 8.6, 11.0, 11.6)], [0.5, 0.5])
    found = found_in(Signals(seen.time_s[::keep], seen.value[:, ::keep]), Task.DRAW_IN)
    assert found.count.number == 2
    assert found.count.is_sure != is_slow
    said = any("fewer than 8 frames a second" in words for words in found.cautions)
    assert said == is_slow


@pytest.mark.parametrize(("hidden", "is_sure"), [(0.05, True), (0.15, False)])
def test_where_too_little_of_a_muscle_is_measured_no_number_is_sure(
    hidden: float, is_sure: bool
) -> None:
    seen = wall_signals([(2.0, 2.6, 5.0, 5.6), (8.0, 8.6, 11.0, 11.6)], [0.5, 0.5])
    value = seen.value.copy()
    value[list(CHANNELS).index("shape")] = value[list(CHANNELS).index("thickness tra")] / 10
    muscles = [k for k, (structure, _) in enumerate(CHANNELS.values()) if structure]
    last = seen.time_s > (1 - hidden) * seen.time_s[-1]
    value[np.ix_(muscles, last)] = np.nan
    found = found_in(Signals(seen.time_s, value), Task.DRAW_IN)
    assert found.count.number == 2 and found.count.likely > 0.95
    assert found.count.is_sure == is_sure
    said = any("neither a muscle nor the bladder base" in words for words in found.cautions)
    assert said != is_sure


def test_a_clip_too_short_to_show_a_course_is_rest() -> None:
    time_s = times(0.8)
    found = found_in(Signals.of(time_s, {"thickness tra": np.zeros(16)}), Task.DRAW_IN)
    assert found.count.number == 0 and [w.state for w in found.windows] == ["rest"]
    nothing = found_in(Signals.of(times(5.0), {}), Task.DRAW_IN)
    assert nothing.windows == () and not nothing.count.is_sure


def test_an_effort_that_rises_in_steps_begins_with_the_first_and_is_full_at_the_last() -> None:
    parts = [Part.REST] * 50 + [Part.RISE] * 75 + [Part.HOLD] * 50 + [Part.FALL] * 10
    spells = Spells.of(decode(likely([*parts, *[Part.REST] * 40], 0.98)), np.arange(225) / RATE_HZ)
    stepped = Course(1, 2.0, 3.0, 7.0, 7.4, 0.05, 0.05)
    smooth = Course(1, 2.0, 4.4, 7.0, 7.4, 0.05, 0.05)
    (found,) = risen_in_steps([stepped], spells)
    assert found.full_s == 5.0 and found.onset_s == 2.0
    assert found.rise_spread_s > 0.2 and found.return_spread_s == 0.05
    assert risen_in_steps([smooth], spells) == (smooth,)
    (found,) = risen_in_steps([replace(stepped, onset_s=4.0, full_s=5.0)], spells)
    assert found.onset_s == 2.0 and found.full_s == 5.0 and found.rise_spread_s > 0.2
    unknown = replace(smooth, onset_s=float("nan"))
    assert np.isnan(risen_in_steps([unknown], spells)[0].onset_s)


def test_training_also_sees_the_picture_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    time_s = times(12.0)
    done = eased(time_s, (2, 3, 6, 7))
    names = [*CHANNELS]
    stated = [Signals.of(time_s, dict.fromkeys(names, done)),
              Signals.of(time_s, dict.fromkeys(names[: OF_PICTURE[0]], done))]  # fmt: skip
    monkeypatch.setattr(effort_network, "PICTURE_ALONE", 1.0)
    monkeypatch.setattr(effort_network, "UNSEEN", 0.0)
    for signals, is_seen in zip(stated, (True, False), strict=True):
        kept = effort_network.Kept(2, "cpu")
        inputs = inputs_of(signals, None).astype(np.float16)
        kept.add([(inputs, np.zeros(inputs.shape[1], np.int8))], np.random.default_rng(0))
        shown, _ = kept.batch(3)
        beside = shown[:, [k + n * len(CHANNELS) for n in range(3) for k in BESIDE_PICTURE]]
        assert bool(beside.any()) != is_seen
        assert bool(shown[:, OF_PICTURE].any()) == is_seen


def test_filmed_clips_are_learnt_from_beside_drawn_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(effort_network, "_clips", [])
    assert not any(effort_network._either(number)[0] for number in range(6))
    monkeypatch.setattr("os.nice", lambda _: 0)
    effort_network._learn_from([DATA / "aside.npz"])
    assert effort_network._clips
    assert not any(clip.kind in ASIDE for clip in effort_network._clips)
    which = [effort_network._either(number)[0] for number in range(60)]
    assert 12 <= sum(which) <= 36


@pytest.mark.slow
def test_it_learns_and_is_stored(tmp_path: Path) -> None:
    import torch

    torch.manual_seed(0)
    rng = np.random.default_rng(0)
    network = effort_network.Network().train()
    optimiser = torch.optim.AdamW(network.parameters(), 2e-3)
    kept = effort_network.Kept(8, "cpu")
    kept.add([effort_network.example(seed) for seed in range(4)], rng)
    losses = []
    for _ in range(20):
        inputs, parts = kept.batch(4)
        losses.append(effort_network.learn(network, optimiser, inputs, parts).item())
    assert losses[-1] < 0.6 * losses[0]
    network.eval()
    effort_network.save(network.state_dict(), tmp_path / "network.npz")
    again = effort_network.load(tmp_path / "network.npz")
    with torch.no_grad():
        first, second = network(inputs), again(inputs)
    assert torch.allclose(first, second, atol=0.05)


def test_a_filmed_clip_keeps_its_truth_however_it_is_altered() -> None:
    time_s = times(20.0)
    thick = eased(time_s, (4, 5, 8, 9)) + eased(time_s, (13, 14, 16, 17))
    signals = Signals.of(time_s, {"thickness tra": thick, "whole tra": thick, "shape": thick})
    repeats = (Repeat(4, 5, 8, 9), Repeat(13, 14, 16, 17))
    clip = Stored(Kind.UNEQUAL, Task.DRAW_IN, signals, repeats)
    unseen = Stored(Kind.UNEQUAL, None, Signals.of(time_s, {"shape": thick}), repeats)
    own = list(CHANNELS).index("thickness tra")
    lengths, hidden, stated = set(), 0, set()
    for seed in range(60):
        rng = np.random.default_rng(seed)
        inputs, parts = effort_network.filmed_example(rng, clip, [clip, unseen])
        shown = int((parts >= 0).sum())
        lengths.add(shown)
        stated.add(int(inputs[-len(TASKS) :, 0].argmax()))
        assert (inputs[-len(TASKS) :, shown:] == 0).all()
        ranged = inputs[len(CHANNELS) + own].astype(float)
        if not inputs[2 * len(CHANNELS) + own].any():
            hidden += 1
            continue
        held, rest = ranged[parts == Part.HOLD], ranged[parts == Part.REST]
        assert held.size and rest.size and np.median(held) > np.median(rest) + 0.5
    assert len(lengths) > 20 and stated == {0, TASKS.index(Task.DRAW_IN)}
    # Its own signals are left where the other clip hides all but one.
    assert hidden == 0


@pytest.mark.slow
def test_training_goes_on_from_the_exported_network() -> None:
    import torch

    network = effort_network.load(tell.FOLDER / f"{tell.NAME}.onnx")
    inputs = inputs_of(Signals.of(times(12.0), {"base": noise(240, 0.5)}), None)
    with torch.no_grad():
        own = network(torch.from_numpy(inputs)[None])[0].T.numpy()
    assert own == pytest.approx(tell.likely_parts(inputs), abs=1e-4)


def test_filmed_clips_are_read_as_they_were_written(tmp_path: Path) -> None:
    time_s = times(3.0)
    signals = Signals.of(time_s, {"base": np.where(time_s > 1, np.nan, 0.25)})
    clips = [
        Stored(Kind.REST, Task.REST, signals, ()),
        Stored(
            Kind.COUGHS, None, signals, (Repeat(0.5, 1, 1.5, 2, 0.5), Repeat(2, 2, 2, 3, 1, True))
        ),
    ]
    write_stored(tmp_path / "filmed.npz", clips)
    read = list(read_stored(tmp_path / "filmed.npz"))
    assert [(c.kind, c.stated, c.repeats) for c in read] == [
        (c.kind, c.stated, c.repeats) for c in clips
    ]
    for clip in read:
        np.testing.assert_allclose(clip.signals.time_s, time_s, rtol=1e-6)
        np.testing.assert_array_equal(clip.signals.value, signals.value)


def learnt_and_unseen() -> tuple[set[str], set[str]]:
    """Files of filmed clips that the documents name for training, and for choosing and judging."""
    guide, front = (
        (ROOT / name).read_text(encoding="utf-8") for name in ("DEVELOPERS.md", "README.md")
    )
    (training,) = re.findall(r"--filmed ([^-]+) --out", guide)
    (choosing,) = re.findall(r"python \.\./efforts\.py --stored (.+) +# to choose", guide)
    judging = re.findall(r"efforts\.py (?:--aside )?--stored ([^`]+)`", front)
    learnt, chosen, judged = (
        set(re.findall(r"\w+\.npz", each)) for each in (training, choosing, " ".join(judging))
    )
    assert learnt and chosen and judged and not chosen & judged
    return learnt, chosen | judged


def test_no_clip_that_is_judged_on_was_learnt_from() -> None:
    learnt, unseen = learnt_and_unseen()
    stored = {path.name: list(read_stored(path)) for path in DATA.glob("*.npz")}
    assert learnt | unseen == set(stored)
    for name in sorted(unseen):
        for clip in stored[name]:
            alike = [
                other
                for own in learnt
                for other in stored[own]
                if (other.kind, other.stated) == (clip.kind, clip.stated)
                and len(other.repeats) == len(clip.repeats)
                and other.signals.time_s.size == clip.signals.time_s.size
                and abs(other.signals.time_s[-1] - clip.signals.time_s[-1]) < 0.005
            ]
            assert not any(
                all(
                    abs(a.onset_s - b.onset_s) < 0.005
                    for a, b in zip(clip.repeats, other.repeats, strict=True)
                )
                for other in alike
            ), name
