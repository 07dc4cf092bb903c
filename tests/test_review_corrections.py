"""What a person corrects in a measured clip, and what follows from it."""

import copy
import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layermotion.analysis.analysis import measure_footage
from layermotion.analysis.footage import Footage
from layermotion.clip import Clip
from layermotion.edges import blocks
from layermotion.edges.boundaries import Boundaries
from layermotion.efforts.count import Count
from layermotion.efforts.efforts import Efforts
from layermotion.efforts.windows import Window
from layermotion.errors import InputError
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import MUSCLES, Structure, Task, View, label_of
from layermotion.measures.measure import Status
from layermotion.network.grid import ModelGrid
from layermotion.network.segmenter import Segmenter, load_segmenter
from layermotion.normal import Z95
from layermotion.report.page import without_effort
from layermotion.review.applying import (
    curve_through,
    left_out,
    place_edge,
    with_edges,
    with_windows,
)
from layermotion.review.confirming import confirmed_in, key_of, values_of, with_status
from layermotion.review.corrections import (
    Calliper,
    Confirm,
    Correction,
    LeaveOut,
    MoveEdge,
    MoveSite,
    SetWindow,
    TakeIn,
    Withdraw,
    correction_from,
    said_of,
)
from layermotion.tissue.tracker import LOST, NOWHERE, Motions, Shift, TissueMotion

ROW_MM, COLUMN_MM = 0.08, 0.11
TOP, LEFT, HEIGHT, WIDTH = 7, 11, 400, 320
FRAMES, REST, FULL = 40, range(0, 10), range(20, 30)
# Rows of the image area at which fat, EO, IO and TrA begin and end; at the effort IO and TrA are
# thicker: TrA 4 mm at rest and 6 mm at the effort.
AT_REST = [(10, 90), (100, 170), (180, 270), (280, 330)]
AT_EFFORT = [(10, 90), (100, 170), (180, 280), (290, 365)]
WINDOWS = (
    Window("rest", 0, 9, 1),
    Window("contracted", 20, 29, 1),
    Window("contracted", 33, 36, 2),
)
TRA = Structure.TRA


@pytest.fixture(scope="module")
def segmenter() -> Segmenter:
    return load_segmenter(threads=1)


def edges_at(rows: list[tuple[int, int]]) -> Boundaries:
    column_px = np.arange(LEFT, LEFT + WIDTH, 2, dtype=np.float32)
    both = np.full((2, 5, column_px.size), np.nan, np.float32)
    for k, pair in enumerate(rows):
        both[0, k], both[1, k] = pair[0] + TOP, pair[1] + TOP
    confidence = np.where(np.isnan(both[0]), 0, 0.95).astype(np.float32)
    return Boundaries(column_px, both[0], both[1], confidence)


def motion(row_px: float = 0.0, column_px: float = 0.0) -> TissueMotion:
    return TissueMotion((Shift(column_px, row_px, 1.0),) * 4, LOST, float("nan"), NOWHERE, NOWHERE)


def footage(again: bool = False) -> Footage:
    area, spacing = ImageArea(TOP, LEFT, HEIGHT, WIDTH), Spacing(ROW_MM, COLUMN_MM, "stated")
    clip = Clip(
        "c0000000", "clip", (420, 340), FRAMES, spacing, "", area, View.ABDOMINAL_WALL,
        Task.DRAW_IN, False, lambda: iter(()),
    )  # fmt: skip
    rest, full = edges_at(AT_REST), edges_at(AT_EFFORT)
    edges = tuple(rest if i < 15 else full for i in range(FRAMES))
    # The second look puts the TrA somewhere else in one frame of the effort.
    other = edges_at([*AT_EFFORT[:3], (320, 365)])
    return Footage(
        clip, View.ABDOMINAL_WALL, "stated", ModelGrid.for_area(area, spacing, 320),
        np.arange(FRAMES) / 10, edges, {25: other} if again else {},
        Motions(motion() for _ in edges), LEFT + WIDTH / 2, "Site: the middle.",
    )  # fmt: skip


def efforts() -> Efforts:
    return Efforts(TRA, Count(2, 0.5), WINDOWS, (), ())


def move(rows: float, frame: int = 25, edge: str = "deep") -> MoveEdge:
    return MoveEdge(frame, TRA, edge, (0.0, WIDTH / 2, WIDTH - 2.0), (rows,) * 3)


def thickness(
    seen: Footage, segmenter: Segmenter, name: str, own: Efforts, repeat: str = "1"
) -> float | None:
    measures = measure_footage(seen, segmenter, own).measures
    found = [m for m in measures if (m.name, m.structure, m.repeat) == (name, TRA, repeat)]
    return found[0].value


def test_an_edge_holds_in_its_whole_window_and_nowhere_else(segmenter: Segmenter) -> None:
    seen = with_edges(footage(), WINDOWS, [move(377.5)])
    assert thickness(seen, segmenter, "thickness_contracted", efforts()) == pytest.approx(7.0)
    assert thickness(seen, segmenter, "thickness_rest", efforts()) == pytest.approx(4.0)
    assert thickness(seen, segmenter, "thickness_contracted", efforts(), "2") == pytest.approx(6.0)


def test_a_value_that_two_looks_dispute_is_given_once_its_edge_is_placed(
    segmenter: Segmenter,
) -> None:
    before = footage(again=True)
    assert thickness(before, segmenter, "thickness_contracted", efforts()) is None
    seen = with_edges(before, WINDOWS, [move(365.0)])
    assert thickness(seen, segmenter, "thickness_contracted", efforts()) == pytest.approx(6.0)


@pytest.mark.parametrize("seed", range(4))
def test_what_is_kept_from_earlier_corrections_changes_no_number(
    seed: int, segmenter: Segmenter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(blocks, "BLOCK", 7)
    rng = np.random.default_rng(seed)
    motions = Motions(motion(*rng.normal(0, 2, 2)) for _ in range(FRAMES))
    seen = replace(footage(again=True), motions=motions)
    seen = replace(seen, edges=blocks.HeldEdges.of(seen.edges))
    for _ in range(6):
        step: Correction = move(365 + 20 * rng.random(), int(rng.integers(FRAMES)))
        if rng.random() < 0.3:
            step = MoveSite(float(WIDTH * (0.3 + 0.4 * rng.random())))
        seen = with_edges(seen, WINDOWS, [step])
        whole = replace(
            seen, edges=tuple(copy.deepcopy(e) for e in seen.edges), motions=Motions(tuple(motions))
        )
        kept, full = (measure_footage(each, segmenter, efforts()) for each in (seen, whole))
        assert kept.measures == full.measures and kept.cautions == full.cautions
        for one, other in zip(kept.series.quantities, full.series.quantities, strict=True):
            assert one.value.tobytes() == other.value.tobytes()
            assert one.confidence.tobytes() == other.confidence.tobytes()


def test_an_edge_moves_with_the_tissue() -> None:
    motions = Motions(motion(row_px=3.0 if i == 28 else 0.0) for i in range(FRAMES))
    seen = with_edges(replace(footage(), motions=motions), WINDOWS, [move(370.0)])
    k, middle = label_of(TRA) - 1, WIDTH // 4
    assert seen.edges[25].deep_px[k, middle] == 370 + TOP
    assert seen.edges[28].deep_px[k, middle] == 373 + TOP
    assert seen.edges[15].deep_px[k, middle] == 365 + TOP


def test_neighbours_give_way_to_a_placed_edge() -> None:
    placed = place_edge(edges_at(AT_REST), footage(), move(260.0, edge="superficial"), (0, 0))
    k, middle = label_of(TRA) - 1, WIDTH // 4
    assert placed.superficial_px[k, middle] == 260 + TOP
    assert placed.deep_px[k - 1, middle] == 260 + TOP
    assert placed.superficial_px[k - 1, middle] == 180 + TOP
    assert placed.confidence[k, middle] == 1.0


def test_a_calliper_gives_the_thickness_of_its_window(segmenter: Segmenter) -> None:
    calliper = Calliper(22, TRA, "contracted", 1, (290.0, 100.0), (352.5, 100.0))
    seen = with_edges(footage(), WINDOWS, [calliper])
    assert thickness(seen, segmenter, "thickness_contracted", efforts()) == pytest.approx(5.0)
    assert thickness(seen, segmenter, "thickness_change", efforts()) == pytest.approx(1.0)


def test_a_calliper_measures_across_in_its_own_unit() -> None:
    calliper = Calliper(22, TRA, "contracted", 1, (300.0, 100.0), (330.0, 120.0))
    seen = with_edges(footage(), WINDOWS, [calliper])
    expected = np.hypot(30 * ROW_MM, 20 * COLUMN_MM)
    assert seen.by_hand.measured[TRA][22] == pytest.approx(expected)


LONG = (
    Window("rest", 0, 9, 1),
    Window("contracted", 15, 36, 1),
    Window("contracted", 38, 39, 2),
)
CALLIPER = Calliper(22, TRA, "contracted", 1, (290.0, 100.0), (352.5, 100.0))
# Of the window that is corrected, and what follows from it.
TOUCHED = ("thickness_contracted/tra/1/mm", "thickness_contracted/tra/mean/mm")


def intervals(seen: Footage, segmenter: Segmenter) -> dict[str, tuple[float, float]]:
    measures = measure_footage(seen, segmenter, replace(efforts(), windows=LONG)).measures
    return {
        key_of(m): (m.low, m.high) for m in measures if m.low is not None and m.high is not None
    }


@pytest.mark.parametrize("step", [CALLIPER, move(365.0)])
def test_a_correction_changes_no_interval_of_a_window_that_it_does_not_touch(
    step: Correction, segmenter: Segmenter
) -> None:
    before = intervals(footage(), segmenter)
    after = intervals(with_edges(footage(), LONG, [step]), segmenter)
    kept = {key for key in before if key.startswith("thickness_") and "change" not in key}
    kept = {key for key in kept if key not in TOUCHED} | {"thickness_change/tra/2/mm"}
    assert {key: after[key] for key in kept} == {key: before[key] for key in kept}
    assert after[TOUCHED[0]] != before[TOUCHED[0]]


def test_a_placed_base_changes_no_interval_of_another_effort(segmenter: Segmenter) -> None:
    column_px = np.arange(LEFT, LEFT + WIDTH, 2, dtype=np.float32)

    def bladder(lift_px: float) -> Boundaries:
        both = np.full((2, 5, column_px.size), np.nan, np.float32)
        across = np.linspace(-1, 1, column_px.size)
        half_px = 100 * np.sqrt(1 - (across / 1.01) ** 2)
        both[:, 4] = 200 + TOP - half_px, 200 + TOP + half_px - lift_px
        return Boundaries(column_px, both[0], both[1], np.where(np.isnan(both[0]), 0, 0.9))

    own = replace(efforts(), structure=Structure.BLADDER, windows=LONG)
    lifted = {i for window in LONG[1:] for i in range(window.first, window.last + 1)}
    still = Motions(
        replace(motion(), near=Shift(0.0, 0.0, 1.0), turn_rad=0.0) for _ in range(FRAMES)
    )
    edges = tuple(bladder(20.0 * (i in lifted)) for i in range(FRAMES))
    seen = replace(footage(), view=View.BLADDER, edges=edges, motions=still)
    sure = replace(segmenter, errors_px={**segmenter.errors_px, "base_displacement": (1.5, 3.0)})
    placed = replace(move(280.0), structure=Structure.BLADDER)
    before, after = (
        {m.repeat: (m.low, m.high) for m in measure_footage(each, sure, own).measures
         if m.name == "base_displacement"}
        for each in (seen, with_edges(seen, LONG, [placed]))
    )  # fmt: skip
    how = {m.repeat: m.method for m in measure_footage(with_edges(seen, LONG, [placed]), sure, own)
           .measures if m.name == "base_displacement"}  # fmt: skip
    assert "Bladder at the effort: with an edge that a person placed." in how["1"]
    assert "a person" not in how["2"]
    assert None not in before["2"] and after["2"] == pytest.approx(before["2"], abs=1e-5)
    assert after["1"] != pytest.approx(before["1"], abs=0.05)


def test_placed_edges_are_as_sure_whatever_is_measured_by_calliper(segmenter: Segmenter) -> None:
    placed, other = move(365.0), replace(CALLIPER, frame=38, repeat=2)
    own, both = (
        intervals(with_edges(footage(), LONG, steps), segmenter)
        for steps in ([placed], [placed, other])
    )
    assert both[TOUCHED[0]] == own[TOUCHED[0]]


def test_a_value_by_calliper_has_the_error_of_measuring_by_hand(segmenter: Segmenter) -> None:
    seen = with_edges(footage(), LONG, [CALLIPER])
    found = intervals(seen, segmenter)
    halves = {key: (high - low) / 2 / Z95 for key, (low, high) in found.items()}
    assert halves["thickness_contracted/tra/1/mm"] == pytest.approx(0.4)
    rest = halves["thickness_rest/tra/1/mm"]
    assert halves["thickness_change/tra/1/mm"] == pytest.approx(np.hypot(0.4, rest))
    also = replace(CALLIPER, frame=3, state="rest")
    found = intervals(with_edges(seen, LONG, [also]), segmenter)
    assert np.diff(found["thickness_change/tra/1/mm"]) / 2 == pytest.approx(Z95 * 0.4 * 2**0.5)


def test_a_value_by_calliper_is_given_however_unsure_the_borders_are(segmenter: Segmenter) -> None:
    unsure = replace(segmenter, errors_px=dict.fromkeys(segmenter.errors_px, (30.0, 0.0)))
    assert "thickness_contracted/tra/1/mm" not in intervals(footage(), unsure)
    # Thinner than twice its error.
    thin = replace(CALLIPER, end=(296.0, 100.0))
    steps = [
        replace(thin, structure=layer, state=state, frame=frame)
        for layer in MUSCLES
        for state, frame in (("rest", 3), ("contracted", 22))
    ]
    found = intervals(with_edges(footage(), LONG, steps), unsure)
    for name in ("thickness_rest", "thickness_contracted", "thickness_change"):
        assert f"{name}/tra/1/mm" in found
    assert "preferential_activation_ratio/tra/1/ratio" in found
    assert "thickness_contracted/tra/2/mm" not in found


def test_a_method_says_which_thicknesses_a_person_settled(segmenter: Segmenter) -> None:
    seen = with_edges(footage(), LONG, [CALLIPER, replace(move(365.0), frame=3)])
    own = replace(efforts(), windows=LONG)
    method = {key_of(m): m.method for m in measure_footage(seen, segmenter, own).measures}
    by_calliper = "Transversus abdominis (TrA) at the effort: distance between the two points of"
    placed = "Transversus abdominis (TrA) at rest: with an edge that a person placed."
    for key, is_measured, is_placed in (
        ("thickness_rest/tra/1/mm", False, True),
        ("thickness_contracted/tra/1/mm", True, False),
        ("thickness_contracted/tra/2/mm", False, False),
        ("thickness_change/tra/1/%", True, True),
        ("contraction_ratio/tra/1/ratio", True, True),
        ("thickness_change/io/1/%", False, False),
        ("preferential_activation_ratio/tra/1/ratio", True, True),
    ):
        assert (by_calliper in method[key], placed in method[key]) == (is_measured, is_placed), key
        assert method[key].startswith("Thickness from inside edge to inside edge")


def test_the_site_is_where_a_person_puts_it() -> None:
    seen = with_edges(footage(), WINDOWS, [MoveSite(50.0)])
    assert seen.site_px == 50 + LEFT and "person" in seen.site_words


def test_windows_are_as_set_and_then_their_number_is_sure() -> None:
    own = with_windows(efforts(), [SetWindow("contracted", 2, 31, 35)], FRAMES)
    assert Window("contracted", 31, 35, 2) in own.windows
    assert own.count.is_sure and own.count.number == 2


def test_a_rest_stays_with_the_repeat_that_is_left() -> None:
    out = [LeaveOut(1, "breathed in")]
    own = with_windows(efforts(), out, FRAMES)
    assert own.windows == (Window("rest", 0, 9, 2), Window("contracted", 33, 36, 2))
    assert own.count.number == 1
    assert left_out([*out, TakeIn(1)]) == {}
    assert with_windows(efforts(), [*out, TakeIn(1)], FRAMES) == efforts()


def test_a_clip_of_which_every_effort_is_left_out_gives_no_value_and_no_reason_of_its_own(
    segmenter: Segmenter,
) -> None:
    out = [LeaveOut(1, "probe moved"), LeaveOut(2, "cough")]
    own = with_windows(replace(efforts(), is_missed=True), out, FRAMES)
    assert own.windows == WINDOWS[:1], "the rest stays as the zero of what moves"
    found = measure_footage(footage(), segmenter, own)
    assert found.measures == () and not any("again" in words for words in found.cautions)
    assert without_effort(found) == (
        "Every effort of this clip was left out by a person (probe moved; cough), so nothing of it "
        "is counted."
    )
    assert with_windows(efforts(), out[:1], FRAMES).left_out == ""
    assert with_windows(efforts(), [*out, TakeIn(2)], FRAMES).left_out == ""


@pytest.mark.parametrize(
    "step",
    [
        SetWindow("rest", 1, 5, FRAMES),
        SetWindow("rest", 1, 6, 5),
        LeaveOut(7, "none"),
    ],
)
def test_windows_that_do_not_exist_are_refused(step: Correction) -> None:
    with pytest.raises(InputError):
        with_windows(efforts(), [step], FRAMES)


@pytest.mark.parametrize(
    "step",
    [
        replace(move(365.0), frame=FRAMES),
        replace(move(365.0), structure=Structure.BLADDER),
        replace(move(365.0), column_px=(5.0, 5.0, 9.0)),
        replace(move(365.0), row_px=(1.0, 1.0)),
        move(HEIGHT + 10.0),
        MoveSite(WIDTH + 10.0),
        Calliper(22, TRA, "contracted", 1, (290.0, 100.0), (290.0, 100.0)),
        Calliper(15, TRA, "contracted", 1, (290.0, 100.0), (300.0, 100.0)),
        Calliper(22, TRA, "contracted", 5, (290.0, 100.0), (300.0, 100.0)),
    ],
)
def test_what_does_not_fit_the_clip_is_refused(step: Correction) -> None:
    with pytest.raises(InputError):
        with_edges(footage(), WINDOWS, [step])


def test_a_curve_goes_through_its_handles() -> None:
    at, value = np.array([0.0, 3.0, 10.0, 30.0]), np.array([5.0, 1.0, 2.0, -4.0])
    np.testing.assert_allclose(curve_through(at, value, at), value, atol=1e-12)
    line = 2 * at + 1
    np.testing.assert_allclose(curve_through(at, line, np.array([7.0, 22.0])), [15.0, 45.0])


def test_values_are_confirmed_by_a_person_and_the_rest_follows(segmenter: Segmenter) -> None:
    measures = measure_footage(footage(), segmenter, efforts()).measures
    automatic = values_of(measures)
    keys = tuple(f"thickness_{state}/tra/1/mm" for state in ("rest", "contracted"))
    status = statuses(measures, automatic, [(Confirm(keys), automatic)])
    assert status["thickness_rest/tra/1/mm"] == Status.CONFIRMED
    assert status["thickness_change/tra/1/%"] == Status.CONFIRMED
    assert status["preferential_activation_ratio/tra/1/ratio"] == Status.DRAFT
    assert status["thickness_contracted/tra/mean/mm"] == Status.DRAFT
    assert status["thickness_rest/io/1/mm"] == Status.DRAFT
    taken_back = [(Confirm(keys), automatic), (Withdraw(keys[:1]), automatic)]
    status = statuses(measures, automatic, taken_back)
    assert status["thickness_rest/tra/1/mm"] == Status.DRAFT
    assert status["thickness_contracted/tra/1/mm"] == Status.CONFIRMED
    assert status["thickness_change/tra/1/mm"] == Status.DRAFT
    assert set(statuses(measures, automatic, []).values()) == {Status.DRAFT}


def test_a_value_that_changes_after_it_was_confirmed_is_a_draft_again(
    segmenter: Segmenter,
) -> None:
    automatic = values_of(measure_footage(footage(), segmenter, efforts()).measures)
    corrected = measure_footage(
        with_edges(footage(), WINDOWS, [move(377.5)]), segmenter, efforts()
    ).measures
    key = "thickness_contracted/tra/1/mm"
    steps = [(Confirm((key,)), automatic)]
    assert statuses(corrected, automatic, steps)[key] == Status.DRAFT
    again = [*steps, (Confirm((key,)), values_of(corrected))]
    assert statuses(corrected, automatic, again)[key] == Status.CORRECTED


def statuses(measures: Any, automatic: Any, steps: Any) -> dict[str, Status]:
    made = with_status(measures, automatic, confirmed_in(steps))
    return {key_of(m): m.status for m in made if m.value is not None}


EVERY = [
    move(300.0),
    MoveSite(4.5),
    SetWindow("rest", 1, 0, 4),
    LeaveOut(2, "cough"),
    TakeIn(2),
    Calliper(3, TRA, "rest", 1, (1.0, 2.0), (3.0, 4.0)),
    Confirm(("a",)),
    Withdraw(("a",)),
]


@pytest.mark.parametrize("step", EVERY)
def test_corrections_are_stored_and_read_back(step: Correction) -> None:
    assert correction_from(json.loads(json.dumps(step.to_json()))) == step


def test_a_report_says_what_a_person_settled() -> None:
    assert said_of([Confirm(("a",)), Withdraw(("a",))]) == ()
    assert said_of([move(300.0), move(301.0), LeaveOut(2, "cough")]) == (
        "Settled by a person: deep edge of TrA; repeat 2 left out (cough).",
    )


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)


@given(st.sampled_from(EVERY), st.data())
def test_damaged_corrections_give_one_sentence(step: Correction, data: st.DataObject) -> None:
    plain = step.to_json()
    plain[data.draw(st.sampled_from(sorted(plain)))] = data.draw(JSON)
    try:
        correction_from(plain)
    except InputError as error:
        assert str(error).endswith(".")
