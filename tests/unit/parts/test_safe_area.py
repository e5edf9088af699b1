"""Derating and safe operating areas, against figures of published data sheets."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.core.substitutes import Ratings, SoaCurve, SoaPoint
from benchwarden.errors import JobError
from benchwarden.parts.load_line import LOWEST_HZ, Load, loop
from benchwarden.parts.parts_list import example_parts
from benchwarden.parts.safe_area import (
    Nearest,
    Thermal,
    checked_area,
    derated_a,
    limit_a,
    nearest,
    thermal_of,
)


def curve(*corners: tuple[float, float], pulse_s: float | None = None) -> SoaCurve:
    """Return a boundary of volts and amperes."""
    return SoaCurve(pulse_s, tuple(SoaPoint(v, i) for v, i in corners))


def near(
    area: tuple[SoaCurve, ...], thermal: Thermal, load: Load, case_c: float, vceo_v: float | None = None
) -> Nearest:
    """Return how near the load comes, which it does."""
    found = nearest(area, thermal, load, case_c, vceo_v)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("power_w", "tj_max_c", "rth", "w_per_k"),
    [
        # TIP3055: ON Semiconductor TIP3055/D rev. 5. 2N3739: MIL-PRF-19500/402 as summarised elsewhere.
        # The others: sheets named in the example parts list, read in copies.
        pytest.param(90.0, 150.0, 1.39, 0.72, id="TIP3055"),
        pytest.param(20.0, 200.0, None, 0.114, id="2N3739"),
        pytest.param(115.0, 200.0, 1.52, 0.657, id="2N3055"),
        pytest.param(250.0, 200.0, 0.70, 1.43, id="MJ15003"),
        pytest.param(180.0, 200.0, 0.98, 1.03, id="MJ15015"),
        pytest.param(50.0, 150.0, 2.5, 0.40, id="MJE15032"),
    ],
)
def test_derating_is_the_sheets(power_w: float, tj_max_c: float, rth: float | None, w_per_k: float) -> None:
    thermal = thermal_of(Ratings("X", "sheet", power_w=power_w, tj_max_c=tj_max_c, rth_jc_k_per_w=rth))
    assert thermal is not None
    per_k = thermal.power_w * (thermal.share(75.0) - thermal.share(76.0))
    assert per_k == pytest.approx(w_per_k, rel=0.01)
    assert thermal.share(tj_max_c + 1.0) == 0.0
    assert thermal.share(0.0) == 1.0


def test_two_of_three_thermal_figures_make_the_third() -> None:
    # MJ15003/D: 250 W, 200 C, 0.70 K/W belong together.
    power = thermal_of(Ratings("X", "s", tj_max_c=200.0, rth_jc_k_per_w=0.70))
    tj = thermal_of(Ratings("X", "s", power_w=250.0, rth_jc_k_per_w=0.70))
    rth = thermal_of(Ratings("X", "s", power_w=250.0, tj_max_c=200.0))
    assert power is not None
    assert tj is not None
    assert rth is not None
    assert power.power_w == pytest.approx(250.0)
    assert tj.tj_max_c == pytest.approx(200.0)
    assert rth.rth_jc_k_per_w == pytest.approx(0.70)
    for known in ({"power_w": 250.0}, {"tj_max_c": 200.0}, {"rth_jc_k_per_w": 0.7}, {}):
        assert thermal_of(Ratings("X", "s", **known)) is None  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("marking", "volts", "amps"),
    [
        # Second breakdown current, base forward biased, as tested by the makers: 2N3055/D, MJ15003/D (the 100 V
        # figure from memory), MJ15022/D; in between a straight line on log-log axes, the geometric mean.
        ("2N3055", 40.0, 2.87),
        ("MJ15003", 50.0, 5.0),
        ("MJ15003", 100.0, 1.0),
        ("MJ15024", 50.0, 5.0),
        ("MJ15024", 80.0, 2.0),
        ("MJ15024", math.sqrt(50.0 * 80.0), math.sqrt(5.0 * 2.0)),
    ],
)
def test_corners_of_published_areas(marking: str, volts: float, amps: float) -> None:
    area = checked_area(example_parts()[marking])
    assert float(limit_a(area[0], volts)) == pytest.approx(amps, rel=1e-3)


def test_a_real_area_is_power_up_to_second_breakdown() -> None:
    area = checked_area(example_parts()["MJ15003"])
    volts = np.array([12.5, 20.0, 30.0, 50.0])
    # 250 W at 50 V is what the sheet's first page says.
    assert limit_a(area[0], volts) * volts == pytest.approx(250.0)
    # Half way from 25 C to 200 C half the power is left; the wires' 20 A stand until the power is below.
    assert derated_a(area[0], volts, 0.5) * volts == pytest.approx(125.0)
    assert float(derated_a(area[0], 5.0, 0.5)) == pytest.approx(20.0)
    assert float(derated_a(area[0], 10.0, 0.5)) == pytest.approx(12.5)
    assert float(derated_a(area[0], 100.1, 1.0)) == 0.0
    assert float(derated_a(area[0], 50.0, 0.0)) == 0.0


@pytest.mark.parametrize(
    ("supply_v", "least_ohm"),
    # Neamen, Microelectronics, exercise Ex 15.1, read in a copy, answers from memory: 30 W, 5 A, 75 V, second
    # breakdown left out: 30 ohm at 60 V, 13.3 ohm at 40 V, 4 ohm at 20 V.
    [(60.0, 30.0), (40.0, 13.33), (20.0, 4.0)],
)
def test_smallest_load_of_a_textbook_transistor(supply_v: float, least_ohm: float) -> None:
    area = (curve((6.0, 5.0), (75.0, 0.4)),)
    thermal = thermal_of(Ratings("X", "s", power_w=30.0, tj_max_c=150.0))
    assert thermal is not None
    load = Load("line", True, loop(supply_v, supply_v, least_ohm), 0.0, 1.0)
    found = near(area, thermal, load, 25.0)
    assert found.margin_pct == pytest.approx(0.0, abs=0.1)
    smaller = Load("line", True, loop(supply_v, supply_v, least_ohm * 0.9), 0.0, 1.0)
    assert near(area, thermal, smaller, 25.0).margin_pct == pytest.approx(-10.0, abs=0.1)


def test_pulse_curve_counts_only_when_it_is_long_enough() -> None:
    thermal = thermal_of(Ratings("X", "s", power_w=100.0, tj_max_c=200.0))
    assert thermal is not None
    # V^2 / 4R = 112.5 W at the middle of the line, above 100 W between two currents that the quadratic gives.
    line = Load("line", True, loop(60.0, 60.0, 8.0), 0.0, 1.0)
    root = math.sqrt(60.0**2 - 4.0 * 8.0 * 100.0)
    turns = [math.asin((60.0 - v) / 60.0) for v in ((60.0 + root) / 2.0, (60.0 - root) / 2.0)]
    expected_s = (turns[1] - turns[0]) / (2.0 * math.pi) / LOWEST_HZ
    dc, short, long = (curve((10.0, 10.0), (100.0, 1.0), pulse_s=p) for p in (None, 1e-3, 0.1))
    better = curve((10.0, 20.0), (100.0, 2.0), pulse_s=0.1)
    alone = near((dc,), thermal, line, 25.0)
    assert alone.beyond_dc_s == pytest.approx(expected_s, abs=1.0 / LOWEST_HZ / 700.0)
    assert alone.margin_pct == pytest.approx(100.0 * (100.0 / 112.5 - 1.0), abs=0.1)
    assert near((dc, short), thermal, line, 25.0).boundary.curve is dc
    assert near((dc, better, short), thermal, line, 25.0).boundary.curve is better
    assert near((dc, better), thermal, line, 25.0).margin_pct > 0.0
    assert near((dc, long), thermal, line, 25.0).margin_pct == pytest.approx(alone.margin_pct)


def test_a_pulse_starts_from_the_mean_junction() -> None:
    thermal = thermal_of(Ratings("X", "s", power_w=100.0, tj_max_c=200.0))
    assert thermal is not None
    area = (curve((10.0, 10.0), (100.0, 1.0)), curve((10.0, 20.0), (100.0, 2.0), pulse_s=0.1))
    cool = near(area, thermal, Load("", True, loop(60.0, 60.0, 8.0), 0.0, 1.0), 25.0)
    warm = near(area, thermal, Load("", True, loop(60.0, 60.0, 8.0), 20.0, 1.0), 25.0)
    # 20 W over 1.75 K/W: 35 of 175 K are gone, a fifth of the pulse's power with them.
    assert warm.boundary.share == pytest.approx(0.8)
    assert warm.limit_a / cool.limit_a == pytest.approx(0.8, rel=0.01)


def test_direct_current_counts_where_a_hot_junction_leaves_a_pulse_less() -> None:
    thermal = thermal_of(Ratings("X", "s", power_w=100.0, tj_max_c=200.0))
    assert thermal is not None
    area = (curve((10.0, 10.0), (100.0, 1.0)), curve((10.0, 20.0), (100.0, 2.0), pulse_s=0.1))
    found = near(area, thermal, Load("", True, loop(60.0, 60.0, 8.0), 60.0, 1.0), 25.0)
    # 60 W leave 70 of 175 K, 80 W of the pulse's 200 W: less than direct current's 100 W.
    assert found.boundary.curve is area[0]
    assert found.margin_pct == pytest.approx(100.0 * (100.0 / 112.5 - 1.0), abs=0.1)


def test_an_area_that_ends_early_leaves_the_rest_unknown() -> None:
    thermal = thermal_of(Ratings("X", "s", power_w=1000.0, tj_max_c=200.0))
    assert thermal is not None
    area = (curve((10.0, 30.0), (50.0, 10.0)),)
    line = Load("", False, loop(40.0, 40.0, 8.0, 60.0), 0.0, 1.0)
    known = near(area, thermal, line, 25.0, vceo_v=100.0)
    assert known.margin_pct > 0.0
    assert known.unknown_v == pytest.approx(40.0 * (1.0 + math.sin(math.radians(60.0))), rel=0.01)
    beyond = near(area, thermal, line, 25.0, vceo_v=50.0)
    assert beyond.unknown_v is None
    assert beyond.margin_pct == -100.0
    with_resistor = Load("", False, loop(40.0, 39.0, 8.0), 0.0, 1.0)
    assert nearest((curve((0.1, 30.0), (0.5, 10.0)),), thermal, with_resistor, 25.0, vceo_v=100.0) is None


@given(
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
    st.lists(st.tuples(st.floats(1.01, 3.0), st.floats(0.05, 1.0)), min_size=1, max_size=5),
)
def test_less_power_left_never_allows_more_current(a: float, b: float, steps: list[tuple[float, float]]) -> None:
    corners = [(2.0, 10.0)]
    for up, down in steps:
        corners.append((corners[-1][0] * up, corners[-1][1] * down))
    area = checked_area(Ratings("X", "s", soa=(curve(*corners),)))
    volts = np.geomspace(0.5, corners[-1][0] * 1.5, 97)
    less, more = derated_a(area[0], volts, min(a, b)), derated_a(area[0], volts, max(a, b))
    assert np.all(less <= more * (1.0 + 1e-12))
    assert np.all(more <= limit_a(area[0], volts) * (1.0 + 1e-12))


@pytest.mark.parametrize(
    ("curves", "message"),
    [
        ((curve((10.0, 1.0)),), "direct current: 1 corners; allowed: two or more"),
        ((curve((10.0, 1.0), (10.0, 0.5)),), "volts 10, 10; allowed: rising"),
        ((curve((10.0, 1.0), (20.0, 1.5)),), "amperes 1, 1.5; allowed: level or falling"),
        ((curve((10.0, 1.0), (20.0, 0.5)),) * 2, "direct current: there twice"),
        ((curve((0.0, 1.0), (20.0, 0.5), pulse_s=1e-3),), "1 ms pulse: a corner at 0"),
    ],
)
def test_an_area_that_contradicts_itself_is_refused(curves: tuple[SoaCurve, ...], message: str) -> None:
    with pytest.raises(JobError, match=message):
        checked_area(Ratings("X 1", "s", soa=curves))
