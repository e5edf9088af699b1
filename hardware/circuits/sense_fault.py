"""What do the sense paths read with one part open, shorted or drifted? Simulated on the drawn circuits.

For each analogue part of an output module, a rail module and a sensor input:
what the board would tell at a known point, and who notices. `python -m
circuits.sense_fault` (from the folder hardware/) writes sense-faults.csv;
tests hold the file to the simulation.

Who notices is worked out from thresholds that stand elsewhere: the self-test's
mid supply, what the cold check of a power-up expects with the relay open, the
sensor's range, and a calibration, which refuses or corrects an error above its
uncertainty. Not simulated: supplies and isolators, whose loss is a silent bus;
filters that are slower or faster by a factor of two.
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass, fields
from pathlib import Path

from circuits import ngspice, spice
from circuits.netlist import Part, Sheet
from circuits.output_bench import ANALOGUE, DETECTOR
from circuits.sheets import ntc_input, rail_module
from circuits.sheets.output_module import LEFT

TABLE = Path(__file__).parents[1] / "sense-faults.csv"

# The point: what is truly there.
BIAS_V, OFFSET_V, RAIL_V, LOAD_A, SENSOR_OHM, HF_PEAK_V, HF_HZ = 0.020, 10.0, 42.0, 1.0, 10_000.0, 5.0, 1e6
# Self-test: mid supply within 5 % of 1.65 V (firmware, converter_test).
MIDDLE_V, MIDDLE_SHARE = 1.65, 0.05
# Cold check, relay open: what a reading of nothing may be.
COLD_BIAS_V, COLD_OFFSET_V, COLD_RAIL_V, COLD_RAIL_A = 2e-3, 0.2, 5.0, 0.05
# Share of the reading that a first power-up's expected ranges show, and a calibration.
PLAN_SHARE, CALIBRATION_SHARE = 0.20, 0.01
ATTENUATOR, HF_RATIO, SHUNT_OHM, PULL_OHM = 55.0, 25.0, 0.010, 10_000.0

RAIL_PARTS = ("F1", "R1", "R2", "R3", "C1", "D1", "D2", "D3", "D4", "R4", "R5", "C2", "D5")
SENSOR_PARTS = ("R30", "R31", "R32", "R33", "D21", "C21", "TH1")
_ESD = (".model esd d(is=1e-14 n=1 rs=20)",)


@dataclass(frozen=True)
class Fault:
    """One part of one sheet, and what is wrong with it."""

    part: Part
    words: str
    skip: tuple[str, ...] = ()
    shorted: tuple[tuple[str, str, str], ...] = ()
    factor: float = 1.0

    def lines(self, sheet: Sheet, ground: str, only: Sequence[str]) -> list[str]:
        """Return the deck of a sheet with this fault in it."""
        values = {self.part.ref: self.part.si() * self.factor} if self.factor != 1.0 else {}
        return spice.lines(sheet, ground, only=only, skip=self.skip, shorted=self.shorted, values=values)


@dataclass(frozen=True)
class Outcome:
    """One row of the table, in words."""

    module: str
    part: str
    fault: str
    reads: str
    told_by: str


def faults(sheet: Sheet, refs: Sequence[str]) -> Iterator[Fault]:
    """Yield open, short and drift of every part named."""
    for ref in refs:
        part = sheet.part(ref)
        yield Fault(part, "open", skip=(ref,))
        pins = list(part.pins)
        if part.kind == "F":
            continue
        pairs = [(pins[0], pins[1])] if part.kind != "D2" else [("A", "M"), ("M", "K")]
        for a, b in pairs:
            yield Fault(part, "short" if len(pairs) == 1 else f"{a}-{b} short", shorted=((ref, a, b),))
        if part.kind in ("R", "SHUNT"):
            yield Fault(part, "10 % high", factor=1.1)
            yield Fault(part, "10 % low", factor=0.9)


# Output module


def _static(fault: Fault, bias_v: float, offset_v: float) -> tuple[float, float, float]:
    """Return bias and offset as told, volts, and the middle against the module's ground."""
    body = ["v_33 v33 0 3.3", f"v_o term amp0 {offset_v}", f"v_b emit term {bias_v}", *_ESD]
    for pin in ("ain0", "ain2"):
        body += [f"d_{pin}u {pin} v33 esd", f"d_{pin}d 0 {pin} esd"]
    # No node may be left without a path, whatever is open.
    body += [f"r_path_{node} {node} term 10g" for node in ("ain0", "ain2", "hp1", "hp2", "peak", "ain1")]
    body += spice.ads_input("ua", "ain2", "term", 2.048) + spice.ads_input("ub", "ain0", "term", 0.256)
    deck = spice.deck("output", fault.lines(LEFT, "GM", ANALOGUE), body)
    got = ngspice.run(deck, "op", ["v(ain0)", "v(ain2)", "v(term)"])
    term = float(got["v(term)"][0].real)
    bias = float(got["v(ain0)"][0].real) - term
    offset = float(got["v(ain2)"][0].real) - term
    return min(0.256, max(-0.256, bias)), -ATTENUATOR * min(2.048, max(-2.048, offset)), term


def _level(fault: Fault) -> float:
    """Return what the detector holds for a steady HF, as the firmware's linear part tells it, volts."""
    ohm = LEFT.part("R11").si() + LEFT.part("R12").si()
    held = ["r_path peak 0 10g", "r_path1 ain1 0 10g", "r_path2 hp2 0 10g", "r_path3 hp1 0 10g"]
    lines = fault.lines(LEFT, "TERM", DETECTOR)
    # The hold is taken shorter by the same factor in every case, so that it settles in a short run.
    hold_f = 60 / HF_HZ / ohm
    lines = [f"{line.rsplit(' ', 1)[0]} {hold_f:.4g}" if line.startswith("c_c7 ") else line for line in lines]
    deck = spice.deck("hf", lines, [f"v_s amp0 0 sin(0 {HF_PEAK_V} {HF_HZ})", *held])
    step, stop = 1 / HF_HZ / 40, 400 / HF_HZ
    got = ngspice.run(deck, f"tran {step} {stop} {stop - 20 / HF_HZ} {step}", ["v(ain1)"])
    return HF_RATIO * min(2.048, float(got["v(ain1)"].real.mean()))


def output_faults() -> list[Outcome]:
    """Return the rows of an output module."""
    sound = Fault(LEFT.part("R1"), "none")
    reading = _rise(sound, _static(sound, 0.0, 0.0))
    level = _level(sound)
    return [_output(fault, reading, level) for fault in faults(LEFT, ANALOGUE)]


def _rise(fault: Fault, rest: tuple[float, float, float]) -> tuple[float, float]:
    """Return what bias and offset rise by between rest and the point, volts."""
    bias, offset, _ = _static(fault, BIAS_V, OFFSET_V)
    return bias - rest[0], offset - rest[1]


def _output(fault: Fault, sound: tuple[float, float], sound_level: float) -> Outcome:
    rest_bias, rest_offset, middle = rest = _static(fault, 0.0, 0.0)
    bias_gain, offset_gain = (a / b for a, b in zip(_rise(fault, rest), sound, strict=True))
    level = _level(fault) / sound_level if fault.part.ref in DETECTOR else 1.0
    told = []
    if abs(middle / MIDDLE_V - 1) > MIDDLE_SHARE:
        told.append("self-test: mid supply")
    if abs(rest_bias) > COLD_BIAS_V or abs(rest_offset) > COLD_OFFSET_V:
        told.append("cold check")
    reads = f"bias x {bias_gain:.2f}, offset x {offset_gain:.2f}, HF x {level:.2f}".replace("-0.00", "0.00")
    worst = max(abs(bias_gain - 1), abs(offset_gain - 1), abs(level - 1))
    if not told and abs(bias_gain - 1) > PLAN_SHARE:
        told.append("power-up: bias is not where the pot puts it")
    elif not told and (offset_gain - 1 < -PLAN_SHARE or level - 1 < -PLAN_SHARE):
        who = "commissioning, calibration" if offset_gain - 1 < -PLAN_SHARE else "calibration"
        told.append(f"{who}; nobody in between: a good set reads 0")
    elif not told and max(offset_gain, level) - 1 > PLAN_SHARE:
        told.append("trips early; calibration")
    return Outcome("output module", fault.part.ref, fault.words, reads, _noticed(fault, told, worst))


def _harmless(fault: Fault) -> str:
    if fault.part.kind in ("D", "D2", "Z"):
        return "nobody: reads right, a clamp is weaker or missing"
    return "not needed: reads right"


def _noticed(fault: Fault, told: list[str], worst: float) -> str:
    if told:
        return "; ".join(told)
    if worst < CALIBRATION_SHARE:
        return _harmless(fault)
    return "calibration"


# Rail module


def _rail(fault: Fault, volts: float, amps: float) -> tuple[float, float]:
    """Return current and voltage as told."""
    body = [
        f"v_r s_plus_in zero_in {volts}",
        f"r_load s_minus zero_in {volts / amps if amps else 1e9}",
        "r_pin vbus_pin 0 1meg",
        "r_path in_p 0 1g",
        "r_path2 in_n 0 1g",
        "r_path3 zero_in 0 1g",
    ]
    lines = fault.lines(rail_module.POSITIVE, "GM", [*RAIL_PARTS, "JP1A", "JP1B"])
    got = ngspice.run(spice.deck("rail", lines, body), "op", ["v(in_p)", "v(in_n)", "v(vbus_pin)"])
    shunt = float(got["v(in_p)"][0].real - got["v(in_n)"][0].real)
    return min(0.16384, max(-0.16384, shunt)) / SHUNT_OHM, float(got["v(vbus_pin)"][0].real)


def rail_faults() -> list[Outcome]:
    """Return the rows of a rail module, set for the positive rail."""
    rows = []
    for fault in faults(rail_module.POSITIVE, RAIL_PARTS):
        rest_a, rest_v = _rail(fault, 0.01, 0.0)
        amps, volts = _rail(fault, RAIL_V, LOAD_A)
        told = []
        if abs(rest_a) > COLD_RAIL_A or abs(rest_v) > COLD_RAIL_V:
            told.append("cold check")
        if abs(volts / RAIL_V - 1) > PLAN_SHARE:
            told.append("first stage: rail missing")
        elif abs(amps / LOAD_A - 1) > PLAN_SHARE:
            told.append("rails that differ; over-current if it reads high")
        worst = max(abs(volts / RAIL_V - 1), abs(amps / LOAD_A - 1))
        reads = f"current x {amps / LOAD_A:.2f}, voltage x {volts / RAIL_V:.2f}".replace("-0.00", "0.00")
        rows.append(Outcome("rail module", fault.part.ref, fault.words, reads, _noticed(fault, told, worst)))
    return rows


# Sensor input


def sensor_faults() -> list[Outcome]:
    """Return the rows of one sensor input, at 25 C."""
    rows = []
    for fault in faults(ntc_input.SHEET, SENSOR_PARTS):
        lines = fault.lines(ntc_input.SHEET, "GND", SENSOR_PARTS)
        body = ["v_33 p3v3 0 3.3", "r_path sink_left 0 1g", "r_path2 ntc_left 0 1g"]
        got = ngspice.run(spice.deck("sensor", lines, body), "op", ["v(sink_left)"])
        share = min(0.9999, max(1e-4, float(got["v(sink_left)"][0].real) / 3.3))
        ohm = PULL_OHM * share / (1 - share)
        # Beta relation is near enough to say which way and how far.
        celsius = 1 / (1 / 298.15 + math.log(ohm / SENSOR_OHM) / 3977.0) - 273.15
        off = celsius - 25.0
        told: list[str] = []
        if not -50.0 < celsius < 160.0:
            told.append("self-test and scan: sensor open or shorted")
        elif abs(off) > 10.0:
            told.append("cold check: sensors differ")
        reads = f"{off:+.1f} K".replace("-0.0", "+0.0") if -50.0 < celsius < 160.0 else "outside its range"
        said = "; ".join(told) or (_harmless(fault) if abs(off) < 0.3 else "calibration")
        rows.append(Outcome("sensor input", fault.part.ref, fault.words, reads, said))
    return rows


def main() -> int:
    """Simulate every fault and write the table."""
    rows = [*output_faults(), *rail_faults(), *sensor_faults()]
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([field.name for field in fields(Outcome)])
        writer.writerows(astuple(row) for row in rows)
    return 0


if __name__ == "__main__":
    sys.exit(main())
