"""The heat ladder against published step responses, and its own balance."""

import math

import pytest

from benchwarden.virtual.thermal import HeatPath


def ladder(rth_jc, c_junction, rth_cs, c_case, rth_sa, c_sink, ambient_c=0.0, devices=1):
    return HeatPath(
        devices=devices,
        rth_jc=rth_jc,
        c_junction=c_junction,
        rth_cs=rth_cs,
        c_case=c_case,
        rth_sa=rth_sa,
        c_sink=c_sink,
        coupling=0.9,
        spreader_lag_s=30.0,
        sensor_lag_s=6.0,
        ambient_c=ambient_c,
    )


@pytest.mark.parametrize(("t_s", "zth"), [(0.1, 0.1150629), (1.0, 0.8224457), (10.0, 2.2641957), (100.0, 2.9999092)])
def test_two_stage_step_response(t_s, zth):
    """Foster R (1, 2), C (1, 5) as its Cauer ladder C 5/6, R 24/17, C 289/54, R 27/17.

    Source: JESD51-14 form, Foster-to-Cauer by polynomial division as in the
    pyrth documentation. 10 ms steps; what splitting the ladder costs is below
    0.5 % at ten steps and vanishes after.
    """
    heat = ladder(24 / 17, 5 / 6, 27 / 17, 289 / 54, 1e-9, 1.0)
    for _ in range(round(t_s / 0.01)):
        heat.step(0.01, 1.0, 0.0, 0.0)
    assert heat.junction_c == pytest.approx(zth, rel=5e-3 if t_s < 1.0 else 2e-3)


@pytest.mark.parametrize(("dt_s", "tolerance"), [(0.01, 0.02), (0.0025, 0.005)])
def test_three_stage_step_response(dt_s, tolerance):
    """Foster R (1/2, 1, 2), C (1/10, 2, 50) through its published Cauer values, over 400 s."""
    heat = ladder(0.5526606216, 0.0950570342, 1.0300715662, 1.9240125630, 1.9172678123, 50.0955483502)
    steps = 0
    for t_s in (0.05, 0.2, 1.0, 5.0, 20.0, 100.0, 400.0):
        while steps < round(t_s / dt_s):
            heat.step(dt_s, 1.0, 0.0, 0.0)
            steps += 1
        exact = sum(r * (1.0 - math.exp(-t_s / (r * c))) for r, c in ((0.5, 0.1), (1.0, 2.0), (2.0, 50.0)))
        assert heat.junction_c == pytest.approx(exact, rel=tolerance)
    for _ in range(round(1000.0 / dt_s)):
        heat.step(dt_s, 1.0, 0.0, 0.0)
    assert heat.junction_c == pytest.approx(3.5, rel=1e-4)


@pytest.mark.parametrize("dt_s", [0.0025, 0.01, 1.0])
def test_heat_in_equals_heat_out_plus_heat_held(dt_s):
    """First law; holds at any step, also at one a hundred times too long."""
    heat = ladder(1.2, 0.03, 0.6, 5.0, 1.5, 300.0, ambient_c=23.0, devices=4)
    for k in range(2000):
        heat.step(dt_s, 10.0 + 8.0 * math.sin(k), 0.5, 23.0)
    assert heat.heat_in_j == pytest.approx(heat.heat_out_j + heat.stored_j(23.0), rel=1e-9)
    assert heat.heat_out_j > 0.0


def test_steady_state_is_the_sum_of_resistances():
    """TDA1521A example: 7.8 W, Rjc 6, sink 5.538 K/W, ambient 60 C: junction 150 C (Philips, July 1994, p. 5)."""
    heat = ladder(6.0, 0.05, 1e-6, 2.0, 5.538, 20.0, ambient_c=60.0)
    for _ in range(200_000):
        heat.step(0.01, 7.8, 0.0, 60.0)
    assert heat.junction_c == pytest.approx(150.0, abs=0.05)
    assert heat.spreader_c == pytest.approx(60.0 + 0.9 * 7.8 * 5.538, abs=0.05)
    assert heat.sensor_c == pytest.approx(heat.sink_c, abs=0.01)
