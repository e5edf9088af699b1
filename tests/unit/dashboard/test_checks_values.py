"""How readings of the checks are typed: the letter codes of IEC 60062, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.dashboard.checks_values import ALLOWED, typed, value_of

# IEC 60062, letter and digit code for resistance values, the table of examples (from memory).
OHMS = {
    "R10": 0.1, "R15": 0.15, "R332": 0.332, "R590": 0.59, "1R0": 1.0, "1R5": 1.5, "3R32": 3.32, "5R90": 5.9,
    "10R": 10.0, "15R": 15.0, "33R2": 33.2, "59R0": 59.0, "100R": 100.0, "150R": 150.0, "332R": 332.0, "1K0": 1e3,
    "1K5": 1.5e3, "3K32": 3.32e3, "5K90": 5.9e3, "10K": 10e3, "15K": 15e3, "33K2": 33.2e3, "59K0": 59e3, "100K": 100e3,
    "332K": 332e3, "1M0": 1e6, "1M5": 1.5e6, "3M32": 3.32e6, "10M": 10e6, "33M2": 33.2e6, "100M": 100e6, "332M": 332e6,
    "1G0": 1e9, "3G32": 3.32e9, "10G": 10e9,
}  # fmt: skip
# The same standard for capacitance values (from memory), in farads.
FARADS = {
    "p10": 0.1e-12, "p332": 0.332e-12, "1p0": 1e-12, "3p32": 3.32e-12, "10p": 10e-12, "33p2": 33.2e-12, "100p": 100e-12,
    "332p": 332e-12, "1n0": 1e-9, "1n5": 1.5e-9, "3n32": 3.32e-9, "10n": 10e-9, "33n2": 33.2e-9, "100n": 100e-9,
    "332n": 332e-9, "1µ0": 1e-6, "3µ32": 3.32e-6, "10µ": 10e-6, "33µ2": 33.2e-6, "100µ": 100e-6, "332µ": 332e-6,
    "1m0": 1e-3, "3m32": 3.32e-3, "10m": 10e-3, "33m2": 33.2e-3,
}  # fmt: skip


@pytest.mark.parametrize(("text", "ohms"), OHMS.items())
def test_resistances_are_read_as_the_standard_codes_them(text: str, ohms: float) -> None:
    assert value_of(text, "ohm") == pytest.approx(ohms, rel=1e-12)


@pytest.mark.parametrize(("text", "farads"), FARADS.items())
def test_capacitances_are_read_as_the_standard_codes_them(text: str, farads: float) -> None:
    assert value_of(text, "nF") == pytest.approx(farads * 1e9, rel=1e-12)
    assert value_of(text, "uF") == pytest.approx(farads * 1e6, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("0.22", "ohm", 0.22), ("0,22", "ohm", 0.22), ("0R22", "ohm", 0.22), ("4k7", "ohm", 4700.0),
        ("4.7 k", "ohm", 4700.0), ("2.2 MΩ", "ohm", 2.2e6), ("47 ohm", "ohm", 47.0), ("1.5kohm", "ohm", 1500.0),
        ("100", "nF", 100.0), ("0.1u", "nF", 100.0), ("100 nF", "nF", 100.0), ("10000", "uF", 10000.0),
        ("4700 uF", "uF", 4700.0), ("0.561", "V", 0.561), ("561m", "V", 0.561), ("561 mV", "V", 0.561),
        ("  12 V ", "V", 12.0), ("0", "V", 0.0),
    ],
)  # fmt: skip
def test_what_a_technician_writes_is_read(text: str, unit: str, value: float) -> None:
    assert value_of(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("unit", list(ALLOWED))
def test_an_empty_field_is_no_reading(unit: str) -> None:
    assert value_of("  ", unit) is None
    assert typed(None, unit) == ""


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [
        ("4k7k", "ohm", "not a number"),
        ("220m", "ohm", "not a number"),  # a small m of ohms is a slip for M more often than it is milliohms
        ("10,000", "ohm", "can be read as 10.000 or as 10000"),
        ("OL", "ohm", "not a number"),
        ("R", "ohm", "not a number"),
        ("nan", "ohm", "not a number"),
        ("inf", "V", "not a number"),
        ("-3", "V", "below zero"),
        ("9e99", "ohm", "more than 1e+12 ohm"),
        ("100F", "uF", "not a number"),
        ("4k7", "nF", "not a number"),
        ("٣", "ohm", "not a number"),
        ("<b>1</b>", "ohm", "not a number"),
        ("1" * 4000, "ohm", "4000 characters are no reading"),
    ],
)
def test_what_is_no_reading_is_refused_with_what_is_allowed(text: str, unit: str, words: str) -> None:
    with pytest.raises(ValueError, match=r".") as found:
        value_of(text, unit)
    assert words in str(found.value)
    assert words == "below zero" or ALLOWED[unit] in str(found.value)
    assert len(str(found.value)) < 200


@given(st.floats(min_value=0.0, max_value=9e8), st.sampled_from(["ohm", "nF", "uF"]))
def test_a_kept_value_comes_back_from_its_field_unchanged(value: float, unit: str) -> None:
    assert value_of(typed(value, unit), unit) == value
