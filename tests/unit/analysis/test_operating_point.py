"""The supply's operating point against limits that are known, and against a circuit simulator.

The simulator gets its own circuit: real diodes, an ideal transformer, reservoirs
with ripple, and a filament that heats and cools by itself.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from benchwarden.analysis.operating_point import (
    DIODE_V,
    Supply,
    charging_s,
    estimated_regulation,
    estimated_va,
    idle_load,
    inrush_a,
    output_idle_a,
    rectified,
    resistor,
    settled,
    supply_of,
)
from benchwarden.core.tungsten import RESISTIVITY_UOHM_CM
from benchwarden.core.unit import Unit
from benchwarden.virtual.lamp import filament_heat_capacity

UNIT = Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0)
SMALL_115 = Unit(20.0, 8.0, 28.0, 0.33, 15.0, 60.0, mains_v=115.0, mains_hz=60.0, reservoir_uf=4700.0)
LARGE = Unit(150.0, 8.0, 65.0, 0.22, 15.0, 200.0, output_pairs=3, reservoir_uf=15000.0)
NGSPICE = shutil.which("ngspice")


def test_empty_reservoir_gets_the_rectified_mean() -> None:
    # Full-wave mean 2/pi, rms 1/sqrt(2), peak 1 of a sine, when nothing holds it back.
    pulses = rectified(1000.0, -DIODE_V, 10.0)
    assert pulses.mean_a == pytest.approx(100.0 * 2.0 / math.pi, rel=1e-2)
    pulses = rectified(1e6, 0.0, 10.0)
    assert pulses.mean_a == pytest.approx(1e5 * 2.0 / math.pi, rel=1e-5)
    assert pulses.rms_a == pytest.approx(1e5 / math.sqrt(2.0), rel=1e-5)
    assert pulses.peak_a == pytest.approx(1e5, rel=1e-5)


@pytest.mark.parametrize("dc_v", [1.0, 20.0, 35.0, 38.5])
def test_pulses_equal_their_integrals(dc_v: float) -> None:
    # The closed form against summing the pulse itself.
    n = 200_000
    amps = [max((40.0 * math.sin(math.pi * (i + 0.5) / n) - DIODE_V - dc_v) / 1.7, 0.0) for i in range(n)]
    pulses = rectified(40.0, dc_v, 1.7)
    assert pulses.mean_a == pytest.approx(sum(amps) / n, rel=1e-6)
    assert pulses.rms_a == pytest.approx(math.sqrt(sum(a * a for a in amps) / n), rel=1e-6)
    assert pulses.peak_a == pytest.approx(max(amps), rel=1e-6)


def test_full_reservoir_gets_nothing() -> None:
    assert rectified(40.0, 40.0, 1.0).mean_a == 0.0
    assert rectified(0.0, 0.0, 1.0).peak_a == 0.0


@pytest.mark.parametrize("unit", [UNIT, SMALL_115, LARGE])
def test_idling_rail_is_the_nominal_one(unit: Unit) -> None:
    idle = idle_load(output_idle_a(unit) + unit.quiescent_other_a, unit.rail_nominal_v)
    point = settled(supply_of(unit), 100.0, False, idle)
    assert point.rail_v == pytest.approx(unit.rail_nominal_v, abs=1e-3)
    assert point.rail_a == pytest.approx(output_idle_a(unit) + unit.quiescent_other_a, rel=1e-6)


@pytest.mark.parametrize("unit", [UNIT, SMALL_115, LARGE])
def test_windings_sag_by_the_regulation(unit: Unit) -> None:
    # What the regulation means: both half windings at rated current, resistive.
    supply = supply_of(unit)
    half_v = supply.turns * unit.mains_v
    rated_a = supply.va / (2.0 * half_v)
    drop_v = rated_a * (supply.half_ohm + 2.0 * supply.turns**2 * supply.primary_ohm)
    assert drop_v / half_v == pytest.approx(supply.regulation, rel=1e-9)
    assert supply.regulation == estimated_regulation(estimated_va(unit))


def test_dead_short_puts_the_whole_mains_on_the_lamp() -> None:
    # With no resistance but the lamp's, it must burn at its rating: 100 W.
    supply = replace(supply_of(UNIT), half_ohm=1e-6, primary_ohm=1e-6, mains_ohm=1e-6, magnetising_a=0.0, turns=10.0)
    point = settled(supply, 100.0, True, resistor(1e-6))
    assert point.lamp_w == pytest.approx(100.0, rel=0.01)
    assert point.lamp_k == pytest.approx(2800.0, abs=15.0)


def test_energy_is_conserved() -> None:
    # What the mains gives is what lamp, windings, diodes and load take.
    supply = replace(supply_of(UNIT), magnetising_a=0.0)
    for load in (idle_load(0.2, 42.0), resistor(0.32)):
        point = settled(supply, 100.0, True, load)
        rms_a = point.primary_a / (2.0 * supply.turns)
        lost_w = point.lamp_w + point.primary_a**2 * (supply.primary_ohm + supply.mains_ohm)
        lost_w += 2.0 * rms_a**2 * supply.half_ohm + 2.0 * point.rail_a * (DIODE_V + point.rail_v)
        # Power in, from the pulse itself: the mean of v times i over a half cycle.
        n = 20_000
        peak_v, ohm = supply.peak_v(100.0), supply.source_ohm(point.lamp_ohm, 2)
        mean_w = 0.0
        for i in range(n):
            volts = peak_v * math.sin(math.pi * (i + 0.5) / n)
            mean_w += volts * max((volts - DIODE_V - point.rail_v) / ohm, 0.0) / n
        assert lost_w == pytest.approx(2.0 * mean_w, rel=2e-3)


def test_lamp_holds_more_back_the_more_is_drawn() -> None:
    supply = supply_of(UNIT)
    points = [settled(supply, 100.0, True, idle_load(amps, 42.0)) for amps in (0.03, 0.1, 0.3, 0.6)]
    assert [p.rail_v for p in points] == sorted((p.rail_v for p in points), reverse=True)
    assert [p.lamp_ohm for p in points] == sorted(p.lamp_ohm for p in points)


_TABLE = ",".join(f"{300 + 100 * i},{rho}" for i, rho in enumerate(RESISTIVITY_UOHM_CM))


def _netlist(
    supply: Supply, mains_pct: float, limiter_in: bool, load: str, heat_j_per_k: float, end_s: float, phase: float
) -> str:
    peak_v = math.sqrt(2.0) * supply.mains_v * mains_pct / 100.0
    lamp = supply.lamp
    gas = 0.07 * lamp.rated_w / 2500.0
    radiation = 0.93 * lamp.rated_w / (2800.0**4 - 300.0**4)
    ohm = f"({lamp.hot_ohm / 84.7}*pwl(v(tk),{_TABLE}))"
    through = f"Blamp a b I=v(a,b)/{ohm}" if limiter_in else "Rlamp a b 1m"
    return f"""lamp, transformer, bridge, reservoirs
Vm a0 0 SIN(0 {peak_v} {supply.mains_hz} 0 0 {phase})
Rm a0 a {supply.mains_ohm + supply.primary_ohm}
{through}
* filament: heat capacity, radiation, gas
Ct tk 0 {heat_j_per_k} IC=300
Bheat 0 tk I=v(a,b)*v(a,b)/{ohm}
Bcool tk 0 I={radiation}*(v(tk)^4-300^4)+{gas}*(v(tk)-300)
* ideal transformer, centre-tapped
Ep s1 0 b 0 {supply.turns}
En 0 s2 b 0 {supply.turns}
Vp s1 t1 0
Vn s2 t2 0
Fp b 0 Vp {supply.turns}
Fn 0 b Vn {supply.turns}
Rp t1 x1 {supply.half_ohm}
Rn t2 x2 {supply.half_ohm}
D1 x1 pos rect
D2 x2 pos rect
D3 neg x1 rect
D4 neg x2 rect
.model rect D(IS=2.7n N=1.75 RS=0.03)
Cp pos 0 {supply.reservoir_f + supply.local_f} IC=0
Cn 0 neg {supply.reservoir_f + supply.local_f} IC=0
Bp pos 0 I={load.replace("V", "v(pos)")}
Bn 0 neg I={load.replace("V", "(-v(neg))")}
.tran 50u {end_s} 0 50u UIC
.control
run
let from = {end_s} - 0.2
meas tran rail avg v(pos) from={end_s - 0.2} to={end_s}
meas tran cold avg v(neg) from={end_s - 0.2} to={end_s}
meas tran kelvin avg v(tk) from={end_s - 0.2} to={end_s}
meas tran mains rms i(Vm) from={end_s - 0.2} to={end_s}
meas tran first max v(pos) from=0 to=1u
let ip = i(Vp)
meas tran inrush max ip from=0 to={end_s}
let level = 0.95 * rail
meas tran charged when v(pos)=level rise=1
.endc
.end
"""


def _simulated(tmp_path: Path, netlist: str) -> dict[str, float]:
    assert NGSPICE is not None
    path = tmp_path / "supply.cir"
    path.write_text(netlist, encoding="utf-8")
    done = subprocess.run([NGSPICE, "-b", str(path)], capture_output=True, text=True, timeout=120, check=False)
    found = {m[1]: float(m[2]) for m in re.finditer(r"^(\w+)\s+=\s+(-?[\d.]+e[+-]\d+)", done.stdout, re.M)}
    assert "rail" in found, done.stdout + done.stderr
    return found


def _idle(amps: float, unit: Unit) -> str:
    return f"{amps}*min(1,max(V,0)/{0.15 * unit.rail_nominal_v})"


@pytest.mark.ngspice
@pytest.mark.skipif(NGSPICE is None, reason="ngspice is not installed")
@pytest.mark.parametrize(
    ("unit", "mains_pct", "limiter_in", "amps"),
    [
        (UNIT, 100.0, True, 0.13),
        (UNIT, 50.0, True, 0.2),
        (UNIT, 100.0, False, 1.0),
        (SMALL_115, 75.0, True, 0.15),
        (LARGE, 100.0, True, 0.7),
    ],
)
def test_healthy_point_agrees_with_ngspice(
    tmp_path: Path, unit: Unit, mains_pct: float, limiter_in: bool, amps: float
) -> None:
    supply = replace(supply_of(unit), magnetising_a=0.0)
    mine = settled(supply, mains_pct, limiter_in, idle_load(amps, unit.rail_nominal_v))
    # A tenth of the filament's heat settles it sooner and still rides over the half cycles.
    heat = 0.3 * filament_heat_capacity(unit.limiter_lamp_w, unit.mains_v)
    seen = _simulated(tmp_path, _netlist(supply, mains_pct, limiter_in, _idle(amps, unit), heat, 3.0, 0.0))
    # Ripple (left out here) and the diodes' own curve are what is left of a difference.
    assert mine.rail_v == pytest.approx(seen["rail"], rel=0.015)
    assert -seen["cold"] == pytest.approx(seen["rail"], rel=1e-3)
    assert mine.primary_a == pytest.approx(seen["mains"], rel=0.02)
    if limiter_in:
        assert mine.lamp_k == pytest.approx(seen["kelvin"], rel=0.03)


@pytest.mark.ngspice
@pytest.mark.skipif(NGSPICE is None, reason="ngspice is not installed")
@pytest.mark.parametrize(("unit", "mains_pct"), [(UNIT, 25.0), (UNIT, 100.0), (SMALL_115, 50.0), (LARGE, 75.0)])
def test_shorted_point_agrees_with_ngspice(tmp_path: Path, unit: Unit, mains_pct: float) -> None:
    supply = replace(supply_of(unit), magnetising_a=0.0)
    mine = settled(supply, mains_pct, True, resistor(0.3))
    heat = 0.3 * filament_heat_capacity(unit.limiter_lamp_w, unit.mains_v)
    seen = _simulated(tmp_path, _netlist(supply, mains_pct, True, "V/0.3", heat, 2.0, 0.0))
    assert mine.rail_a == pytest.approx(seen["rail"] / 0.3, rel=0.01)
    assert mine.primary_a == pytest.approx(seen["mains"], rel=0.01)
    assert mine.lamp_k == pytest.approx(seen["kelvin"], rel=0.03)


@pytest.mark.ngspice
@pytest.mark.skipif(NGSPICE is None, reason="ngspice is not installed")
@pytest.mark.parametrize(("unit", "mains_pct"), [(UNIT, 25.0), (UNIT, 100.0), (SMALL_115, 100.0), (LARGE, 25.0)])
def test_inrush_and_charging_agree_with_ngspice(tmp_path: Path, unit: Unit, mains_pct: float) -> None:
    supply = replace(supply_of(unit), magnetising_a=0.0)
    amps = output_idle_a(unit) + unit.quiescent_other_a
    heat = filament_heat_capacity(unit.limiter_lamp_w, unit.mains_v)
    seen = _simulated(tmp_path, _netlist(supply, mains_pct, True, _idle(amps, unit), heat, 4.0, 90.0))
    peak_a = inrush_a(supply, mains_pct, True)
    assert seen["inrush"] == pytest.approx(peak_a, rel=0.08)
    time_s = charging_s(supply, mains_pct, True, idle_load(amps, unit.rail_nominal_v))
    assert seen["charged"] == pytest.approx(time_s, rel=0.2)
