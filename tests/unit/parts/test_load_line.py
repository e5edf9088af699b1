"""Where the operating point goes, against published heat figures of class-B and class-AB stages."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ellipe

from benchwarden.core.unit import Unit
from benchwarden.errors import JobError
from benchwarden.parts.circuit_facts import CircuitFacts
from benchwarden.parts.load_line import loads, loop


def unit(**facts: object) -> Unit:
    """Return an amplifier of 60 W into 8 ohm."""
    given: dict[str, object] = {
        "rated_power_w": 60.0,
        "load_ohm": 8.0,
        "rail_nominal_v": 42.0,
        "emitter_resistor_ohm": 0.22,
        "target_bias_drop_mv": 11.0,
        "limiter_lamp_w": 100.0,
        "package": "metal-can",
        **facts,
    }
    return Unit(**given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("share", "of_full"),
    [
        # Class-B heat over greatest output power. Source: 2 Vcc Vp / (pi RL) - Vp^2 / (2 RL), Boylestad,
        # Electronic Devices and Circuit Theory, class-B amplifiers; digits computed from it.
        (1 / 8, 0.32516),
        (1 / 3, 0.40177),
        (1 / 2, 0.40032),
        (1.0, 0.27324),
    ],
)
def test_mean_heat_at_a_share_of_full_power(share: float, of_full: float) -> None:
    rail_v, ohm = 35.0, 8.0
    found = loop(rail_v, rail_v * math.sqrt(share), ohm)
    assert 2.0 * found.mean_w / (rail_v**2 / (2.0 * ohm)) == pytest.approx(of_full, abs=1e-5)


def test_worst_mean_heat_is_that_of_the_textbook() -> None:
    # Boylestad, example 12.8: Vcc 30 V, RL 16 ohm, 5.70 W in each transistor, at 2 Vcc / pi.
    heats = [loop(30.0, 30.0 * share, 16.0).mean_w for share in np.linspace(0.01, 1.0, 1000)]
    assert max(heats) == pytest.approx(5.70, abs=0.005)
    assert np.linspace(0.01, 1.0, 1000)[int(np.argmax(heats))] == pytest.approx(2.0 / math.pi, abs=0.002)


def test_peak_heat_of_a_resistive_load_is_at_half_the_supply() -> None:
    # Neamen, Microelectronics, example in chapter 15 (power devices), read in a copy: 35 V, 10 ohm,
    # greatest heat 30.6 W at 17.5 V and 1.75 A.
    found = loop(35.0, 35.0, 10.0)
    at = int(np.argmax(found.volts * found.amps))
    assert found.peak_w == pytest.approx(30.6, abs=0.05)
    assert found.volts[at] == pytest.approx(17.5, abs=0.1)
    assert found.amps[at] == pytest.approx(1.75, abs=0.01)


@pytest.mark.parametrize("phase_deg", [55.0, 60.0, 75.0, 90.0])
def test_mean_heat_of_a_reactive_load_is_the_published_one(phase_deg: float) -> None:
    # Both devices, full swing: Vs^2 / (2 |Z|) x (4 / pi - cos phi). Source: application notes on power
    # operational amplifiers, from memory; supply less load power, TI JAJU844, equations 19 to 23, text read.
    found = 2.0 * loop(40.0, 40.0, 8.0, phase_deg).mean_w
    assert found == pytest.approx(40.0**2 / 16.0 * (4.0 / math.pi - math.cos(math.radians(phase_deg))), rel=1e-4)


@pytest.mark.parametrize("phase_deg", [0.0, 20.0, 40.0])
def test_worst_mean_heat_of_a_mildly_reactive_load(phase_deg: float) -> None:
    # 4 Vs^2 / (2 pi^2 |Z| cos phi) at a swing below full. Source: as above, from memory.
    worst = max(2.0 * loop(40.0, 40.0 * share, 8.0, phase_deg).mean_w for share in np.linspace(0.5, 1.0, 400))
    exact = 2.0 * 40.0**2 / (math.pi**2 * 8.0 * math.cos(math.radians(phase_deg)))
    assert worst == pytest.approx(exact, rel=1e-4)


@pytest.mark.parametrize(
    ("phase_deg", "over_resistive"),
    # Peak of (1 - sin t) sin(t - phi), at t = 150 + 2 phi / 3 degrees, over 1/4: with 45 degrees sin 45 = 0.7071,
    # with 90 degrees 3 sqrt(3) / 4. Closed form, computed by hand.
    [(0.0, 1.0), (45.0, 2.8284), (60.0, 3.59627), (90.0, 5.1962)],
)
def test_peak_heat_of_a_reactive_load(phase_deg: float, over_resistive: float) -> None:
    found = loop(40.0, 40.0, 8.0, phase_deg)
    assert found.peak_w / (40.0**2 / 8.0 / 4.0) == pytest.approx(over_resistive, rel=1e-4)


def test_class_ab_mean_current_is_the_elliptic_integral() -> None:
    # Halves whose currents keep their product: 2 / pi sqrt(I^2/4 + Iq^2) E(m); scipy's elliptic integral.
    found = loop(40.0, 20.0, 8.0, idle_a=0.3)
    half = 20.0 / 16.0
    exact = 2.0 / math.pi * math.hypot(half, 0.3) * float(ellipe(half**2 / (half**2 + 0.09)))
    assert float(np.mean(found.amps)) == pytest.approx(exact, rel=1e-9)


@pytest.mark.parametrize("phase_deg", [0.0, 30.0, 60.0])
def test_a_smaller_swing_stays_inside_a_larger_one(phase_deg: float) -> None:
    full = loop(40.0, 40.0, 8.0, phase_deg)
    ends = full.conducts.nonzero()[0]
    hull_v, hull_a = full.volts[ends], full.amps[ends]
    for share in (0.3, 0.64, 0.9):
        small = loop(40.0, 40.0 * share, 8.0, phase_deg)
        for v, a in zip(small.volts[small.conducts][::7], small.amps[small.conducts][::7], strict=True):
            # Along the ray from (rail, 0) the full swing goes 1 / share as far; its point is on the loop.
            far_v, far_a = 40.0 + (v - 40.0) / share, a / share
            off = np.min(np.hypot(hull_v - far_v, (hull_a - far_a) * 8.0))
            assert off < 0.3


def test_pairs_share_and_a_driver_carries_the_base_current() -> None:
    one = CircuitFacts.of(unit(), "output")
    two = CircuitFacts.of(unit(output_pairs=2, emitter_resistor_ohm=0.44), "output")
    driver = CircuitFacts.of(unit(), "driver", output_gain=20.0)
    # 46.2 V into 6.4 + 0.22 ohm by Ohm's law.
    assert one.peak_a(one.least_ohm) == pytest.approx(46.2 / 6.62)
    assert two.peak_a(two.least_ohm) == pytest.approx(46.2 / 6.62 / 2 * 1.1)
    assert driver.peak_a(driver.least_ohm) == pytest.approx(46.2 / 6.62 / 20.0 + 0.02)
    assert CircuitFacts.of(unit(), "predriver").peak_a(6.4) < driver.peak_a(6.4)


def test_two_pairs_are_one_pair_with_half_the_current_each() -> None:
    one = loads(CircuitFacts.of(unit(), "output"))
    two = loads(CircuitFacts.of(unit(output_pairs=2, emitter_resistor_ohm=0.44, target_bias_drop_mv=11.0), "output"))
    for a, b in zip(one, two, strict=True):
        assert b.loop.volts == pytest.approx(a.loop.volts, abs=0.01)
        # 10 % for uneven sharing, common practice.
        assert b.loop.amps == pytest.approx(a.loop.amps / 2.0 * 1.1, rel=1e-6)


def test_loads_are_named_and_the_own_one_comes_first() -> None:
    found = loads(CircuitFacts.of(unit(), "output"))
    assert [load.own for load in found] == [True, False, False]
    # IEC 60268-5, from memory: not below 80 % of nominal.
    assert "6.4 ohm" in found[1].name
    assert "60 degrees" in found[2].name
    assert found[0].swing_share == pytest.approx(2.0 / math.pi, abs=0.02)
    # 60 degrees: the heat grows with the swing all the way, as cos 60 is below 2 / pi.
    assert found[2].swing_share == 1.0


@pytest.mark.parametrize("package", ["metal-can", "plastic"])
def test_default_sink_is_never_below_what_a_plan_accepts(package: str) -> None:
    from benchwarden.analysis import thermal_chain

    set_facts = unit(package=package)
    assert CircuitFacts.of(set_facts, "output").sink_c >= thermal_chain.sink_limit_c(
        thermal_chain.package_of(set_facts), 0.0
    )


def test_facts_that_make_no_sense_are_refused() -> None:
    with pytest.raises(JobError, match="role = 'tail'; allowed: output, driver, predriver, other"):
        CircuitFacts.of(unit(), "tail")
    with pytest.raises(JobError, match="sink_c = 900; allowed: 0 to 200"):
        CircuitFacts.of(unit(), "output", sink_c=900.0)
    with pytest.raises(JobError, match="output_gain"):
        CircuitFacts.of(unit(), "driver", output_gain=0.1)


def test_the_demo_amplifier_is_understood() -> None:
    import benchwarden.virtual as virtual
    from benchwarden.core.unit import load_unit

    facts = CircuitFacts.of(load_unit(Path(virtual.__path__[0]) / "demo_unit.toml"), "output")
    assert facts.rail_high_v == pytest.approx(46.2)
    assert facts.idle_a == pytest.approx(0.05)
