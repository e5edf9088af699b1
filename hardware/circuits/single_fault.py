"""What does the relay chain do with one part open, shorted, drifted or stuck? Simulated on the drawn circuit.

One run takes the chain through all that a board does with it: the self-test's
steps with the relay open, closing, and then each way of opening, one at a time.
`python -m circuits.single_fault` (from the folder hardware/) writes
single-faults.csv; tests hold the file to the simulation.

Not simulated: faults of the relay's contacts, two faults at once (but a fault
that the self-test does not see is said so).
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterator
from dataclasses import astuple, dataclass, fields

import numpy as np

from circuits import ngspice, spice
from circuits.insulation_page import FAULTS
from circuits.netlist import Part
from circuits.sheets.relay_chain import SHEET

# Share of the coil's rated current: surely released below, surely operated above.
# Source: relay makers' must-release and must-operate voltages, from memory.
RELEASED, OPERATED = 0.10, 0.75
COIL_V, SUPPLY_V, LOGIC_V, BOARD_V = 12.0, 12.0, 5.0, 3.3
PULL_OHM = 50e3
# Input levels of the processor at 3.3 V. Source: RP2040 data sheet, from memory.
LOW_V, HIGH_V = 0.8, 2.0
# The pump lets go this long after the last edge at most.
DROP_OUT_MS = 60
# The firmware wants coil sense low this long after the last pulse (chain_test).
SENSE_FALLS_MS = 40

# What is not part of the chain itself: connectors, the mains side, what the
# emergency stop and the mirror contact are read back with.
_OUTSIDE = frozenset(("J1", "J2", "J3", "S1", "F1", "RV1", "R1", "R2", "R3", "C4", "R16", "R17", "R18", "C7"))
CHAIN = tuple(part for part in SHEET.parts if part.ref not in _OUTSIDE)

_PERIOD_MS = 5.0


@dataclass(frozen=True)
class Fault:
    """
    Attributes:
        ref: reference on the relay chain's sheet.
        words: "open", "short", "G-S short", "3Y stuck high", ...
    """

    ref: str
    words: str
    skip: tuple[str, ...] = ()
    shorted: tuple[tuple[str, str, str], ...] = ()
    stuck: tuple[str, float] | None = None
    factor: float = 1.0


@dataclass(frozen=True)
class Outcome:
    """One row of the table, in words; the names of the columns are the page's business."""

    part: str
    fault: str
    idle: str
    closes: str
    stops_low: str
    stops_high: str
    enable_low: str
    alert: str
    estop: str
    seen: str
    result: str


def faults() -> Iterator[Fault]:
    """Yield every single fault of the chain."""
    for part in CHAIN:
        yield from _faults(part)


def _faults(part: Part) -> Iterator[Fault]:
    ref = part.ref
    if part.kind == "IC":
        for gate in "1234":
            for level, words in ((0.0, "low"), (LOGIC_V, "high")):
                yield Fault(ref, f"{gate}Y stuck {words}", stuck=(gate, level))
        return
    yield Fault(ref, "open", skip=(ref,))
    if part.kind == "NFET":
        pairs = (("D", "S"), ("G", "S"), ("G", "D"))
    elif part.kind == "RELAY":
        pairs = (("A1", "A2"),)
    elif part.kind == "D2":
        pairs = (("A", "M"), ("M", "K"))
    else:
        a, b = list(part.pins)[:2]
        pairs = ((a, b),)
    for a, b in pairs:
        yield Fault(ref, "short" if len(pairs) == 1 else f"{a}-{b} short", shorted=((ref, a, b),))
    if part.kind in ("R", "C"):
        yield Fault(ref, "doubled", factor=2.0)
        yield Fault(ref, "halved", factor=0.5)


def _levels(high_v: float, spans: list[tuple[float, float]]) -> str:
    """Return a PWL that is high during the spans, milliseconds."""
    points = ["0 0"]
    for start, end in spans:
        points += [f"{start}m 0", f"{start + 0.01}m {high_v}", f"{end}m {high_v}", f"{end + 0.01}m 0"]
    return "pwl(" + " ".join(points) + ")"


def _train(start: float, end: float) -> list[tuple[float, float]]:
    return [(t, t + _PERIOD_MS / 2) for t in np.arange(start, end, _PERIOD_MS).tolist()]


# The run, milliseconds, in the firmware's order. Relay open: pull-down, pull-up,
# enable alone; pulses alone, an alert in them, and 150 ms later enable with the
# latch set; pulses alone, left at high. From _CLOSE on: closed five times and
# opened in five ways.
_CLOSE = 720
_PULSES = [
    *_train(60, 220),
    *_train(400, 500),
    (500, 562),
    *_train(_CLOSE, _CLOSE + 100),
    *_train(_CLOSE + 180, _CLOSE + 280),
    (_CLOSE + 280, _CLOSE + 360),
    *_train(_CLOSE + 380, _CLOSE + 560),
    *_train(_CLOSE + 580, _CLOSE + 800),
    *_train(_CLOSE + 820, _CLOSE + 980),
]
_ENABLE = [
    (40, 50),
    (370, 374),
    (_CLOSE, _CLOSE + 360),
    (_CLOSE + 380, _CLOSE + 500),
    (_CLOSE + 580, _CLOSE + 760),
    (_CLOSE + 820, _CLOSE + 980),
]
_ALERT = [(160, 371), (_CLOSE + 680, _CLOSE + 682)]
_ESTOP = [(_CLOSE + 920, _CLOSE + 980)]
_PULL_UP = [(20, 60)]
_END_MS = _CLOSE + 980
_TESTED_MS = 700


def _deck(fault: Fault | None) -> str:
    skip = set(fault.skip) if fault else set()
    shorted = fault.shorted if fault else ()
    drifted = {fault.ref: SHEET.part(fault.ref).si() * fault.factor} if fault and fault.factor != 1.0 else {}
    chain = [part.ref for part in CHAIN]
    lines = spice.lines(SHEET, "GND", only=chain, skip=skip, shorted=shorted, values=drifted)
    if fault is not None and fault.stuck is not None:
        gate, level = fault.stuck
        own = f"b_u2{gate} "
        lines = [f"v_stuck u2{gate}_o 0 {level}" if line.startswith(own) else line for line in lines]
    world = [
        f"v_5v p5v 0 {LOGIC_V}",
        f"v_3v3 p3v3 0 {BOARD_V}",
        f"v_12 p12_jack 0 {SUPPLY_V}",
        f"v_pulse pulse_pin 0 {_levels(BOARD_V, _PULSES)}",
        "r_pulse pulse_pin pulse 50",
        f"v_enable enable_pin 0 {_levels(BOARD_V, _ENABLE)}",
        "r_enable enable_pin enable 50",
        f"v_alert alert_on 0 {_levels(1.0, _ALERT)}",
        "s_alert alert 0 alert_on 0 sw_on",
        f"v_estop estop_on 0 {_levels(1.0, _ESTOP)}",
        "s_estop p12 p12_e estop_on 0 sw_off",
        f"v_pull pull 0 {_levels(BOARD_V, _PULL_UP)}",
        f"r_pull pull coil_sense {PULL_OHM:g}",
        ".model sw_on sw(vt=0.5 vh=0.1 ron=20 roff=100meg)",
        ".model sw_off sw(vt=0.5 vh=0.1 ron=100meg roff=0.05)",
        # No node may be left without a path to ground, whatever is open.
        *(f"r_path_{node} {node} 0 1g" for node in ("p12", "p12_e", "coil_a", "coil_b", "coil_sense", "latch_sense")),
        # A missing coil still has to be asked for its current.
        *(["l_k1 k1_none 0 1", "r_k1_none k1_none 0 1"] if "K1" in skip else []),
        ".options reltol=2e-3 method=gear",
    ]
    return spice.deck("relay chain, one fault", lines, world)


def play(fault: Fault | None) -> Outcome:
    """Return what the chain does with this fault, or with none.

    Raises:
        circuits.ngspice.SimulationError: no ngspice, or the run did not end.
    """
    vectors = ["i(l_k1)", "v(coil_sense)", "v(latch_sense)"]
    found = ngspice.run(_deck(fault), f"tran 0.1m {_END_MS}m 0 0.1m", vectors)
    t_ms = found["x"].real * 1e3
    rated_a = COIL_V / spice.COILS["relay_guided"][0]
    share = np.abs(found[vectors[0]].real) / rated_a
    sense_v, latch_v = found[vectors[1]].real, found[vectors[2]].real

    def at(values: np.ndarray, ms: float) -> float:
        return float(np.interp(ms, t_ms, values))

    def most(start: float, end: float) -> float:
        return float(share[(t_ms >= start) & (t_ms <= end)].max())

    def least(start: float, end: float) -> float:
        return float(share[(t_ms >= start) & (t_ms <= end)].min())

    def opens(by: float, end: float) -> str:
        if most(by, end) < RELEASED:
            return "opens"
        return "late" if most(end - 2, end) < RELEASED else "HELD"

    c = _CLOSE
    closed = [least(c + at, c + at + 14) for at in (85, 265, 485, 665, 905)]
    closes = "yes" if min(closed) > OPERATED else "no" if max(closed) < OPERATED else "unsure"
    seen: list[tuple[int, str]] = []
    for values, ms, want, words in (
        (sense_v, 18, 0, "coil sense high at rest"),
        (sense_v, 38, 1, "coil sense low with the pull-up"),
        (latch_v, 39, 0, "latch set at rest"),
        (sense_v, 48, 0, "coil sense high with enable"),
        (sense_v, 58, 1, "coil sense low after enable"),
        (sense_v, 158, 1, "coil sense does not rise with the pulses"),
        (latch_v, 165, 1, "alert does not reach the latch"),
        (sense_v, 160 + DROP_OUT_MS, 0, "alert does not cut the pulses"),
        (latch_v, 373, 1, "latch does not hold"),
        (latch_v, 380, 0, "latch does not release"),
        (sense_v, 498, 1, "pulses do not come back after the alert"),
        (sense_v, 500 + SENSE_FALLS_MS, 0, "coil sense stays after the pulses"),
    ):
        volts = at(values, ms)
        if (volts < HIGH_V) if want else (volts > LOW_V):
            seen.append((ms, words))
    # The self-test ends at its first finding: later steps are not driven.
    tested_ms = min([ms for ms, _ in seen], default=_TESTED_MS)
    idle = most(1, max(39, tested_ms))
    ways = {
        "low": opens(c + 100 + DROP_OUT_MS, c + 179),
        "high": opens(c + 280 + DROP_OUT_MS, c + 359),
        "enable": opens(c + 520, c + 559),
        "alert": opens(c + 680 + DROP_OUT_MS, c + 759),
        "estop": opens(c + 935, c + 979),
    }
    rest = "stays open" if idle < RELEASED else "COIL ON"
    left = sum(way != "HELD" for way in ways.values())
    if rest != "stays open" or not left:
        result = "unsafe"
    elif closes == "no":
        result = "safe: cannot close"
    elif left == len(ways):
        result = "safe, late" if "late" in ways.values() else "safe"
    else:
        result = "safe by the others; refused" if seen else "safe by the others"
    return Outcome(
        fault.ref if fault else "none",
        fault.words if fault else "none",
        rest,
        closes,
        ways["low"],
        ways["high"],
        ways["enable"],
        ways["alert"],
        ways["estop"],
        seen[0][1] if seen else "nothing",
        result,
    )


def main() -> int:
    """Simulate every fault and write the table."""
    rows = [play(None), *(play(fault) for fault in faults())]
    with FAULTS.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([field.name for field in fields(Outcome)])
        writer.writerows(astuple(row) for row in rows)
    unsafe = [row for row in rows if row.result == "unsafe"]
    for row in unsafe:
        sys.stdout.write(f"unsafe: {row}\n")
    return 1 if unsafe else 0


if __name__ == "__main__":
    sys.exit(main())
