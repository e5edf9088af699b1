"""One type in place of another: what each rating does to the result."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from benchwarden.core.part_findings import DOUBT, FINE, NO, NOT_KNOWN, VERDICTS, RatingRow, SubstituteFindings
from benchwarden.core.substitutes import GainPoint, Ratings, SoaCurve, SoaPoint, Substitution
from benchwarden.core.unit import Unit
from benchwarden.errors import JobError
from benchwarden.parts.gain_at import least_gain
from benchwarden.parts.parts_list import example_parts
from benchwarden.parts.substitute import CAUTION, CircuitFacts, check_substitution

UNIT = Unit(
    rated_power_w=60.0,
    load_ohm=8.0,
    rail_nominal_v=42.0,
    emitter_resistor_ohm=0.22,
    target_bias_drop_mv=11.0,
    limiter_lamp_w=100.0,
    package="metal-can",
)
# Far larger than the amplifier needs, so that one rating at a time can be spoiled.
LARGE = Ratings(
    marking="LM 9000N",
    source="invented for the test",
    vceo_v=200.0,
    vcbo_v=200.0,
    vebo_v=5.0,
    ic_max_a=40.0,
    ic_peak_a=60.0,
    ib_max_a=8.0,
    power_w=900.0,
    tj_max_c=200.0,
    rth_jc_k_per_w=0.19,
    soa=(SoaCurve(None, (SoaPoint(22.5, 40.0), SoaPoint(100.0, 9.0), SoaPoint(200.0, 3.0))),),
    gain=(GainPoint(0.01, 50.0), GainPoint(1.0, 50.0), GainPoint(10.0, 40.0), GainPoint(20.0, 20.0)),
    gain_test_v=5.0,
    ft_mhz=4.0,
    cob_pf=500.0,
    package="TO-3",
    case_on_collector=True,
    pinout="B E, case C",
)


def checked(candidate: Ratings, original: Ratings = LARGE, role: str = "output", **of: Any) -> SubstituteFindings:
    """Return what is found in the amplifier of these tests."""
    return check_substitution(Substitution(role, original, candidate), CircuitFacts.of(UNIT, role, **of))


def row(found: SubstituteFindings, quantity: str) -> RatingRow:
    """Return the one row whose quantity begins so."""
    (only,) = [item for item in found.rows if item.quantity.startswith(quantity)]
    return only


@pytest.mark.parametrize("role", ["output", "driver", "predriver"])
def test_a_part_with_all_in_hand_is_fine(role: str) -> None:
    found = checked(LARGE, role=role)
    assert [(item.quantity, item.why) for item in found.rows if item.verdict != FINE] == []
    assert found.level == FINE
    assert "on paper" in found.headline
    assert found.caution == CAUTION
    for words in ("Sheets can be wrong", "fake", "supervised run"):
        assert words in found.caution


UNKNOWN_MAKES: tuple[tuple[str, Any], ...] = (
    ("vceo_v", None),
    ("vcbo_v", None),
    ("vebo_v", None),
    ("ic_max_a", None),
    ("ib_max_a", None),
    ("soa", ()),
    ("gain", ()),
    ("ft_mhz", None),
    ("cob_pf", None),
    ("package", ""),
    ("case_on_collector", None),
    ("pinout", ""),
)


@pytest.mark.parametrize(("key", "nothing"), UNKNOWN_MAKES)
@pytest.mark.parametrize("role", ["output", "driver"])
def test_what_the_candidates_sheet_does_not_give_is_never_fine(key: str, nothing: Any, role: str) -> None:
    found = checked(replace(LARGE, **{key: nothing}), role=role)
    assert found.level == DOUBT
    assert NOT_KNOWN in {item.verdict for item in found.rows}
    assert "not known" in found.headline


def test_without_two_thermal_figures_heat_and_area_are_not_known() -> None:
    found = checked(replace(LARGE, tj_max_c=None, rth_jc_k_per_w=None))
    for quantity in ("power", "Rth", "junction, 8 ohm, resistive", "safe operating area, 8 ohm, reactive"):
        assert row(found, quantity).verdict == NOT_KNOWN
    assert [margin.of for margin in found.margins] == ["original"] * 3


def test_an_original_of_which_nothing_is_known() -> None:
    found = checked(LARGE, Ratings("?", "marking unreadable"))
    assert found.level == DOUBT
    for quantity in ("VCEO", "collector current, continuous", "safe operating area, 8 ohm, reactive"):
        assert row(found, quantity).verdict == FINE
    for quantity in ("least gain", "transition frequency", "package", "leads", "mounting face"):
        assert row(found, quantity).verdict == NOT_KNOWN


@pytest.mark.parametrize(
    ("changed", "quantity", "verdict"),
    [
        ({"polarity": "pnp"}, "polarity", NO),
        # 2 x 42 V x 1.10 = 92.4 V.
        ({"vceo_v": 92.0}, "VCEO", NO),
        ({"vceo_v": 93.0}, "VCEO", FINE),
        ({"vcbo_v": 92.0}, "VCBO", NO),
        ({"vebo_v": 1.0}, "VEBO", NO),
        # 46.2 V / (6.4 + 0.22) ohm = 6.98 A, 46.2 V / (4 + 0.22) ohm = 10.9 A.
        ({"ic_max_a": 6.9, "ic_peak_a": None}, "collector current, continuous", NO),
        ({"ic_max_a": 6.9, "ic_peak_a": 14.0}, "collector current, continuous", DOUBT),
        ({"ic_max_a": 7.0, "ic_peak_a": 10.0}, "collector current, peak", DOUBT),
        ({"ic_max_a": 7.0, "ic_peak_a": None}, "collector current, peak", NOT_KNOWN),
        ({"ic_peak_a": None}, "collector current, peak", FINE),
        ({"ib_max_a": 0.1}, "base current", NO),
        ({"power_w": 60.0, "rth_jc_k_per_w": None}, "power", NO),
        ({"power_w": 60.0, "rth_jc_k_per_w": None}, "junction, 8 ohm, reactive", NO),
        ({"rth_jc_k_per_w": 2.0, "power_w": None}, "Rth", DOUBT),
        ({"gain": (GainPoint(1.0, 50.0), GainPoint(8.0, 18.0))}, "least gain", NO),
        ({"gain": (GainPoint(1.0, 50.0), GainPoint(8.0, 28.0))}, "least gain", DOUBT),
        ({"gain": (GainPoint(1.0, 90.0), GainPoint(8.0, 45.0))}, "gain kept", DOUBT),
        ({"gain": (GainPoint(1.0, 50.0), GainPoint(5.0, 45.0))}, "least gain", NOT_KNOWN),
        ({"ft_mhz": 30.0}, "transition frequency", DOUBT),
        ({"ft_mhz": 2.0}, "transition frequency", DOUBT),
        ({"ft_mhz": 0.8}, "transition frequency", NO),
        ({"cob_pf": 1500.0}, "output capacitance", DOUBT),
        ({"cob_pf": 100.0}, "output capacitance", DOUBT),
        ({"package": "TO-204AA"}, "package", FINE),
        ({"package": "TO-247"}, "package", DOUBT),
        ({"pinout": "E B, case C"}, "leads", NO),
        ({"pinout": "b e  case c"}, "leads", FINE),
        ({"package": "TO-247", "pinout": "BCE"}, "leads", DOUBT),
        ({"case_on_collector": False}, "mounting face", FINE),
    ],
)
def test_each_rating_does_what_it_should(changed: dict[str, Any], quantity: str, verdict: str) -> None:
    found = checked(replace(LARGE, **changed))
    assert row(found, quantity).verdict == verdict
    assert row(found, quantity).why
    if verdict == NO:
        assert found.level == NO
        assert "does not do" in found.headline
    elif verdict == DOUBT:
        assert found.level in (DOUBT, NO)


def test_a_bare_collector_where_the_original_was_insulated() -> None:
    found = checked(LARGE, replace(LARGE, case_on_collector=False))
    assert row(found, "mounting face").verdict == DOUBT
    assert "measure case to sink" in row(found, "mounting face").why


def test_what_the_original_never_reached_is_a_doubt_and_no_refusal() -> None:
    old = replace(LARGE, vceo_v=80.0)
    assert row(checked(replace(LARGE, vceo_v=85.0), old), "VCEO").verdict == DOUBT
    assert row(checked(replace(LARGE, vceo_v=75.0), old), "VCEO").verdict == NO


def test_area_that_the_original_kept_must_be_kept() -> None:
    weak = replace(LARGE, soa=(SoaCurve(None, (SoaPoint(22.5, 40.0), SoaPoint(50.0, 10.0), SoaPoint(200.0, 0.2))),))
    weaker = replace(LARGE, soa=(SoaCurve(None, (SoaPoint(22.5, 40.0), SoaPoint(50.0, 9.0), SoaPoint(200.0, 0.18))),))
    reactive = "safe operating area, 8 ohm, reactive"
    assert row(checked(weak), reactive).verdict == NO
    assert row(checked(weak, weak), reactive).verdict == DOUBT
    assert row(checked(weaker, weak), reactive).verdict == NO
    # The amplifier's own load is no matter of how the original fared.
    hopeless = replace(LARGE, soa=(SoaCurve(None, (SoaPoint(5.0, 5.0), SoaPoint(200.0, 0.1))),))
    assert row(checked(hopeless, hopeless), "safe operating area, 8 ohm, resistive").verdict == NO


def test_a_junction_that_was_too_hot_already_must_not_get_hotter() -> None:
    reactive = "junction, 8 ohm, reactive"
    old = replace(LARGE, power_w=100.0, rth_jc_k_per_w=None)
    weaker = replace(LARGE, power_w=95.0, rth_jc_k_per_w=None)
    assert row(checked(old, old), reactive).verdict == DOUBT
    assert "as the original was already" in row(checked(old, old), reactive).why
    assert row(checked(weaker, old), reactive).verdict == NO
    assert row(checked(old), reactive).verdict == NO


def test_margins_and_curves_belong_together() -> None:
    parts = example_parts()
    found = checked(parts["LM 6001N"], parts["OM 5001N"])
    assert len(found.margins) == 6
    for margin in found.margins:
        labels = [curve.label for curve in found.curves if curve.kind == "limit" and curve.of == margin.of]
        assert margin.curve in labels
        assert margin.load in [curve.label for curve in found.curves if curve.kind == "load"]
        assert margin.margin_pct == pytest.approx(100.0 * (margin.limit_a / margin.at_a - 1.0))
    for curve in found.curves:
        assert len(curve.volts) == len(curve.amps) > 20
        assert min(curve.volts) > 0.0
        assert min(curve.amps) > 0.0
        if curve.kind == "limit":
            assert list(curve.volts) == sorted(curve.volts)


def test_a_cooler_sink_leaves_more() -> None:
    hot, cool = (checked(example_parts()["LM 6001N"], sink_c=sink_c) for sink_c in (100.0, 50.0))
    for a, b in zip(hot.margins[3:], cool.margins[3:], strict=True):
        assert b.margin_pct > a.margin_pct


def test_the_demonstration_parts_do_in_the_demonstration_amplifier() -> None:
    parts = example_parts()
    for n in "NP":
        found = checked(parts[f"LM 6001{n}"], parts[f"OM 5001{n}"])
        assert found.level == DOUBT
        assert [item.quantity for item in found.rows if item.verdict != FINE] == [
            "safe operating area, 8 ohm, reactive 60 degrees"
        ]


def test_real_parts_that_do_not_do() -> None:
    # 2N3055/D and TIP3055/D: 60 V parts, in a set of 92 V from rail to rail.
    for marking in ("2N3055", "TIP3055"):
        found = checked(example_parts()[marking], example_parts()["MJ15003"])
        assert found.level == NO
        assert row(found, "VCEO").verdict == NO
    # MJ15024/D promises a gain of 15 at 8 A where MJ15003/D gives 25 at 5 A only: nothing to compare at 6.98 A.
    found = checked(example_parts()["MJ15024"], example_parts()["MJ15003"])
    assert row(found, "least gain").verdict == NOT_KNOWN


def test_a_position_of_which_nothing_is_known() -> None:
    found = checked(LARGE, role="other")
    assert found.level == DOUBT
    assert NO not in {item.verdict for item in found.rows}
    assert found.margins == ()
    assert row(found, "VCEO").verdict == FINE
    assert row(found, "safe operating area").verdict == NOT_KNOWN
    assert row(checked(replace(LARGE, vceo_v=150.0), role="other"), "VCEO").verdict == DOUBT


def test_field_effect_types_are_never_fine() -> None:
    gate = replace(LARGE, polarity="n-channel")
    found = checked(gate, gate)
    assert found.level == DOUBT
    assert "Gate drive" in found.caution
    assert checked(gate).level == NO


def test_every_row_says_something() -> None:
    parts = example_parts()
    for role in ("output", "driver", "predriver", "other"):
        for candidate in parts.values():
            found = checked(candidate, parts["OM 5001N"], role)
            for item in found.rows:
                assert item.verdict in VERDICTS
                assert all((item.quantity, item.original, item.candidate, item.needed, item.working, item.why))
                assert item.verdict == NOT_KNOWN or item.candidate != "not known"
            assert len({item.quantity for item in found.rows}) == len(found.rows)


def test_gain_between_two_promises() -> None:
    # MJ15022/D: at least 15 at 8 A, 5 at 16 A; half way on a log axis the geometric mean.
    part = example_parts()["MJ15024"]
    assert least_gain(part, 8.0) == pytest.approx(15.0)
    assert least_gain(part, (8.0 * 16.0) ** 0.5) == pytest.approx((15.0 * 5.0) ** 0.5)
    assert least_gain(part, 16.1) is None
    assert least_gain(Ratings("X", "s"), 1.0) is None


def test_wrong_input_names_type_and_key() -> None:
    with pytest.raises(JobError, match=r"role = 'driver', the circuit's is 'output'"):
        check_substitution(Substitution("driver", LARGE, LARGE), CircuitFacts.of(UNIT, "output"))
    twice = replace(LARGE, gain=(GainPoint(1.0, 50.0), GainPoint(1.0, 60.0)))
    with pytest.raises(JobError, match=r"LM 9000N: gain: 1 A is there twice"):
        checked(twice)
    curved = replace(LARGE, soa=(SoaCurve(None, (SoaPoint(10.0, 1.0), SoaPoint(20.0, 2.0))),))
    with pytest.raises(JobError, match=r"LM 9000N: soa, direct current: amperes 1, 2"):
        checked(curved)
