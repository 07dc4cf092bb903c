"""Tests of the report: tables for programs, plots and the page for a clinician."""

import csv
import itertools
import json
import math
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from report_content import COURSES, FRAMES, GAP, WINDOWS, make_content, make_measure, make_series

from layermotion.caution import Signature
from layermotion.labels import WALL_LAYERS, Structure, View
from layermotion.measures.measure import Status
from layermotion.report.arrows import Arrow
from layermotion.report.page import build_page, write_headline
from layermotion.report.palette import LOOKS, PAPER, rgb
from layermotion.report.plots import MAX_POINTS, decimate, plot_series
from layermotion.report.tables import MEASURE_COLUMNS, write_measures, write_series
from layermotion.series.series import Quantity, Series


def read_csv(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_series_has_the_stated_columns_and_a_row_for_every_frame(tmp_path: Path) -> None:
    write_series(tmp_path / "series.csv", make_series())
    rows = read_csv(tmp_path / "series.csv")
    assert ",".join(rows[0]) == "clip,frame,time_s,quantity,structure,value,unit,confidence"
    assert [int(row["frame"]) for row in rows] == [n for n in range(FRAMES) for _ in range(3)]
    assert [row["structure"] for row in rows[:3]] == ["eo", "io", "tra"]
    assert list(rows[2].values()) == [
        "c0ffee12", "0", "1.0500", "thickness", "tra", "4.0000", "mm", "0.9000",
    ]  # fmt: skip


def test_missing_value_is_empty_with_confidence_zero(tmp_path: Path) -> None:
    write_series(tmp_path / "series.csv", make_series())
    rows = read_csv(tmp_path / "series.csv")
    missing = {int(row["frame"]) for row in rows if row["value"] == ""}
    assert missing == set(range(GAP.start, GAP.stop))
    assert {float(row["confidence"]) for row in rows if row["value"] == ""} == {0.0}


def test_long_series_is_written_whole(tmp_path: Path) -> None:
    count = 18_000
    value = np.linspace(0, 9, count)
    quantities = tuple(
        Quantity(f"quantity{n}", "tra", "mm", value.copy(), np.ones(count)) for n in range(7)
    )
    write_series(tmp_path / "series.csv", Series("c", np.arange(count) / 30, quantities))
    assert (tmp_path / "series.csv").read_bytes().count(b"\n") == 1 + 7 * count


def test_measures_agree_in_both_files_and_json_is_strict(tmp_path: Path) -> None:
    measures = [make_measure(), make_measure("slide", value=None, interval=None, reason="No edge.")]
    write_measures(tmp_path, measures, {"clip": "c0ffee12"})

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    text = (tmp_path / "measures.json").read_text(encoding="utf-8")
    document = json.loads(text, parse_constant=refuse)
    assert document["schema_version"] == "1.1"
    assert document["clip"] == "c0ffee12"
    assert tuple(document["measures"][0]) == MEASURE_COLUMNS
    assert document["measures"][1]["value"] is None
    rows = read_csv(tmp_path / "measures.csv")
    assert ",".join(rows[0]) == (
        "name,structure,task,repeat,value,unit,low,high,status,reason,frames,method,caution"
    )
    assert [row["value"] for row in rows] == ["41.2", ""]
    assert rows[1]["status"] == "needs_manual"
    assert {row["caution"] for row in rows} == {"draft, not a medical device"}
    assert "until a licensed clinician confirms it" in document["caution"]


def test_the_caution_goes_where_a_clinician_has_confirmed(tmp_path: Path) -> None:
    statuses = (Status.DRAFT, Status.NEEDS_MANUAL, Status.CONFIRMED, Status.CORRECTED)
    measures = [replace(make_measure(), status=status) for status in statuses]
    write_measures(tmp_path, measures, {})
    words = "draft, not a medical device"
    found = [row["caution"] for row in read_csv(tmp_path / "measures.csv")]
    assert found == [words, words, "", ""]


def test_measures_refuse_a_value_that_is_not_finite_and_write_nothing(tmp_path: Path) -> None:
    with pytest.raises(ValueError):
        write_measures(tmp_path, [make_measure(value=math.nan)], {})
    assert list(tmp_path.iterdir()) == []


def test_decimate_keeps_peaks_and_gaps() -> None:
    value = np.zeros(36_000)
    value[12_345], value[20_000] = 9.0, np.nan
    times, thin = decimate(np.arange(value.size) / 30, value)
    assert thin.size <= MAX_POINTS
    assert np.nanmax(thin) == 9.0
    at_gap = np.abs(times - 20_000 / 30) < 0.6
    assert np.isnan(thin[at_gap]).any()
    assert np.isfinite(thin).sum() > 0.99 * thin.size


def line_moves(svg: str, structure: str) -> int:
    """Count how often the line of a structure is taken up anew."""
    group = re.search(rf'<g id="line-{structure}">.*?</g>', svg, re.DOTALL)
    assert group is not None
    return len(re.findall(r"\bM ", group[0]))


def test_plot_breaks_the_line_where_nothing_was_measured() -> None:
    series = make_series()
    (plot,) = plot_series(series, WINDOWS)
    assert line_moves(plot.svg, "tra") == 2
    whole = replace(
        series,
        quantities=tuple(
            replace(item, value=np.nan_to_num(item.value, nan=4.0)) for item in series.quantities
        ),
    )
    (plot,) = plot_series(whole, WINDOWS)
    assert line_moves(plot.svg, "tra") == 1


def test_plot_names_lines_and_windows() -> None:
    (plot,) = plot_series(make_series(), WINDOWS)
    for words in ("TrA", "IO", "EO", "rest", "contracted", "thickness, mm"):
        assert f">{words}</text>" in plot.svg
    assert "http" not in plot.svg


def test_displacement_plot_states_its_sign_and_shows_the_probe() -> None:
    count = 30
    base = Quantity("base_displacement", "bladder", "mm", np.sin(np.arange(30.0)), np.ones(count))
    shift = Quantity("probe_shift", "image", "mm", np.cos(np.arange(30.0)), np.ones(count))
    (alone,) = plot_series(Series("c", np.arange(30.0), (base,)), ())
    (both,) = plot_series(Series("c", np.arange(30.0), (base, shift)), ())
    assert "+ is lift towards the probe" in alone.svg
    assert ">probe,</text>" in both.svg and ">probe,</text>" not in alone.svg


def test_noise_of_a_displacement_looks_small() -> None:
    shake = 0.02 * np.sin(np.arange(30.0))
    names = (("base_displacement", "bladder"), ("probe_shift", "image"))
    noise = tuple(Quantity(*name, "mm", shake, np.ones(30)) for name in names)
    (plot,) = plot_series(Series("c", np.arange(30.0), noise), ())
    for axes in (1, 2):
        panel = plot.svg[
            plot.svg.index(f'id="axes_{axes}"') : plot.svg.index(f'id="axes_{axes + 1}"')
        ]
        ticks = [float(tick.replace("\N{MINUS SIGN}", "-"))
                 for tick in re.findall(r">(\N{MINUS SIGN}?[\d.]+)</text>", panel)]  # fmt: skip
        assert max(ticks) - min(ticks) >= 1


def test_plot_marks_the_events_that_are_known() -> None:
    (plot,) = plot_series(make_series(), WINDOWS, COURSES)
    # Where the effort was over is not known, so it is not marked.
    assert plot.svg.count('id="event"') == 1
    assert ">onset</text>" in plot.svg and ">over</text>" not in plot.svg


def test_the_medial_end_states_its_sign() -> None:
    series = make_series()
    end = Quantity("medial_edge", "tra", "mm", series.time_s / 3, np.ones(series.time_s.size))
    (plot,) = plot_series(replace(series, quantities=(*series.quantities, end)), WINDOWS)
    assert ">medial end,</text>" in plot.svg and plot.svg.count(">+ lateral,</text>") == 1
    assert "the displacement of the medial end, positive is lateral" in plot.description


def test_slide_and_fat_have_panels_of_their_own() -> None:
    series = make_series()
    flat = np.full(series.time_s.size, 30.0)
    more = [
        Quantity("thickness", "fat", "mm", flat, np.ones(flat.size)),
        Quantity("slide", "tra", "mm", flat / 3, np.ones(flat.size)),
    ]
    (plot,) = plot_series(replace(series, quantities=(*series.quantities, *more)), WINDOWS)
    assert ">slide past EO,</text>" in plot.svg and ">fat,</text>" in plot.svg
    assert ">+ lateral,</text>" in plot.svg
    assert "the slide of IO and TrA past EO, positive is lateral" in plot.description
    (unknown,) = plot_series(
        replace(series, quantities=(*series.quantities, *more)), WINDOWS, is_lateral_known=False
    )
    assert ">+ right,</text>" in unknown.svg
    # Fat is no line of the main panel, whose axis would else reach 30 mm.
    main = plot.svg[plot.svg.index('id="axes_1"') : plot.svg.index('id="axes_2"')]
    assert 'id="line-tra"' in main and 'id="line-fat"' not in main
    assert ">30</text>" not in main and ">10</text>" in main


class References(HTMLParser):
    """Collect what a page refers to, and the text alternatives that it gives."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.addresses: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take note of one opening tag."""
        self.tags.append((tag, dict(attrs)))
        self.addresses += [
            value or "" for name, value in attrs if name in ("src", "href", "xlink:href", "data")
        ]


def test_page_states_that_it_is_a_draft_before_any_number() -> None:
    page = build_page(make_content())
    body = page[page.index("<body") :]
    for words in (
        "DRAFT",
        "not a medical device",
        "clinician must check and confirm",
        "Local rules",
    ):
        assert 0 <= body.index(words) < body.index("41")


def test_a_signed_page_is_no_draft() -> None:
    draft = build_page(make_content())
    page = build_page(replace(make_content(), signature=Signature("A. B.", "2026-03-01", "0f3a")))
    assert "FINAL." in page and "Signed by A. B. on 2026-03-01" in page
    assert "<title>Final: " in page and "Final, signed by a clinician" in page
    # Nothing is left to be ticked, filled in or signed.
    for words in ('class="box"', 'class="blank"', "Name and licence", "DRAFT", "Correct to"):
        assert words in draft and words not in page


def test_page_refers_to_nothing_outside() -> None:
    page = build_page(make_content())
    addresses = References(page).addresses
    outside = [
        address for address in addresses if not address.startswith(("data:image/", "#", "./"))
    ]
    assert outside == []
    assert [address for address in addresses if address.startswith("./")] == ["./overlay.mp4"]
    assert "http://" not in page and "https://" not in page
    assert "url(" not in page.replace("url(#", "") and "@import" not in page
    assert "<script" not in page


def test_page_escapes_what_it_is_given() -> None:
    hostile = "<script>alert(1)</script>\"'&"
    content = make_content(
        cautions=(hostile,),
        measures=(make_measure("slide", value=None, interval=None, reason=hostile),),
    )
    page = build_page(
        replace(
            content,
            analysis=replace(
                content.analysis, footage=replace(content.analysis.footage, view_reason=hostile)
            ),
            provenance={hostile: hostile},
            overlay_name=hostile,
        )
    )
    assert "<script" not in page
    # Caution, reason, view, name and value of a fact, text of the link.
    assert page.count("&lt;script&gt;alert(1)") == 6
    # In the address of the link it is percent-encoded.
    assert 'href="./%3Cscript%3E' in page


def test_page_does_not_show_the_source_name() -> None:
    assert "Secret" not in build_page(make_content())


def test_page_is_accessible_in_structure() -> None:
    tags = References(build_page(make_content())).tags
    assert ("html", {"lang": "en"}) in tags
    assert all(attrs.get("scope") in ("col", "row") for tag, attrs in tags if tag == "th")
    pictures = [attrs for tag, attrs in tags if attrs.get("role") == "img"]
    assert len(pictures) == 3
    assert all(attrs["aria-label"] for attrs in pictures)


def test_page_outlines_in_mm_of_both_axes() -> None:
    page = build_page(make_content())
    # Column 20 and row 40.25 of the frame; the area starts at 1, 1; pixel centres.
    assert f"{(20 - 1 + 0.5) * 0.11:.3f},{(40.25 - 1 + 0.5) * 0.08:.3f}" in page
    assert 'viewBox="0 0 25.3 12.0"' in page
    site = re.search(r'<path d="M([0-9.]+) 12.0 l', page)
    assert site is not None and float(site[1]) == pytest.approx((120 - 1 + 0.5) * 0.11)
    assert "5 mm</text>" in page


def test_edge_at_rest_is_drawn_again_into_the_other_picture() -> None:
    page = build_page(make_content())
    at_rest, contracted = page.split('<figure class="role-contracted">')
    assert '<polyline class="shadow"' not in at_rest
    shadows = re.findall(r'<polyline class="shadow" points="([^"]*)"', contracted)
    # Both edges of the TrA where they lie in the picture at rest: rows 40.25 and 70.75.
    downs = [float(points.split()[0].split(",")[1]) for points in shadows]
    assert downs == pytest.approx([(40.25 - 0.5) * 0.08, (70.75 - 0.5) * 0.08], abs=1e-3)
    assert "TrA where it lay at rest, not corrected for movement of the probe" in page


def test_the_key_names_the_arrow_at_the_medial_end_only_where_it_was_measured() -> None:
    content = make_content()
    frame = content.key_frames[1]
    pointing = replace(frame, arrows=(Arrow(Structure.TRA, 100.0, 50.0, 60.0, 50.0),))
    content = replace(content, key_frames=(content.key_frames[0], pointing))
    without = build_page(content)
    # The probe moves the EO as well, so nothing is left of it in the slide past that.
    assert "had they moved with the EO (ring)</li>" in without
    assert "medial end" not in without.split("<h2>Measures")[0]
    own = content.analysis.series
    end = Quantity("medial_edge", "tra", "mm", own.time_s, np.ones(own.time_s.size))
    series = replace(own, quantities=(*own.quantities, end))
    page = build_page(replace(content, analysis=replace(content.analysis, series=series)))
    assert (
        "(ring); the TrA at its medial end, from where it lay at rest, not corrected for movement "
        "of the probe</li>" in page
    )


def test_uncalibrated_page_says_so_and_draws_no_scale() -> None:
    calibrated, uncalibrated = build_page(make_content()), build_page(make_content(spacing=None))
    words = "only ratios and percentages are given"
    assert words in uncalibrated and words not in calibrated
    assert ">5 mm</text>" in calibrated
    drawn = uncalibrated[uncalibrated.index("<body") :]
    assert re.search(r"\d mm\b", drawn) is None
    assert "thickness, pixels (no calibration)" in drawn


def test_bladder_page_states_the_limit_of_its_view() -> None:
    words = "there is no bony reference: movement of the probe adds to the reading"
    page = build_page(make_content(view=View.BLADDER))
    assert words in page and "At the effort" in page
    assert words not in build_page(make_content())


def test_page_says_what_could_not_be_measured() -> None:
    reason = "The medial edge is not in view."
    missing = make_measure("slide", value=None, interval=None, reason=reason)
    page = build_page(make_content(measures=(make_measure(), missing)))
    section = page[page.index("could not be measured") : page.index("Over time")]
    assert reason in section and "TrA slide" in section
    assert "Every measure of this view has a value" in build_page(make_content())


@pytest.mark.parametrize(
    ("value", "interval", "words"),
    [
        (41.2, (30.0, 52.0), "thickened by 41 % (interval 30 to 52 %)"),
        (-12.0, (-20.0, -4.0), "thinned by 12 % (interval 4 to 20 %)"),
        (12.3, (0.2, 24.4), "thickened by 12 % (interval 0.2 to 24 %)"),
        (-0.4, (-0.76, -0.04), "thinned by 0.4 % (interval 0.04 to 1 %)"),
        (
            5.0,
            (-0.3, 10.3),
            "no change beyond measurement error was seen (interval \N{MINUS SIGN}0.3",
        ),
        (5.0, (-3.0, 13.0), "no change beyond measurement error was seen"),
        (5.0, (0.0, 10.0), "no change beyond measurement error was seen"),
    ],
)
def test_headline_states_a_change_only_beyond_its_interval(
    value: float, interval: tuple[float, float], words: str
) -> None:
    headline = write_headline(View.ABDOMINAL_WALL, [make_measure(value=value, interval=interval)])
    assert words in headline


def test_headline_names_descent_and_missing_measures() -> None:
    peak = make_measure("base_displacement_peak", "bladder", -8.0, (-9.5, -6.5), "mm")
    assert "descended by 8.0 mm (interval 6.5 to 9.5 mm)" in write_headline(View.BLADDER, [peak])
    by_hand = make_measure(value=None, interval=None, reason="The image is too dark.")
    assert write_headline(View.ABDOMINAL_WALL, [by_hand]).endswith(
        "needs measuring by hand: The image is too dark."
    )
    assert "no change was measured" in write_headline(View.ABDOMINAL_WALL, [])


def test_page_says_no_change_of_one_repeat_where_repeats_have_no_mean() -> None:
    why = "The repeats (45 and -17 %) differ too much to be of one thing, so they have no mean."
    repeats = [
        replace(make_measure(value=value, interval=(value - 6, value + 6)), repeat=repeat)
        for repeat, value in (("1", 45.0), ("2", -17.0))
    ]
    mean = make_measure(value=None, interval=None, reason=why)
    quiet = make_measure(structure="io", value=3.0, interval=(-1.0, 7.0))
    page = build_page(make_content(measures=(*repeats, mean, quiet)))
    assert "No change beyond error in IO; TrA without a mean; EO not measured." in page
    assert "TrA thickened by 45" not in page


# Machado, Oliveira and Fernandes 2009, IEEE TVCG 15(6):1291-8, severity 1.0, linear RGB.
DEUTERANOPIA = np.array(
    [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ]
)
PROTANOPIA = np.array(
    [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ]
)
# IEC 61966-2-1 (sRGB), D65.
TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)


def linear(colour: str) -> np.ndarray:
    part = np.array(rgb(colour)) / 255
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    xyz = TO_XYZ @ np.clip(light, 0, 1) / TO_XYZ.sum(axis=1)
    root = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * root[1] - 16, 500 * (root[0] - root[1]), 200 * (root[1] - root[2])])


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.1."""
    low, high = sorted(float(TO_XYZ[1] @ linear(colour)) for colour in (one, other))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("vision", [np.eye(3), DEUTERANOPIA, PROTANOPIA])
@pytest.mark.parametrize("ground", ["on_paper", "on_image"])
def test_layers_stay_distinct_to_every_reader(vision: np.ndarray, ground: str) -> None:
    for one, other in itertools.combinations(WALL_LAYERS, 2):
        ends = [lab(vision @ linear(getattr(LOOKS[item], ground))) for item in (one, other)]
        # 20 is far beyond a just noticeable difference of about 2.3; the patterns differ as well.
        assert np.linalg.norm(ends[0] - ends[1]) > 20, (one, other)
        assert LOOKS[one].pattern_px != LOOKS[other].pattern_px


def test_names_can_be_read_on_paper() -> None:
    assert all(contrast(look.on_paper, PAPER) >= 4.5 for look in LOOKS.values())
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)


def test_package_loads_without_plotting_libraries() -> None:
    code = "import layermotion.report, sys; print({'matplotlib', 'jinja2'} & set(sys.modules))"
    answer = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert answer.stdout.strip() == "set()"
