"""What was seen while calibrating is believed only when it can be right."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np
import pytest

from benchwarden.analysis.calibration_check import absurd, clipped, steady, surprising, unlike
from benchwarden.analysis.calibration_fit import Fit, Point, ReferenceError, fit_line
from benchwarden.core.calibration import Calibration, Entry, Expanded, uncertainty
from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import FloatArray

N = 30
METER = ReferenceError(0.0005, 0.0, 0.0003)


def flat(value: float, sd: float = 0.0) -> FloatArray:
    return value + sd * np.random.default_rng(3).standard_normal(N)


def test_a_steady_setting_gives_its_mean_and_scatter() -> None:
    seen = steady("rail_pos_a", flat(1.0, 5e-4), flat(1.001, 5e-4))
    assert not isinstance(seen, str)
    assert seen.mean == pytest.approx(1.0005, abs=3e-4)
    assert seen.sd == pytest.approx(5e-4, rel=0.3)
    assert (seen.n, seen.u_setting) == (2 * N, pytest.approx(0.001 / np.sqrt(12), rel=0.3))


@pytest.mark.parametrize(
    ("before", "after", "why"),
    [
        (flat(1.0), flat(1.03), r"moved by 0\.03 A while it was read; allowed: 0\.006"),
        (np.linspace(1.0, 1.05, N), np.linspace(1.0, 1.05, N), "moved by 0.05"),
        (flat(1.0, 0.02), flat(1.0, 0.02)[::-1], "noisy|moved"),
        (flat(1.0), np.where(np.arange(N) == 4, np.nan, 1.0), "missing in 1 of 60"),
    ],
)
def test_an_unsteady_setting_is_refused_with_the_reason(before: FloatArray, after: FloatArray, why: str) -> None:
    seen = steady("rail_pos_a", before, after)
    assert isinstance(seen, str)
    assert re.search(why, seen), seen


def test_noise_alone_is_told_as_noise() -> None:
    wave = 1.0 + 0.05 * np.where(np.arange(N) % 2, 1.0, -1.0)
    seen = steady("rail_pos_a", wave, wave)
    assert isinstance(seen, str)
    assert "noisy" in seen


def test_readings_at_the_end_of_the_range_are_clipped() -> None:
    assert clipped("bias_left_v", flat(0.19), flat(0.2)) == ""
    assert "end of its range" in clipped("bias_left_v", flat(0.24), flat(0.25))
    assert "end of its range" in clipped("rail_neg_v", flat(-85.0), flat(-84.0))


def changes(**moved: float) -> FloatArray:
    found = np.zeros(len(CHANNELS))
    for name, value in moved.items():
        found[INDEX[name]] = value
    return found


@pytest.mark.parametrize(
    ("channel", "expected", "moved", "why"),
    [
        ("rail_pos_a", 3.0, {"rail_pos_a": 2.9}, ""),
        ("rail_pos_a", 3.0, {"rail_pos_a": 3.1, "rail_neg_a": 3.0}, ""),
        ("rail_pos_a", 3.0, {"rail_pos_a": -2.9}, "the shunt's leads are reversed"),
        ("offset_left_v", 10.0, {"offset_left_v": -10.1}, "the leads are reversed"),
        (
            "bias_left_v",
            0.2,
            {"bias_right_v": 0.199},
            "instead bias_right_v by 0.19900 V: leads or modules are swapped",
        ),
        ("rail_pos_a", 3.0, {"rail_neg_a": 2.98}, "instead rail_neg_a by 2.980 A"),
        ("sink_left_c", 35.0, {"ambient_c": 34.0}, "instead ambient_c"),
        ("hf_left_v", 10.0, {}, "nothing else moved"),
        ("rail_pos_v", 28.0, {"rail_pos_v": 280.0}, "the meter's range"),
        ("rail_pos_a", 0.01, {}, ""),
    ],
)
def test_the_channel_that_should_answer_has_to(
    channel: str, expected: float, moved: dict[str, float], why: str
) -> None:
    found = unlike(channel, expected, changes(**moved))
    assert why in found
    assert bool(found) == bool(why)


def judged(values: dict[float, float], reference: ReferenceError = METER, channel: str = "rail_pos_a") -> list[str]:
    points = [Point(reading, 1e-4, 60, value, exact=value == 0.0) for value, reading in values.items()]
    fit: Fit = fit_line(points, reference)
    entry = Entry(channel, len(points), 255, fit.gain, fit.offset, fit.centre, fit.u_a, fit.u_b)
    top = max(values, key=abs)
    with_it = Calibration("", dt.date(2026, 1, 1), 0, 1, "", (entry,))
    before: Expanded = uncertainty(channel, top)
    return absurd(channel, points, fit, reference, before, uncertainty(channel, top, with_it))


def test_a_sound_calibration_passes() -> None:
    assert judged({0.0: 0.0001, 1.5: 1.5045, 3.0: 3.009}) == []


@pytest.mark.parametrize(
    ("values", "reference", "why"),
    [
        ({0.0: 0.0, 1.5: 4.5, 3.0: 9.0}, METER, "gain 0.3333; allowed: 0.8 to 1.25"),
        ({0.0: 0.0, 1.5: -1.5, 3.0: -3.0}, METER, "leads are reversed"),
        ({0.1: 1.1, 1.5: 2.5, 3.0: 4.0}, METER, "offset -1.000 A; allowed: up to 0.750 A either way"),
        ({0.0: 0.0, 1.5: 1.52, 3.0: 3.0}, METER, "do not lie on a line: setting 2 (1.500 A)"),
        ({1.0: 1.0, 1.01: 1.01}, ReferenceError(0.0005, 0.0, 0.0003), "too close together"),
        ({0.0: 0.0, 3.0: 3.0}, ReferenceError(0.01, 0.0, 0.001), "not good enough"),
    ],
)
def test_what_cannot_be_right_is_refused(values: dict[float, float], reference: ReferenceError, why: str) -> None:
    found = judged(values, reference)
    assert len(found) == 1, found
    assert why in found[0]


def test_a_board_further_off_than_its_parts_explain_is_pointed_at() -> None:
    def odd(reading: float) -> str:
        return surprising("rail_pos_a", [Point(reading, 1e-4, 60, 3.0)], METER, [0.009])

    assert odd(3.02) == ""
    assert "suspect a wrong part" in odd(3.3)
