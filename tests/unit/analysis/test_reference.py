"""A reference's accuracy from the words of its data sheet."""

from __future__ import annotations

import math

import pytest

from benchwarden.analysis.reference import read_accuracy
from benchwarden.errors import PlanError

CELSIUS = "\N{DEGREE SIGN}C"


@pytest.mark.parametrize(
    ("words", "unit", "of_reading", "floor"),
    [
        ("0.5 % + 3 digits of 0.01 V", "V", 0.005, 0.03),
        ("±(0.5% rdg + 3 dgt @ 10 mV)", "V", 0.005, 0.03),
        ("0,5 % of reading + 3 counts of 0,01", "V", 0.005, 0.03),
        ("0.1 % + 0.05 % of 20 V", "V", 0.001, 0.01),
        ("0.02 % + 0.01 % of 200 mV", "V", 0.0002, 2e-5),
        ("2 mV", "V", 0.0, 0.002),
        ("5 uA", "A", 0.0, 5e-6),
        ("1.2 %", "A", 0.012, 0.0),
        ("0.5 C", CELSIUS, 0.0, 0.5),
        ("0.3 K + 0.1 °C", CELSIUS, 0.0, 0.4),
    ],
)
def test_accuracies_are_read(words: str, unit: str, of_reading: float, floor: float) -> None:
    found = read_accuracy(words, unit)
    assert (found.of_reading, found.floor) == (pytest.approx(of_reading), pytest.approx(floor))
    assert math.isnan(found.k)


def test_limits_are_evenly_distributed_unless_the_maker_states_a_coverage_factor() -> None:
    # JCGM 100:2008 4.3.7: half-width over the root of three; 4.3.4: the stated uncertainty over its k.
    limits = read_accuracy("0.5 % + 0.03 V", "V").error()
    assert limits.u_gain == pytest.approx(0.005 / math.sqrt(3))
    assert limits.u(0.0) == pytest.approx(0.03 / math.sqrt(3))
    assert limits.u(10.0) == pytest.approx(math.hypot(0.05, 0.03) / math.sqrt(3))
    assert limits.u_common == pytest.approx(limits.u_own), "half the floor's variance is common to all points"
    stated = read_accuracy("0.5 % + 0.03 V, k=2", "V").error()
    assert stated.u_gain == pytest.approx(0.0025)
    assert stated.u(0.0) == pytest.approx(0.015)


@pytest.mark.parametrize(
    ("words", "unit", "why"),
    [
        ("very good", "V", "not understood; allowed: terms joined by"),
        ("0.5 % + 3 digits", "V", "'3 digits' not understood"),
        ("2 mA", "V", "in mA, the channel is in V"),
        ("0.5 C", "A", "in C, the channel is in A"),
        ("0 %", "V", "no error at all"),
        ("0.5 % k=9", "V", "allowed: 1 to 4"),
        ("", "V", "not understood"),
        ("-1 %", "V", "not understood"),
    ],
)
def test_what_is_not_an_accuracy_is_refused(words: str, unit: str, why: str) -> None:
    with pytest.raises(PlanError, match=why):
        read_accuracy(words, unit)
