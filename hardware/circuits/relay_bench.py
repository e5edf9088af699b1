"""The relay chain on the simulator: what is put in, and when the coil lets go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuits import spice
from circuits.netlist import Part
from circuits.ngspice import run
from circuits.sheets.board import SHEET as BOARD
from circuits.sheets.relay_chain import SHEET

COIL_OHM, COIL_H = spice.COILS["relay_guided"]
COIL_A = 12.0 / COIL_OHM
# Surely operated above 75 % of the nominal coil voltage, surely released below
# 10 %: IEC 61810-1 class limits as relay sheets give them (from memory).
HELD_A = 0.75 * COIL_A
LET_GO_A = 0.10 * COIL_A
EDGE_S = 2.5e-3  # one slot of the scan: 200 Hz
PULL_OHM = 60e3  # RP2040 pull-up and pull-down, 50 to 80 k

# The parts between the gate of the pulses and the coil, for many copies at once.
PUMP = ["R9", "Q3", "R10", "R11", "C10", "C1", "D1", "D2", "C2", "R12", "D5", "R13", "Q1", "Q2", "D7", "D8", "K1"]
# Left out: protection of the 12 V line, and what is on the mains side.
NOT_HERE = ["D3", "D4", "F2", "C3", "RV1", "F1", "S1", "J1", "J2"]


@dataclass(frozen=True)
class Trace:
    """Time and vectors of one run."""

    t_s: NDArray[np.float64]
    v: Mapping[str, NDArray[np.float64]]

    def at(self, vector: str, t_s: float) -> float:
        return float(np.interp(t_s, self.t_s, self.v[vector]))

    def first_below(self, vector: str, level: float, after_s: float) -> float:
        """Return when a vector first is below a level; infinity if never."""
        later = (self.t_s >= after_s) & (self.v[vector] < level)
        return float(self.t_s[np.argmax(later)]) if later.any() else float("inf")

    def first_above(self, vector: str, level: float, after_s: float = 0.0) -> float:
        """Return when a vector first is above a level; infinity if never."""
        later = (self.t_s >= after_s) & (self.v[vector] > level)
        return float(self.t_s[np.argmax(later)]) if later.any() else float("inf")


def level(name: str, node: str, changes: Sequence[tuple[float, float]]) -> str:
    """Return a source that takes each value at its time, with edges of 100 ns.

    Args:
        changes: (time in seconds, volts), the first at time 0.
    """
    points: list[str] = []
    last = changes[0][1]
    for t_s, volts in changes:
        if t_s > 0.0:
            points.append(f"{t_s:.9g} {last:.6g}")
        points.append(f"{t_s + (1e-7 if t_s > 0.0 else 0.0):.9g} {volts:.6g}")
        last = volts
    return f"v_{name} {node} 0 pwl({' '.join(points)})"


def edges(
    start_s: float, stop_s: float, half_s: float = EDGE_S, *, end_high: bool = False
) -> list[tuple[float, float]]:
    """Return the changes of a train that starts low and stops in the level asked for."""
    n = int((stop_s - start_s) / half_s)
    n -= (n % 2) ^ end_high
    return [(0.0, 0.0)] + [(start_s + k * half_s, 0.0 if k % 2 else 3.3) for k in range(n)]


def chain(
    stop_s: float,
    *,
    pulse: Sequence[tuple[float, float]] = ((0.0, 0.0),),
    enable: Sequence[tuple[float, float]] = ((0.0, 0.0),),
    ok_pos: Sequence[tuple[float, float]] | None = ((0.0, 3.3),),
    supply_12: Sequence[tuple[float, float]] = ((0.0, 12.0),),
    supply_5: Sequence[tuple[float, float]] = ((0.0, 5.0),),
    stop_pressed_at_s: float = float("inf"),
    pull_up: bool = False,
    skip: Sequence[str] = (),
    shorted: Sequence[tuple[str, str, str]] = (),
    values: Mapping[str, float] | None = None,
    pulse_source: str = "",
    extra: Sequence[str] = (),
    step_s: float = 50e-6,
) -> Trace:
    """Return a run of the whole chain, gates included.

    Args:
        stop_s: length of the run.
        pulse, enable, ok_pos, supply_12, supply_5: changes of GP15, GP14, of what
            the positive rail module says, of the coil supply before the emergency
            stop and of the board's 5 V. ok_pos None: the module is unplugged.
        stop_pressed_at_s: when the emergency stop opens.
        pull_up: what the firmware puts on GP22: pull-up, or else pull-down.
        pulse_source: a source on node "pulse" in place of `pulse`.
        extra: lines added to the deck.
    """
    pull = f"r_pull coil_sense {'p3v3' if pull_up else '0'} {PULL_OHM}"
    sources = [
        # Trapezoids ring where the clamp takes over from the transistor.
        ".options method=gear",
        level("12", "p12", supply_12),
        level("stop", "stop", [(0.0, 1.0)] + ([(stop_pressed_at_s, 0.0)] if stop_pressed_at_s < stop_s else [])),
        "s_stop p12 p12_e stop 0 contact",
        ".model contact sw(vt=0.5 ron=0.1 roff=100meg)",
        level("5", "p5v", supply_5),
        # The 3.3 V are made from the 5 V.
        level("33", "p3v3", [(t, 3.3 * v / 5.0) for t, v in supply_5]),
        pulse_source or level("pulse", "pulse", pulse),
        level("enable", "enable", enable),
        # Outputs of the modules' isolators.
        *([level("okp", "okp_out", ok_pos), "r_okp okp_out ok_pos 50"] if ok_pos is not None else []),
        "v_okn okn_out 0 3.3",
        "r_okn okn_out ok_neg 50",
        pull,
    ]
    alert = spice.lines(BOARD, "GND", only=["R64", "R65", "D30", "D31"])
    body = spice.lines(SHEET, "GND", skip=[*NOT_HERE, *skip], shorted=shorted, values=values)
    vectors = [
        f"v({n})"
        for n in ("coil_a", "coil_b", "pump_c2", "pump_gate", "coil_sense", "latch_q", "alert", "aux", "p12_e")
    ]
    coil = [] if "K1" in skip else ["i(l_k1)"]
    got = run(
        spice.deck("relay chain", body, alert, sources, extra),
        f"tran {step_s:.3g} {stop_s:.6g} 0 {4 * step_s:.3g}",
        [*vectors, *coil],
    )
    named = {name.removeprefix("v(").rstrip(")"): got[name] for name in vectors}
    return Trace(got["x"], named | ({"coil": got[coil[0]]} if coil else {}))


def spread(part: Part, rng: np.random.Generator) -> float:
    """Return a value of the part drawn evenly from within its tolerance."""
    return part.si() * (1.0 + part.tolerance * float(rng.uniform(-1.0, 1.0)))


def population(
    n: int, seed: int, stop_s: float, changes: Sequence[tuple[float, float]], *, celsius: float = 25.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return times and coil currents (points, n) of n boards with parts from within their tolerances.

    Args:
        changes: of the gates' output, 0 and 5 V; the enable transistor is on.
        celsius: of all parts; transistor thresholds move by -2.5 mV/K.
    """
    rng = np.random.default_rng(seed)
    low, _, high = spice.FET_THRESHOLD_V
    body: list[str] = [level("drive", "pump_drive", changes), f".options temp={celsius}"]
    for k in range(n):
        values: dict[str, float] = {}
        for ref in PUMP:
            part = SHEET.part(ref)
            if part.kind in ("R", "C", "Z"):
                values[ref] = spread(part, rng)
            elif part.kind == "NFET":
                values[ref] = float(rng.uniform(low, high)) - 2.5e-3 * (celsius - 25.0)
        values["K1"] = COIL_H * float(rng.uniform(0.5, 2.0))
        x = f"x{k}_"
        body += spice.lines(SHEET, "GND", only=PUMP, values=values, prefix=x, shared=["PUMP_DRIVE"])
        body += [f"v_12{x} {x}p12_e 0 {rng.uniform(11.4, 12.6):.4f}", f"v_en{x} {x}enable_gate 0 3.3"]
    coils = [f"i(l_x{k}_k1)" for k in range(n)]
    got = run(spice.deck("pump population", body), f"tran 100u {stop_s:.6g} 0 250u", coils)
    return got["x"], np.stack([got[c] for c in coils], axis=1)
