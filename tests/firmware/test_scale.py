"""Conversions against the parts' data sheets and the sensor maker's figures."""

from __future__ import annotations

import math

import pytest

from wardenfw import scale, wire
from wardenfw.sensors.ads1115 import BIAS, HF, MIDDLE, OFFSET
from wardenfw.sensors.ina228 import signed20

AMPS, VOLTS, NEGATIVE, OFFSET_CH, BIAS_CH, SINK, HF_CH = 0, 2, 3, 4, 6, 8, 11


def test_shunt_code_of_the_worked_example() -> None:
    # TI INA229 SLYS023A table 8-4: VSHUNT 311040 is 97.2 mV; here across 10 mohm.
    assert scale.to_si(AMPS, 311040) == pytest.approx(
        0.0972 / scale.SHUNT_OHM, abs=scale.VSHUNT_LSB_V / scale.SHUNT_OHM
    )


def test_bus_code_of_the_worked_example() -> None:
    # Same table: VBUS 245760 is 48 V. The negative module measures the amount.
    assert scale.to_si(VOLTS, 245760) == pytest.approx(48.0, abs=scale.VBUS_LSB_V)
    assert scale.to_si(NEGATIVE, 245760) == pytest.approx(-48.0, abs=scale.VBUS_LSB_V)


def test_negative_code_of_the_worked_example() -> None:
    # Same sheet: 1011 0100 0001 0000 0000 is -311040, in bits 23..4 of the register.
    assert signed20((0xB4100 << 4).to_bytes(3, "big")) == -311040
    assert signed20((311040 << 4).to_bytes(3, "big")) == 311040


def test_shunt_calibration_rule_of_the_worked_example() -> None:
    # SLYS023A section 8.1.2: 13107.2e6 x CURRENT_LSB x R_SHUNT; 10 A and 16.2 mohm give 4050.
    assert round(13107.2e6 * (10 / 2**19) * 0.0162) == 4050
    assert round(13107.2e6 * scale.CURRENT_LSB_A * scale.SHUNT_OHM) == scale.SHUNT_CAL


@pytest.mark.parametrize(
    ("config", "mux", "pga"),
    [(BIAS, 0b001, 0b101), (HF, 0b010, 0b010), (OFFSET, 0b011, 0b010), (MIDDLE, 0b111, 0b001)],
)
def test_converter_settings_are_the_sheet_s_fields(config: int, mux: int, pga: int) -> None:
    # TI SBAS444D, Config register: OS, MUX 001, 010, 011 = AIN0, AIN1, AIN2 against AIN3, 111 = AIN3 to ground,
    # PGA 101, 010, 001 = 0.256, 2.048, 4.096 V, MODE single shot, DR 111 = 860 SPS, comparator off.
    assert config >> 15 == 1
    assert config >> 12 & 7 == mux
    assert config >> 9 & 7 == pga
    assert config >> 8 & 1 == 1
    assert config >> 5 & 7 == 0b111
    assert config & 3 == 3


def test_converter_codes_are_the_sheet_s() -> None:
    # TI SBAS444D table 3: 7.8125 uV a code at 0.256 V, 62.5 uV at 2.048 V, 125 uV at 4.096 V; full scale code 32767.
    assert scale.to_si(BIAS_CH, 32767) == pytest.approx(0.256 * 32767 / 32768, abs=1e-12)
    middle_top_v = 0x7FFF * scale.MIDDLE_LSB_V
    assert middle_top_v == pytest.approx(4.096 * 32767 / 32768, rel=1e-12)
    # SBASAV5 table 8-3: FFFFh is one LSB below zero, 7FFFh and 8000h the ends, across the divider 1/55.
    # The terminal is the divider's lower end, so that the sign turns.
    assert scale.to_si(OFFSET_CH, 0) == 0.0
    assert scale.to_si(OFFSET_CH, -1) == pytest.approx(55 * 62.5e-6, rel=1e-12)
    assert scale.to_si(OFFSET_CH, 32767) == pytest.approx(-55 * 2.0479375, rel=1e-12)
    assert scale.to_si(OFFSET_CH, -32768) == pytest.approx(55 * 2.048, rel=1e-12)


def test_a_peak_is_the_held_voltage_and_the_foot() -> None:
    for counts in (0, 1, 10, 100, 1000, 32767):
        u = counts * 62.5e-6 * 25
        assert scale.to_si(HF_CH, counts) == pytest.approx(u + scale.FOOT_V * u / (u + scale.FOOT_U_V), rel=1e-12)
    # Far above the foot the detector loses FOOT_V and no more.
    assert scale.to_si(HF_CH, 25_000) == pytest.approx(25_000 * 62.5e-6 * 25 + scale.FOOT_V, abs=0.001)


def test_the_foot_and_its_inverse_are_a_round_trip() -> None:
    for counts in range(-200, 32768, 7):
        u = counts * 15.625
        steps = u + 1720 * u / (abs(u) + 360)
        assert scale.peak_counts(steps) == pytest.approx(counts, rel=1e-9, abs=1e-9)


def test_whole_steps_of_a_peak_follow_the_formula() -> None:
    # Half a step before the foot, up to 5.4 times that behind it.
    for counts in range(-200, 31_000):
        tolerance_v = 3.5e-4 if counts < 100 else 2e-4
        assert abs(scale.peak_steps(counts * 16) * 1e-4 - scale.to_si(HF_CH, counts)) < tolerance_v, counts


@pytest.mark.parametrize(
    ("celsius", "ohm"), [(0.0, 32554.8), (25.0, 10000.2), (50.0, 3605.3), (85.0, 1070.3), (100.0, 677.3)]
)
def test_ntc_against_the_maker_s_fit(celsius: float, ohm: float) -> None:
    # NTCLE100E3...103 (doc 29049): what its R(T) fit gives; the T(R) fit agrees within 0.012 C.
    assert scale.ntc_ohm(celsius) == pytest.approx(ohm, abs=0.1)
    counts = scale.ADC_FULL_SCALE * ohm / (ohm + scale.NTC_PULLUP_OHM)
    assert scale.ntc_celsius(counts) == pytest.approx(celsius, abs=0.015)
    assert scale.ntc_millicelsius(round(counts)) / 1000 == pytest.approx(celsius, abs=0.03)


def test_the_table_follows_the_formula() -> None:
    for counts in range(1000, 62500):
        exact = scale.ntc_celsius(counts)
        if -30.0 < exact < 125.0:
            assert abs(scale.ntc_millicelsius(counts) / 1000 - exact) < 0.01, counts


@pytest.mark.parametrize("channel", range(wire.N_CHANNELS))
def test_count_bounds_are_the_limit_to_one_count(channel: int) -> None:
    top = wire.CEILINGS[channel]
    is_celsius = scale.SHAPE[channel] == scale.CELSIUS
    low, high = (0.1 * top, 0.7 * top) if is_celsius else (-0.4 * top, 0.7 * top)
    first, last = scale.count_bounds(channel, low, high)
    # The maker's two fits differ by 0.012 K.
    slack = 0.013 if is_celsius else 1e-9
    inside = sorted((scale.to_si(channel, first), scale.to_si(channel, last)))
    outside = sorted((scale.to_si(channel, first - 1), scale.to_si(channel, last + 1)))
    assert low - slack <= inside[0]
    assert inside[1] <= high + slack
    assert outside[0] < low + slack
    assert high - slack < outside[1]


def test_an_open_side_is_unbounded() -> None:
    for channel in range(wire.N_CHANNELS):
        first, last = scale.count_bounds(channel, math.nan, math.nan)
        assert (first, last) == (-scale.UNBOUNDED, scale.UNBOUNDED)


def test_missing_is_nan_and_no_count() -> None:
    assert math.isnan(scale.to_si(0, scale.MISSING))
    assert scale.MISSING < -scale.UNBOUNDED


def test_alert_threshold_in_the_part_s_counts() -> None:
    # 5 uV a count at ADCRANGE 0: 6 A in 10 mohm are 60 mV.
    assert scale.alert_counts(AMPS, 6.0) == 12000
    assert scale.alert_counts(AMPS, -6.0) == -12000
    assert scale.alert_counts(AMPS, 1e6) == 32767
    assert scale.alert_counts(AMPS, -1e6) == -32767
