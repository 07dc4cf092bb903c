"""Timing and comparing of training runs: what is counted of a log, and what a pool gives."""

from pathlib import Path

import numpy as np
import pytest

from layermotion.training.tracking import Metric

SCRIPTS = Path(__file__).parent.parent / "scripts"


@pytest.fixture(autouse=True)
def scripts_on_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SCRIPTS))


def test_the_first_half_of_a_run_does_not_count() -> None:
    import scaling

    # Ten steps take 10 s at first and 2 s later.
    log = []
    for step, time_s, wait, busy in (
        (10, 0.0, 0.9, 0.1), (20, 10.0, 0.8, 0.2), (30, 12.0, 0.2, 0.6), (40, 14.0, 0.4, 0.8),
    ):  # fmt: skip
        log.append(Metric(step, time_s, "data_wait_share", wait))
        log.append(Metric(step, time_s, "gpu_utilisation", busy))
    alone = scaling.read_speed(log, "fresh", 1, 3, 16)
    assert alone.images_per_second == pytest.approx(20 * 16 / 4)
    assert (alone.data_wait_share, alone.gpu_utilisation) == pytest.approx((0.3, 0.7))
    two = scaling.read_speed(log, "fresh", 2, 3, 16)
    assert two.images_per_second == pytest.approx(2 * alone.images_per_second)
    lines = scaling.table_text([alone, two]).splitlines()
    assert " 1.00 " in lines[1] and " 2.00 " in lines[2]


def test_a_pool_is_drawn_once_and_shares_nothing_with_what_is_scored(tmp_path: Path) -> None:
    import ablation

    pool = ablation.make_pool(tmp_path, 64, 6)
    scored = ablation.make_pool(tmp_path, 64, 6, ablation.SCORED_STREAM)
    again = ablation.make_pool(tmp_path, 64, 99)
    assert [len(p.arrays[2]) for p in (pool, scored, again)] == [6, 6, 6]
    images = [p[k].image.tobytes() for p in (pool, scored) for k in range(6)]
    assert len(set(images)) == 12 and pool.source != scored.source
    drawn = {pool(np.random.default_rng(k), 64).image.tobytes() for k in range(60)}
    assert drawn == set(images[:6])


def test_the_table_says_what_each_variant_changes() -> None:
    import ablation
    import model_card

    row = {
        "steps": 10, "pictures": 20, "dice_tra": 0.5, "dice_mean": 0.6, "height_tra_mm": 1.0,
        "height_io_mm": 2.0, "cpu_ms": 30.0,
    }  # fmt: skip
    rows = [row | {"variant": n, "change": " ".join(c)} for n, c in ablation.VARIANTS.items()]
    lines = model_card.variant_lines({"command": "python x", "rows": rows})
    assert len(lines) == 4 + len(ablation.VARIANTS)
    assert lines[4].startswith("| as shipped |  | 0.500 | 0.600 | 1.00 mm | 2.00 mm | 30 ms |")
    assert any("| 384 rows | `size_px=384` |" in line for line in lines)
