"""The output stage against published figures of class-B dissipation, bias and thermal stability."""

import math
from dataclasses import replace

import pytest

from benchwarden.virtual.amplifier import (
    BOLTZMANN_V,
    SATURATION_V,
    OutputStage,
    StageParams,
    class_ab_mean_a,
    compensation_for_loop_gain,
    equilibrium,
    idle_current_a,
    setting_for,
    tempco_v_per_k,
    temperatures_at,
    thermal_loop_gain,
)

STAGE = StageParams(pairs=1, emitter_ohm=0.22, target_drop_v=0.011)


@pytest.mark.parametrize(
    ("t_c", "mv"), [(20, 25.26171), (25, 25.69258), (40, 26.98518), (75, 30.00125), (100, 32.15558)]
)
def test_thermal_voltage(t_c, mv):
    """kT/q from the exact SI constants."""
    assert BOLTZMANN_V * (t_c + 273.15) * 1e3 == pytest.approx(mv, abs=1e-5)


def test_junction_tempco():
    """(V - 1.12 - 3 kT/q)/T is -1.992 mV/K at 0.60 V and 300 K: the standard result."""
    vt = BOLTZMANN_V * 300.15
    stage = replace(STAGE, gap_v=1.12, saturation_a=math.exp(-0.60 / vt))
    # 1 A across that Is at 27 C is 0.60 V; the published figure is for 300 K.
    assert tempco_v_per_k(stage, 1.0, 300.15) * 1e3 == pytest.approx(-1.992, abs=0.01)


def test_ten_kelvin_at_fixed_bias_without_emitter_resistor():
    """Current times exp(20/25.85) = 2.168 for 10 K at 2 mV/K; the full law is within 10 % of that straight line."""
    stage = replace(STAGE, emitter_ohm=1e-9, ohmic_ohm=0.0)
    first = idle_current_a(stage, 0.60, 300.0)
    assert idle_current_a(stage, 0.60, 310.0) / first == pytest.approx(2.168, rel=0.10)


@pytest.mark.parametrize(("rail_v", "emitter_ohm", "rth"), [(35.0, 0.22, 6.27), (35.0, 0.33, 9.40), (50.0, 0.22, 4.39)])
def test_uncompensated_stage_is_stable_below_the_textbook_resistance(rail_v, emitter_ohm, rth):
    """Uncompensated, 2 mV/K, Iq = 26 mV/Re: dP/dT < 1/Rth, worked numbers computed from that relation.

    The textbook leaves out that the emitter resistor takes heat off the device
    (0.15 % here); Is is chosen so that the junction falls by 2 mV/K.
    """
    current = 0.026 / emitter_ohm
    t_k = 300.0
    v = 1.11 + 3.0 * BOLTZMANN_V * t_k - 0.002 * t_k
    stage = StageParams(
        pairs=1,
        emitter_ohm=emitter_ohm,
        target_drop_v=0.026,
        ohmic_ohm=0.0,
        saturation_a=current * math.exp(-v / (BOLTZMANN_V * t_k)),
        drivers=0,
        compensation=0.0,
        rth_jc=1.0,
        rth_cs=0.5,
        rth_sa=0.5 * (rth - 1.5),
    )
    # Is is stated at 27 C, 0.15 K away from where it was chosen.
    gain = thermal_loop_gain(stage, rail_v, junction_c=t_k - 273.15)
    assert gain == pytest.approx(1.0, rel=0.01)


def test_loop_gain_is_the_slope_of_the_thermal_chain():
    """1 - gain, times conductance, is how the needed setting rises with current: checked by differences."""
    stage = replace(STAGE, pairs=3, compensation=0.8, coupling=0.9)
    rail_v, current = 42.0, STAGE.target_drop_v / STAGE.emitter_ohm
    at = temperatures_at(stage, current, rail_v, 25.0)
    h = 1e-6
    high = setting_for(stage, current + h, temperatures_at(stage, current + h, rail_v, 25.0))
    low = setting_for(stage, current - h, temperatures_at(stage, current - h, rail_v, 25.0))
    ohm = stage.emitter_ohm + stage.ohmic_ohm + BOLTZMANN_V * (at.junction_c + 273.15) / current
    numeric = 1.0 - (high - low) / (2.0 * h) / ohm
    assert thermal_loop_gain(stage, rail_v, junction_c=at.junction_c) == pytest.approx(numeric, abs=1e-5)


@pytest.mark.parametrize("gain", [0.2, 0.7, 1.3, 3.0])
def test_compensation_gives_the_loop_gain_asked_for(gain):
    ratio = compensation_for_loop_gain(STAGE, 42.0, gain)
    assert thermal_loop_gain(replace(STAGE, compensation=ratio), 42.0) == pytest.approx(gain, rel=1e-9)


def run(
    stage: OutputStage,
    seconds: float,
    rail_v: float = 42.0,
    ambient_c: float = 23.0,
    level: float = 0.0,
    load_s: float = 0.0,
) -> None:
    for _ in range(round(seconds / 0.01)):
        stage.step(0.01, rail_v, rail_v, ambient_c, level, load_s, 0.0, 0.0)


@pytest.mark.parametrize("gain", [0.1, 0.5, 0.8])
def test_settles_at_the_analytic_equilibrium(gain):
    params = replace(STAGE, c_sink=25.0)
    params = replace(params, compensation=compensation_for_loop_gain(params, 42.0, gain))
    stage = OutputStage(params, 42.0, 23.0)
    current = params.target_drop_v / params.emitter_ohm
    stage.setting_v = setting_for(params, current, temperatures_at(params, current, 42.0, 23.0))
    end = equilibrium(params, stage.setting_v, 42.0, 23.0)
    assert end is not None
    assert end.current_a == pytest.approx(current, rel=1e-6)
    run(stage, 3000.0)
    assert stage.drop_v == pytest.approx(params.target_drop_v, rel=1e-3)
    assert stage.heat.sink_c == pytest.approx(end.sink_c, abs=0.02)
    assert stage.heat.junction_c == pytest.approx(end.junction_c, abs=0.02)


def test_loop_gain_above_one_has_no_equilibrium_and_runs_away():
    params = replace(STAGE, c_sink=60.0)
    params = replace(params, compensation=compensation_for_loop_gain(params, 42.0, 1.2, drop_v=0.008))
    stage = OutputStage(params, 42.0, 23.0)
    stage.set_drop(0.008, 42.0)
    run(stage, 10.0)
    start = stage.drop_v
    rates = []
    for _ in range(3):
        before = stage.drop_v
        run(stage, 60.0)
        rates.append(stage.drop_v - before)
    assert 0.0 < rates[0] < rates[1] < rates[2]
    run(stage, 1200.0)
    assert stage.drop_v > 10.0 * start
    # A device would melt before it found a balance.
    end = equilibrium(params, stage.setting_v, 42.0, 23.0)
    assert end is None or end.junction_c > params.tj_max_c


@pytest.mark.parametrize(
    ("power_share", "of_clip", "of_worst"),
    [(1 / 8, 0.32516, 0.802), (1 / 3, 0.40177, 0.991), (0.5, 0.40032, None), (1.0, 0.27324, None)],
)
def test_class_b_dissipation(power_share, of_clip, of_worst):
    """0.32516 and 0.40177 of the largest output at 1/8 and 1/3 of it, 80.2 % and 99.1 % of the worst case: formula."""
    rail_v, load_ohm = 35.0, 8.0
    power, _ = driven(rail_v, load_ohm, rail_v * math.sqrt(power_share))
    largest = rail_v**2 / (2.0 * load_ohm)
    assert power / largest == pytest.approx(of_clip, abs=1e-5)
    if of_worst is not None:
        worst, _ = driven(rail_v, load_ohm, 2.0 * rail_v / math.pi)
        assert power / worst == pytest.approx(of_worst, abs=5e-4)


def test_class_b_worked_example():
    """Boylestad, example 12.8: 30 V, 16 ohm: 35.81 W in, 28.125 W out, at worst 11.40 W in the pair."""
    _, supplied = driven(30.0, 16.0, 30.0)
    assert supplied == pytest.approx(35.81, abs=0.01)
    worst, _ = driven(30.0, 16.0, 60.0 / math.pi)
    assert worst == pytest.approx(11.40, abs=0.01)


def driven(rail_v: float, load_ohm: float, peak_v: float) -> tuple[float, float]:
    """Return (watts in the devices, watts from the rails) of a stage without idle current or resistors."""
    stage = OutputStage(
        replace(STAGE, emitter_ohm=1e-9, offset_v=0.0, offset_v_per_k=0.0, clip_margin_v=0.0), rail_v, 25.0
    )
    stage.setting_v = -1.0
    stage.step(0.01, rail_v, rail_v, 25.0, peak_v / rail_v, 1.0 / load_ohm, 0.0, 0.0)
    return stage.power_w, rail_v * (stage.pos_a + stage.neg_a)


@pytest.mark.parametrize("ratio", [0.1, 0.5, 1.0, 2.0, 5.0, 50.0])
def test_idle_and_drive_blend_as_the_exponential_pair_does(ratio):
    """Mean of one side of a pair with i+ i- = Iq^2, by numeric integration: within 0.8 % at any drive."""
    idle, half, n = 0.1, 0.1 * ratio, 4000
    waves = [half * math.sin(2.0 * math.pi * (k + 0.5) / n) for k in range(n)]
    mean = sum(wave + math.hypot(wave, idle) for wave in waves) / n
    assert class_ab_mean_a(idle, 2.0 * half) == pytest.approx(mean, rel=0.008)


def test_pot_sets_the_drop_at_the_present_temperature():
    stage = OutputStage(STAGE, 42.0, 23.0)
    stage.set_drop(2e-5, 42.0)
    run(stage, 1.0)
    assert stage.drop_v < 1e-4
    for target in (0.004, 0.011, 0.030):
        stage.set_drop(target, 42.0)
        stage.step(0.01, 42.0, 42.0, 23.0, 0.0, 0.0, 0.0, 0.0)
        assert stage.drop_v == pytest.approx(target, rel=1e-6)
        run(stage, 200.0)
        assert stage.drop_if_on_v() == pytest.approx(stage.drop_v, rel=1e-4)


def test_energy_balances_idle_driven_and_oscillating():
    """Rails in = heat in devices + resistors + load + output network; heat in = heat out + heat held."""
    stage = OutputStage(STAGE, 42.0, 23.0)
    stage.set_drop(0.011, 42.0)
    for level, load_s, hf in ((0.0, 0.0, 0.0), (0.35, 0.125, 0.0), (0.0, 0.0, 5.0)):
        stage.hf_fault_v = hf
        before = stage.heat.heat_in_j
        stage.step(0.01, 42.0, 42.0, 23.0, level, load_s, 0.0, 0.0)
        rails = 42.0 * (stage.pos_a + stage.neg_a)
        devices = (stage.heat.heat_in_j - before) / 0.01
        assert devices == pytest.approx(stage.power_w, rel=1e-9)
        idle = stage.idle_a
        peak = level * (42.0 - SATURATION_V) / (1.0 + STAGE.emitter_ohm * load_s) * load_s
        resistors = STAGE.emitter_ohm * (2.0 * idle**2 + 0.5 * peak**2)
        network = 0.5 * hf**2 * 10.0 / (100.0 + (1.0 / (2 * math.pi * STAGE.oscillation_hz * STAGE.snub_f)) ** 2)
        assert rails == pytest.approx(devices + resistors + stage.load_w + network, rel=1e-6)
    heat = stage.heat
    assert heat.heat_in_j == pytest.approx(heat.heat_out_j + heat.stored_j(23.0), rel=1e-6)


def test_leak_shows_as_bias_current_the_pot_does_not_control():
    """Junction product law I (I - L) = I0^2 with the resistors' drop: solved by bisection here."""
    stage = OutputStage(STAGE, 42.0, 25.0)
    stage.set_drop(0.011, 42.0)
    stage.leak_a = 0.03
    stage.step(0.01, 42.0, 42.0, 25.0, 0.0, 0.0, 0.0, 0.0)
    half, vt, ohm = stage.setting_v, BOLTZMANN_V * 298.15, STAGE.emitter_ohm + STAGE.ohmic_ohm
    i0 = 0.011 / STAGE.emitter_ohm
    saturation = math.exp(math.log(i0) - (half - i0 * ohm) / vt)
    low, high = 0.0301, 1.0
    for _ in range(80):
        mid = 0.5 * (low + high)
        need = 0.5 * vt * (math.log(mid / saturation) + math.log((mid - 0.03) / saturation)) + mid * ohm
        low, high = (mid, high) if need < half else (low, mid)
    assert stage.idle_a == pytest.approx(mid, rel=1e-4)
    # With the pot at minimum the leak alone is left, doubled for every 10 K of junction.
    stage.set_drop(2e-5, 42.0)
    leak_a = 0.03 * 2.0 ** ((stage.heat.junction_c - 25.0) / 10.0)
    stage.step(0.01, 42.0, 42.0, 25.0, 0.0, 0.0, 0.0, 0.0)
    assert stage.idle_a == pytest.approx(leak_a, rel=1e-3)
