"""Which checks come before power, what passes them, and may this set be powered up?

Meter and eyes, mains plug out. Limits marked "common practice, no source" are what a
technician would wave through; the sheet of the part goes before them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from benchwarden.core.job import CheckResult
from benchwarden.core.unit import Unit
from benchwarden.errors import PlanError

_PRACTICE = "common practice, no source"
CHANNELS = ("left", "right")
# A reason of a word or two is none.
SHORTEST_WHY = 8


@dataclass(frozen=True)
class ColdCheck:
    """One kind of check.

    Attributes:
        key: as results name it.
        per_channel: made for left and right, each with its own result.
        required: the run will not start without it.
        how: what to do, in words.
        unit: of `marked` and `measured`; "" where nothing is measured.
        least, most: allowed measured value, absolute; None leaves that side open.
        least_ratio, most_ratio: allowed measured over marked; None leaves that side open.
        asks_noise: whether a part that crackles when warmed or tapped fails.
        harm: what happens when power is put on with this one failed.
        source: of the limits.
    """

    key: str
    title: str
    how: str
    harm: str
    per_channel: bool = False
    required: bool = True
    unit: str = ""
    least: float | None = None
    most: float | None = None
    least_ratio: float | None = None
    most_ratio: float | None = None
    asks_noise: bool = False
    source: str = _PRACTICE

    @property
    def compares(self) -> bool:
        """Whether a marked value is needed to judge the measured one."""
        return self.least_ratio is not None or self.most_ratio is not None

    def limit_words(self) -> str:
        """Return what passes, in words; "" where nothing is measured."""
        words = []
        if self.least_ratio is not None and self.most_ratio is not None:
            words.append(f"{self.least_ratio * 100:g} to {self.most_ratio * 100:g} % of the marked value")
        if self.least is not None and self.most is not None:
            words.append(f"{self.least:g} to {_quantity(self.most, self.unit)}")
        elif self.least is not None:
            words.append(f"{_quantity(self.least, self.unit)} or more")
        elif self.most is not None:
            words.append(f"{_quantity(self.most, self.unit)} or less")
        if self.asks_noise:
            words.append("not noisy")
        return ", ".join(words)


COLD_CHECKS: tuple[ColdCheck, ...] = (
    ColdCheck(
        "discharged",
        "Reservoirs discharged",
        "Plug out. Measure across each reservoir capacitor; discharge through a resistor, never by a short, "
        "and measure again.",
        "The charge burns meter, part or hand at the first touch; a check on a charged rail reads nonsense.",
        unit="V",
        # The negative rail's reservoir reads below zero.
        least=-2.0,
        most=2.0,
        source="2 V: common practice, no source; 60 V d.c. is the limit of energy source class 1 in IEC 62368-1 "
        "(from memory), no limit for semiconductors",
    ),
    ColdCheck(
        "mains fuse",
        "Mains and rail fuses",
        "Every fuse of the rating and speed printed beside its holder, none bridged.",
        "A fuse too large lets wiring and transformer burn where the lamp no longer limits.",
    ),
    ColdCheck(
        "mains insulation",
        "Mains to chassis insulation",
        "Plug out, switch on, both pins together against metal that can be touched, with an insulation tester.",
        "The case becomes live with the first plug-in.",
        unit="ohm",
        least=1e6,
        source="1 megohm, class I, in the German rules for tests after repair (DIN VDE 0701-0702, from memory); "
        "local codes go first",
    ),
    ColdCheck(
        "junctions",
        "Output and driver junctions",
        "Diode test, both junctions of every output and driver in both directions. Note the lowest forward reading.",
        "A shorted junction puts a rail on the output: the other half, its driver and the emitter resistors go in "
        "milliseconds once the lamp is out.",
        per_channel=True,
        unit="V",
        least=0.35,
        most=0.85,
        source="silicon at about 1 mA; common practice, no source (germanium reads less: skip with the reason)",
    ),
    ColdCheck(
        "collector to emitter",
        "Collector to emitter",
        "Ohms from collector to emitter of every output, both directions, base left alone. Note the lowest.",
        "A device that leaks carries current that no bias setting takes away, and more of it as it warms.",
        per_channel=True,
        unit="ohm",
        least=10e3,
    ),
    ColdCheck(
        "case insulation",
        "Output case to heatsink",
        "Ohms from every output's case or tab to the heatsink, highest range.",
        "The rail is shorted to the chassis, or a second device is shorted through the sink.",
        per_channel=True,
        unit="ohm",
        least=10e6,
    ),
    ColdCheck(
        "emitter resistors",
        "Emitter resistors",
        "Measure each with leads subtracted (four-wire below 1 ohm). Note the one farthest from its marking.",
        "An open one leaves half of the pair to carry everything; one that rose makes its device idle cold while the "
        "others take its share, and every bias reading across it is wrong.",
        per_channel=True,
        unit="ohm",
        least_ratio=0.90,
        most_ratio=1.10,
        source="5 % parts and 5 % for a hand meter on tenths of an ohm; common practice, no source",
    ),
    ColdCheck(
        "fusible resistors",
        "Fusible and safety resistors",
        "Measure every fusible resistor on the driver board, one lead lifted where needed. Note the one farthest from "
        "its marking; tap and warm it while the meter is on.",
        "A risen one starves a driver or moves the operating point; one that opens under power lets the output go to a "
        "rail.",
        unit="ohm",
        least_ratio=0.90,
        most_ratio=1.20,
        asks_noise=True,
    ),
    ColdCheck(
        "carbon resistors",
        "Carbon resistors",
        "Measure carbon composition and old carbon film types in the input, bias and feedback paths. Note the one "
        "farthest from its marking; tap and warm it.",
        "Feedback and bias move with it; a noisy one in the bias string makes the idle current jump.",
        unit="ohm",
        least_ratio=0.85,
        most_ratio=1.20,
        asks_noise=True,
    ),
    ColdCheck(
        "bias minimum",
        "Bias at minimum",
        "Turn each bias control to least current and prove it: the spreader must have its least voltage there. "
        "Turn it through while measuring the wiper: no jumps.",
        "The outputs idle at amperes from the first second on, and a wiper that lifts does the same later.",
        per_channel=True,
        asks_noise=True,
    ),
    ColdCheck(
        "output network resistor",
        "Output network resistor",
        "Measure the resistor in series with the capacitor from output to ground.",
        "Without its damping the stage oscillates far above audio and heats devices that look idle on a meter. "
        "A burnt one says that it has done so before.",
        per_channel=True,
        unit="ohm",
        least_ratio=0.80,
        most_ratio=1.20,
    ),
    ColdCheck(
        "output network capacitor",
        "Output network capacitor",
        "Measure the capacitor of the output network, one lead lifted.",
        "Shorted, it puts the resistor across the output and burns it; open or dried, the stage oscillates.",
        per_channel=True,
        unit="nF",
        least_ratio=0.80,
        most_ratio=1.20,
    ),
    ColdCheck(
        "reservoir capacitors",
        "Reservoir capacitors",
        "Measure capacitance of each, look for bulges and leaks. Note the lowest.",
        "A shorted one blows the rectifier; a dried one lets ripple through, which looks like a bias fault, and "
        "leaves one rail weak when the set is driven.",
        unit="uF",
        least_ratio=0.80,
        most_ratio=1.50,
        source="-20 % and, for old types, +50 %: usual tolerance of aluminium electrolytics (IEC 60384-4, from memory)",
    ),
    ColdCheck(
        "protective earth",
        "Protective earth",
        "From the earth pin of the plug to metal that can be touched; class I sets only.",
        "A fault to the case is not cleared by the fuse.",
        required=False,
        unit="ohm",
        most=0.3,
        source="0.3 ohm with a cord of up to 5 m (DIN VDE 0701-0702, from memory); local codes go first",
    ),
    ColdCheck(
        "output inductor",
        "Output inductor",
        "Ohms through the coil (and the resistor it is wound on) from the stage to the terminal.",
        "Open, the stage has no load and the loudspeaker is silent; its damping resistor carries everything and burns.",
        per_channel=True,
        required=False,
        unit="ohm",
        most=0.5,
    ),
)
BY_KEY = {check.key: check for check in COLD_CHECKS}


@dataclass(frozen=True)
class Judged:
    """One result as it counts.

    Attributes:
        state: "passed", "failed" or "skipped"; a measured value outside the limits is "failed"
            whatever the person ticked.
        why: in words where the state comes from.
    """

    result: CheckResult
    check: ColdCheck
    state: str
    why: str

    @property
    def is_excused(self) -> bool:
        """Whether a person said why power may go on all the same."""
        return self.state != "passed" and len(self.result.why.strip()) >= SHORTEST_WHY


@dataclass(frozen=True)
class Gate:
    """May the plan start?

    Attributes:
        judged: every result.
        blocking: what stands in the way, in sentences; empty when the plan may start.
        excused: what is started with all the same, and the person's reason, in sentences.
    """

    judged: tuple[Judged, ...]
    blocking: tuple[str, ...]
    excused: tuple[str, ...]

    @property
    def is_open(self) -> bool:
        return not self.blocking


def judge_result(result: CheckResult) -> Judged:
    """Return how one result counts.

    Raises:
        PlanError: it names no check that is known.
    """
    check = BY_KEY.get(result.check)
    if check is None:
        raise PlanError(f"cold checks: check = {result.check[:60]!r}; allowed: {', '.join(BY_KEY)}")
    if result.state == "skipped":
        return Judged(result, check, "skipped", "skipped")
    against = _against(check, result)
    if against:
        return Judged(result, check, "failed", against)
    if result.state == "failed":
        return Judged(result, check, "failed", result.note or "the person found it failed")
    if check.unit and result.measured is None:
        return Judged(result, check, "skipped", f"ticked without a reading; it takes one in {check.unit}")
    if check.compares and result.marked is None:
        return Judged(result, check, "skipped", f"no marked value to compare {_reading(check, result)} with")
    return Judged(result, check, "passed", _reading(check, result))


def gate(results: Iterable[CheckResult], unit: Unit | None = None) -> Gate:
    """Return whether a plan may start on these results.

    Args:
        unit: the facts the plan is computed from, to hold the marked values against.

    Every required check, for both channels where it has two, needs a result that passed,
    or a reason. Several results of a check (one a part) all have to pass.

    Raises:
        PlanError: a result names no check that is known, or no channel where it needs one.
    """
    judged = tuple(judge_result(result) for result in results)
    for item in judged:
        if item.check.per_channel and _side(item.result) is None:
            raise PlanError(
                f"cold checks: {item.check.key}: position = {item.result.position[:60]!r}; allowed: text that "
                f"begins with {' or '.join(CHANNELS)}"
            )
    blocking: list[str] = []
    excused: list[str] = []
    for check in COLD_CHECKS:
        for side in CHANNELS if check.per_channel else ("",):
            found = [item for item in judged if item.check is check and (not side or _side(item.result) == side)]
            name = f"{check.title}, {side}" if side else check.title
            if not found and check.required:
                blocking.append(f"{name}: not done. {check.harm}")
            for item in found:
                _sort(item, name, blocking, excused)
    if unit is not None:
        blocking += _contradictions(judged, unit)
    return Gate(judged, tuple(blocking), tuple(excused))


def _contradictions(judged: tuple[Judged, ...], unit: Unit) -> list[str]:
    """Every bias figure of the plan leans on one resistor; a wrong entry moves all of them."""
    planned = unit.emitter_resistor_ohm
    found = {
        item.result.marked
        for item in judged
        if item.check.key == "emitter resistors" and item.result.marked is not None and not item.is_excused
    }
    return [
        f"Emitter resistors: marked {marked:g} ohm, but the plan is computed with {planned:g} ohm. Every bias current "
        "would be wrong by that ratio."
        for marked in sorted(found)
        if not 0.98 <= marked / planned <= 1.02
    ]


def _sort(item: Judged, name: str, blocking: list[str], excused: list[str]) -> None:
    if item.state == "passed" or (item.state == "skipped" and not item.check.required):
        return
    words = f"{name}: {item.state} ({item.why})." if item.why != item.state else f"{name}: {item.state}."
    if item.is_excused:
        excused.append(f"{words} Powered up all the same, because: {item.result.why.strip()}")
    else:
        blocking.append(f"{words} {item.check.harm}")


def _against(check: ColdCheck, result: CheckResult) -> str:
    if check.asks_noise and result.noisy:
        return "noisy"
    value = result.measured
    if value is None:
        return ""
    reading = _reading(check, result)
    # No resistance and no capacitance is below nothing: a meter that says so was read wrongly.
    low = 0.0 if check.least is None else check.least
    high = math.inf if check.most is None else check.most
    if not low <= value <= high:
        return f"{reading}; allowed: {check.limit_words()}"
    if check.compares and result.marked is not None:
        if result.marked <= 0:
            return f"marked {result.marked:g} {check.unit}; allowed: above 0"
        ratio = value / result.marked
        if check.least_ratio is not None and ratio < check.least_ratio:
            return f"{reading}, {ratio * 100:.0f} % of it; allowed: {check.limit_words()}"
        if check.most_ratio is not None and ratio > check.most_ratio:
            return f"{reading}, {ratio * 100:.0f} % of it; allowed: {check.limit_words()}"
    return ""


def _reading(check: ColdCheck, result: CheckResult) -> str:
    if result.measured is None:
        return "seen to be right"
    words = f"measured {_quantity(result.measured, check.unit)}"
    return words if result.marked is None else f"{words}, marked {_quantity(result.marked, check.unit)}"


def _side(result: CheckResult) -> str | None:
    return next((side for side in CHANNELS if result.position.lower().startswith(side)), None)


def _quantity(value: float, unit: str) -> str:
    for factor, letter in ((1e9, "G"), (1e6, "M"), (1e3, "k")):
        if abs(value) >= factor and unit == "ohm":
            return f"{value / factor:g} {letter}{unit}"
    return f"{value:g} {unit}"
