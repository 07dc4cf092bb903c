"""The second simulation obeys published physics, and its truth is what it draws."""

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from published import published

# The scripts import each other by name.
sys.path.insert(0, str(Path(__file__).parent.parent / "scripts"))

from aperture import Aperture, Disturbance, Scatterers, beamform, receive  # noqa: E402
from phantom import Phantom  # noqa: E402
from picture import show  # noqa: E402
from second_simulation import (  # noqa: E402
    StillResult,
    Value,
    compare_base,
    draw_still,
    summarise,
    thickness_mm,
)
from wall_body import draw_wall, wall_sizes  # noqa: E402

from layermotion.edges.boundaries import Boundaries  # noqa: E402
from layermotion.labels import View  # noqa: E402

Array = NDArray[np.float64]

DEPTH_MM = 30.0


def flat(**changes: Any) -> Aperture:
    known = {
        "elements": 64,
        "pitch_mm": 0.25,
        "radius_mm": float("inf"),
        "frequency_mhz": 6.0,
        "bandwidth": 0.6,
        "f_number": 1.5,
    }
    return Aperture(**{**known, **changes})


def points(x: Any, z: Any, amplitude: Any = 1.0, loss_np: Any = 0.0) -> Scatterers:
    x = np.atleast_1d(np.asarray(x, np.float32))
    z, amplitude, loss = (
        np.broadcast_to(np.asarray(v, np.float32), x.shape).copy() for v in (z, amplitude, loss_np)
    )
    return Scatterers(x, z, amplitude, loss)


def envelope(
    aperture: Aperture, tissue: Scatterers, noise_db: float = -90.0
) -> tuple[Array, float]:
    """Amplitude, shape (beams, samples), and the step of samples, mm."""
    clean = Disturbance(noise_db, (), np.zeros(aperture.elements))
    traces = receive(np.random.default_rng(0), aperture, tissue, DEPTH_MM, clean)
    power, step = beamform(aperture, traces, DEPTH_MM)
    return np.sqrt(power.astype(float)), step


def width_at_half(profile: Array, step_mm: float) -> float:
    peak = int(profile.argmax())
    half = profile[peak] / 2
    right = peak + int(np.argmax(profile[peak:] < half))
    left = peak - int(np.argmax(profile[peak::-1] < half))
    after = right - (half - profile[right]) / (profile[right - 1] - profile[right])
    before = left + (half - profile[left]) / (profile[left + 1] - profile[left])
    return float((after - before) * step_mm)


def crowd(seed: int) -> Scatterers:
    """Full speckle: many points of equal strength and either sign."""
    rng = np.random.default_rng(seed)
    count = 50_000
    x, z = rng.uniform(-10, 10, count), rng.uniform(0, DEPTH_MM + 1, count)
    return points(x, z, rng.choice([-1.0, 1.0], count))


def snr(amplitude: Array, step_mm: float) -> float:
    """Mean over SD where all elements contribute, against a slow trend over depth."""
    inner = amplitude[24:-24, int(6 / step_mm) : int(27 / step_mm)]
    depth = np.linspace(-1, 1, inner.shape[1])
    even = inner / np.polyval(np.polyfit(depth, inner.mean(axis=0), 2), depth)
    return float(even.mean() / even.std())


def test_full_speckle_has_a_rayleigh_envelope_that_looks_even_out() -> None:
    one = float(np.mean([snr(*envelope(flat(), crowd(seed))) for seed in range(5)]))
    low, high = published("speckle-envelope-snr").range
    assert low <= one <= high
    several = flat(looks_rad=((-0.15,), (0.0,), (0.15,)))
    assert snr(*envelope(several, crowd(0))) > 1.2 * one


@pytest.mark.parametrize(("frequency", "bandwidth"), [(5.0, 0.5), (7.0, 0.7), (4.0, 0.8)])
def test_axial_resolution_follows_the_length_of_the_pulse(
    frequency: float, bandwidth: float
) -> None:
    aperture = flat(frequency_mhz=frequency, bandwidth=bandwidth)
    amplitude, step = envelope(aperture, points(0.0, 15.0))
    beam = amplitude[amplitude.max(axis=1).argmax()]
    # A pulse whose band is 1 / n of its frequency has n cycles.
    cycles = 1 / bandwidth
    expected = published("axial-resolution-factor").value * cycles / frequency
    assert width_at_half(beam, step) == pytest.approx(expected, rel=0.04)
    assert aperture.axial_mm == pytest.approx(expected, rel=0.01)
    assert beam.argmax() * step == pytest.approx(15.0, abs=0.02)


@pytest.mark.parametrize("f_number", [1.5, 2.5])
@pytest.mark.parametrize("radius", [float("inf"), 60.0])
def test_lateral_resolution_follows_wavelength_and_aperture(f_number: float, radius: float) -> None:
    depth = 14.0
    aperture = flat(f_number=f_number, radius_mm=radius, bandwidth=0.3)
    amplitude, _ = envelope(aperture, points(0.0, depth))
    pitch = aperture.pitch_mm / 2 * (1 + (depth / radius if radius < 1e9 else 0))
    across = amplitude.max(axis=1)
    # One wave is sent, so only receiving focuses. A raised cosine over the aperture has half its
    # height at 2 / D exactly (its transform), against 1.2067 of a uniform one.
    assert width_at_half(across, pitch) == pytest.approx(2 * aperture.wave_mm * f_number, rel=0.08)


def test_several_waves_focus_what_is_sent() -> None:
    single, several = (
        envelope(flat(f_number=2.5, looks_rad=(waves,)), points(0.0, 14.0))[0].max(axis=1)
        for waves in ((0.0,), (-0.2, -0.1, 0.0, 0.1, 0.2))
    )
    assert width_at_half(several, 1.0) < 0.8 * width_at_half(single, 1.0)


def test_loss_grows_with_depth_and_frequency_and_shifts_the_pulse_down() -> None:
    rng = np.random.default_rng(3)
    count = 40_000
    x, z = rng.uniform(-10, 10, count), rng.uniform(0, DEPTH_MM + 1, count)
    low_db, high_db = 0.63, 1.2  # dB/(cm MHz), left and right
    loss = np.where(x < 0, low_db, high_db) * z / 10 * 6.0 * np.log(10) / 20
    lossy = points(x, z, rng.choice([-1.0, 1.0], count), loss)
    amplitude, step = envelope(flat(), lossy)
    left, right = 20 * np.log10(amplitude[20:45].mean(0)), 20 * np.log10(amplitude[-45:-20].mean(0))
    rows = slice(int(6 / step), int(24 / step))
    slope = np.polyfit(np.arange(amplitude.shape[1])[rows] * step / 10, (left - right)[rows], 1)[0]
    # Both ways, at the centre frequency; the gain over time is the same on both sides.
    assert slope == pytest.approx(2 * (high_db - low_db) * 6.0, rel=0.12)

    clean = Disturbance(-90.0, (), np.zeros(64))
    trace = receive(rng, flat(), lossy, DEPTH_MM, clean)[0, 20:44]
    quarter = trace.shape[-1] // 5

    def centre(part: Array) -> float:
        power = (np.abs(np.fft.rfft(part, axis=-1)) ** 2).mean(axis=0)
        return float((power * np.arange(power.size)).sum() / power.sum())

    assert centre(trace[:, 3 * quarter : 4 * quarter]) < 0.93 * centre(trace[:, :quarter])


def test_noise_adds_to_the_deepest_echoes() -> None:
    quiet, step = envelope(flat(), crowd(1))
    noisy, _ = envelope(flat(), crowd(1), noise_db=20.0)
    rows = slice(int(24 / step), int(29 / step))
    assert noisy[20:-20, rows].mean() > 1.5 * quiet[20:-20, rows].mean()


@pytest.mark.parametrize("radius", [float("inf"), 50.0])
def test_points_show_where_they_are(radius: float) -> None:
    aperture = flat(radius_mm=radius)
    x, z = 3.0, 14.0
    u, depth = (float(v) for v in aperture.locate(np.array(x), np.array(z)))
    amplitude, step = envelope(aperture, points(x, z))
    beam, sample = np.unravel_index(int(amplitude.argmax()), amplitude.shape)
    assert aperture.beams_mm[beam] == pytest.approx(u, abs=aperture.pitch_mm / 2)
    assert sample * step == pytest.approx(depth, abs=0.03)

    # From beams to pixels: a soft spot around the same place.
    at_u, at_depth = aperture.beams_mm[:, None], np.arange(amplitude.shape[1])[None, :] * step
    spot = np.exp(-((at_u - u) ** 2 + (at_depth - depth) ** 2) / 2).astype(np.float32) + 1e-4
    empty = Phantom(DEPTH_MM, lambda a, b: (a, b), np.zeros(2), {}, 1.0)
    still = show(np.random.default_rng(4), View.ABDOMINAL_WALL, aperture, empty, spot, step)
    rows, columns = np.nonzero(still.pixels > 0.8 * still.pixels.max())
    assert still.left_mm + columns.mean() * still.mm_per_pixel == pytest.approx(x, abs=0.15)
    assert still.top_mm + rows.mean() * still.mm_per_pixel == pytest.approx(z, abs=0.15)


@pytest.fixture(scope="module")
def still() -> Any:
    return draw_still(6)


def test_tissue_changes_at_the_true_edges_and_the_picture_shows_it(still: Any) -> None:
    x = np.linspace(-12, 12, 49)
    for name in ("eo", "io", "tra"):
        top, bottom = (np.interp(x, still.phantom.x_mm, e) for e in still.phantom.edges[name])
        for edge, inward in ((top, 0.02), (bottom, -0.02)):
            inside, outside = (still.phantom.tissue(x, edge + s * inward)[0] for s in (1, -1))
            assert np.all(outside - inside > 2)  # collagen against muscle, dB
    columns = (x - still.left_mm) / still.mm_per_pixel
    grey = still.pixels.astype(float)

    def shown(z: Array) -> float:
        rows = np.rint((z - still.top_mm) / still.mm_per_pixel).astype(int)
        return float(grey[rows, np.rint(columns).astype(int)].mean())

    edge = {name: still.edges_at(name, columns) for name in ("fat", "eo", "io", "tra")}
    for above, below in (("fat", "eo"), ("eo", "io"), ("io", "tra")):
        border = shown((edge[above][1] + edge[below][0]) / 2)
        assert border > shown(edge[below].mean(axis=0)) + 20


def test_labels_lie_between_the_edges_and_in_the_beams_alone(still: Any) -> None:
    labels = still.labels()
    columns = (np.linspace(-8, 8, 17) - still.left_mm) / still.mm_per_pixel
    for k, name in enumerate(("fat", "eo", "io", "tra")):
        inside = (still.edges_at(name, columns).mean(axis=0) - still.top_mm) / still.mm_per_pixel
        found = labels[np.rint(inside).astype(int), np.rint(columns).astype(int)]
        assert np.all(found == k + 1)
    assert not labels[:, 0].any() and not labels[:, -1].any()


def test_thickness_is_perpendicular(still: Any) -> None:
    x = np.linspace(-20, 20, 401)
    slab = np.stack([10 + 0.75 * x, 14 + 0.75 * x])
    still = type(still)(
        **{
            **vars(still),
            "phantom": Phantom(30.0, still.phantom.tissue, x, {"io": slab}, 5.0),
        }
    )
    assert thickness_mm(still, "io", 2.0) == pytest.approx(3.2, abs=1e-6)  # 4 mm x 4 / 5


def test_base_is_compared_at_the_middle_of_the_bladder(still: Any) -> None:
    x = np.linspace(-30, 30, 601)
    height = 10 * np.sqrt(np.clip(1 - (x / 20) ** 2, 0, None))
    lumen = np.where(np.abs(x) < 20, np.stack([20 - height, 20 + height]), np.nan)
    body = Phantom(40.0, still.phantom.tissue, x, {"bladder": lumen}, 5.0)
    still = type(still)(**{**vars(still), "phantom": body, "view": View.BLADDER})
    column = np.linspace(0, still.pixels.shape[1] - 1, 90, dtype=np.float32)
    edges = np.full((5, 90), np.nan, np.float32)
    deep, shallow = edges.copy(), edges.copy()
    deep[4] = (still.edges_at("bladder", column)[1] - 0.3 - still.top_mm) / still.mm_per_pixel
    found = Boundaries(column, shallow, deep, np.ones((5, 90), np.float32))
    one = compare_base(still, found)
    assert one.true == pytest.approx(29.9, abs=0.1)
    assert one.found - one.true == pytest.approx(-0.3, abs=0.03)
    assert np.isnan(compare_base(still, None).found)


@pytest.mark.parametrize("is_wide", [False, True])
def test_same_number_draws_the_same_body(is_wide: bool) -> None:
    both = []
    for _ in range(2):
        rng = np.random.default_rng(11)
        sizes = wall_sizes(rng)
        both.append((sizes, draw_wall(rng, flat(), sizes, 45.0, is_wide=is_wide).edges["tra"]))
    assert both[0][0] == both[1][0]
    np.testing.assert_array_equal(both[0][1], both[1][1])


def test_wide_walls_have_borders_and_greys_of_their_own_at_the_same_edges() -> None:
    plain, wide = (
        draw_wall(np.random.default_rng(12), flat(), sizes, 45.0, is_wide=is_wide)
        for sizes in [wall_sizes(np.random.default_rng(11))]
        for is_wide in (False, True)
    )
    for name, edge in plain.edges.items():
        np.testing.assert_array_equal(edge, wide.edges[name])
    middle = np.zeros(1), wide.edges["eo"].mean(axis=0)[[wide.x_mm.size // 2]]
    assert wide.tissue(*middle)[0] != plain.tissue(*middle)[0]


def test_table_tells_refused_from_withheld() -> None:
    results = [
        StillResult(0, "abdominal_wall", "", [Value("tra", 4.0, 4.2, 3.5, 4.9), Value("eo", 8.0)]),
        StillResult(
            2, "abdominal_wall", "", [Value("tra", 3.0, 2.6, 2.5, 2.7)], frozenset({"tra"})
        ),
        StillResult(4, "abdominal_wall", "no view", [Value("tra", 5.0), Value("eo", 7.0)]),
        StillResult(1, "bladder", "", [Value("bladder", 60.0, 59.5)]),
    ]
    summary = summarise(results)
    rows = {row["structure"]: row for row in summary["structures"]}
    tra = rows["tra"]
    assert tra["mean_absolute_error_mm"] == pytest.approx(0.3)
    assert tra["bias_mm"] == pytest.approx(-0.1)
    assert tra["refused_percent"] == pytest.approx(100 / 3)
    assert (tra["withheld_percent"], tra["inside_interval_percent"]) == (0.0, 50.0)
    assert (rows["eo"]["refused_percent"], rows["eo"]["withheld_percent"]) == (50.0, 50.0)
    assert rows["eo"]["mean_absolute_error_mm"] is None
    assert tra["named_wrongly_percent"] == pytest.approx(100 / 3)
    assert rows["eo"]["named_wrongly_percent"] == 0
    assert rows["bladder"]["bias_mm"] == pytest.approx(-0.5)
    assert summary["view_right_percent"] == {"abdominal_wall": pytest.approx(200 / 3),
                                             "bladder": 100.0}  # fmt: skip
    assert summary["not_measured"] == ["abdominal_wall 4: no view"]


def test_gross_errors_are_counted_by_what_the_value_is_used_for() -> None:
    walls = [Value("fat", 10.0, found) for found in (8.9, 9.1, 11.1, float("nan"))]
    bases = [Value("bladder", 60.0, found) for found in (57.5, 63.2)]
    results = [StillResult(0, "abdominal_wall", "", walls), StillResult(1, "bladder", "", bases)]
    gross = {row["structure"]: row["gross"] for row in summarise(results)["structures"]}
    assert gross == {"fat": 2, "bladder": 1}
