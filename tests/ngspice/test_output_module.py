"""The drawn output module, simulated: bias, offset, HF level, against the firmware's conversion."""

import numpy as np
import pytest

from benchwarden.core.tolerances import tolerances
from circuits import output_bench as bench
from circuits import spice
from circuits.ngspice import run
from circuits.sheets.output_module import LEFT
from wardenfw import scale, wire

pytestmark = pytest.mark.ngspice

BIAS, OFFSET, HF = (wire.CHANNELS.index(n) for n in ("bias_left_v", "offset_left_v", "hf_left_v"))


def budgeted(channel: int, kind: str) -> float:
    """Return the sum of a channel's limits of one kind: what the uncertainty of a reading allows for."""
    return sum(item.limit for item in tolerances(wire.CHANNELS[channel]) if item.kind == kind)


def told(channel: int, volts: float, lsb_v: float) -> float:
    """Return what the firmware makes of a differential voltage at the converter."""
    return scale.to_si(channel, volts / lsb_v)


@pytest.mark.parametrize("volts", [-80.0, -1.0, 0.1, 1.0, 40.0, 80.0])
def test_offset_is_told_within_1_percent(volts):
    got = bench.static(offset_v=volts)
    # the converter's own input current weighs 10 mV at the terminal
    assert told(OFFSET, got["offset"], scale.AIN_LSB_V) == pytest.approx(volts, rel=0.01, abs=0.012)
    assert budgeted(OFFSET, "offset") > 0.012


@pytest.mark.parametrize("volts", [-0.2, 0.005, 0.011, 0.022, 0.25])
def test_bias_is_told_within_1_percent(volts):
    got = bench.static(bias_v=volts)
    # always sampled, which is the worst; 50 uV is the input current's
    error_v = abs(told(BIAS, got["bias"], scale.BIAS_LSB_V) - volts)
    assert error_v < 0.01 * abs(volts) + 50e-6
    assert error_v < budgeted(BIAS, "gain") * abs(volts) + budgeted(BIAS, "offset")


def test_corner_frequencies():
    """Closed forms: 1 / (2 pi R C) with what the capacitor sees."""
    for element, plus, expected in (
        ("bias", "bias", 1 / (2 * np.pi * 4.4e3 * 1e-6)),
        ("offset", "ain2", 1 / (2 * np.pi * (54e3 * 1e3 / 55e3) * 22e-6)),
    ):
        f, gain = bench.response(element, plus)
        corner = np.interp(-gain[0] / np.sqrt(2), -gain, f)
        assert corner == pytest.approx(expected, rel=0.03)


@pytest.fixture(scope="module")
def levels():
    """Held voltage for peaks (rows) at frequencies (columns)."""
    return np.array([[bench.hf_volts(f, v) for f in bench.HF_HZ] for v in bench.HF_PEAKS_V])


def test_hf_level_is_told_over_frequency_and_amplitude(levels):
    """The middle of 100 kHz to 10 MHz within 4.5 %, the ends within 11 %, which the budget carries."""
    assert budgeted(HF, "gain") >= 0.11
    for peak, row in zip(bench.HF_PEAKS_V, levels, strict=True):
        said = np.array([told(HF, v, scale.AIN_LSB_V) for v in row])
        assert said / peak == pytest.approx(np.ones(len(said)), abs=0.11)
        assert (said.min() + said.max()) / 2 == pytest.approx(peak, rel=bench.FIT_SHARE)


def test_1_khz_at_40_v_peak_is_not_hf():
    assert told(HF, bench.low_frequency_volts(1e3, 40.0), scale.AIN_LSB_V) < 0.2


def test_the_level_is_held_for_about_10_ms():
    assert 8e-3 < bench.hold_s() < 13e-3


@pytest.mark.parametrize("volts", [-85.0, 85.0])
@pytest.mark.parametrize("lead", ["emit", "amp0"])
def test_a_whole_rail_on_a_lead_is_survived(lead, volts):
    """Pins: 10 mA, the sheet's limit for input current (SBAS444D, from memory); resistors within their rating."""
    got = bench.overload(lead, volts)
    assert got.pin_a < 10e-3
    assert got.hottest_share < 1.0, got


def test_200_modules_within_tolerance_stay_within_1_percent():
    offset, bias = bench.population(200, seed=5)
    assert abs(offset - 1.0).max() < 0.01
    assert abs(bias - 1.0).max() < 0.01


def test_the_converter_loads_bias_less_when_it_samples_in_turn():
    """Loaded always: 4.4 k against 710 k, 0.6 %; sampled 1.2 ms in 10 ms: less than 0.2 %."""
    d = spice.deck(
        "share",
        spice.lines(LEFT, "GM", only=["R1", "R2", "C1", "C2", "R3", "R4", "C3", "R5", "D1", "D2"]),
        ["v_33 v33 0 3.3", "v_b emit term 0.1", "v_share share 0 pulse(0 1 1m 1u 1u 1.16m 10m)"],
        spice.ads_input("u1", "ain0", "term", 0.256, share="share"),
    )
    got = run(d, "tran 20u 80m 40m 50u", ["v(ain0)", "v(term)", "v(share)"])
    sampled = (got["v(ain0)"] - got["v(term)"])[got["v(share)"] > 0.5]
    assert 0.998 < sampled.mean() / 0.1 < 1.0
