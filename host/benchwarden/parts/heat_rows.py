"""Does a candidate stand this amplifier's heat, and does the load keep inside its safe operating area?"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from benchwarden.core.part_findings import DOUBT, FINE, NO, AreaCurve, AreaMargin, RatingRow
from benchwarden.core.substitutes import Ratings, Substitution
from benchwarden.parts.circuit_facts import CircuitFacts
from benchwarden.parts.limit_rows import OTHER
from benchwarden.parts.load_line import LOWEST_HZ, Load, loads
from benchwarden.parts.safe_area import Boundary, Nearest, Thermal, checked_area, curve_words, nearest, thermal_of
from benchwarden.parts.verdicts import PRACTICE, UNKNOWN, at_least, at_most, in_hand, shown, unknown_row

# Distance kept from the junction rating, the one a plan's sink limit keeps. Source: common practice, no source.
JUNCTION_MARGIN_K = 25.0
# Current left to the boundary below which a margin is called thin. It may be small, as everything else is
# taken at its worst: mains high, rails that do not sag, sink at its limit. Source: common practice, no source.
THIN_PCT = 10.0
DERATING = "derating in a line from 25 C case to nothing at the greatest junction temperature, as sheets draw it"


@dataclass(frozen=True)
class Judged:
    """One type on the circuit's sink; None where its sheet tells too little.

    Attributes:
        nearest: load by load.
    """

    ratings: Ratings
    thermal: Thermal | None
    nearest: tuple[Nearest | None, ...]


def judged(ratings: Ratings, circuit: CircuitFacts) -> Judged:
    """Return a type's thermal figures and how near each load brings it to its safe operating area.

    Raises:
        JobError: its curves contradict themselves.
    """
    thermal, area = thermal_of(ratings), checked_area(ratings)
    if circuit.role == "other" or thermal is None or not area or area[0].pulse_s is not None:
        return Judged(ratings, thermal, (None,) * len(loads(circuit)))
    near = tuple(nearest(area, thermal, load, case_c(circuit, load), ratings.vceo_v) for load in loads(circuit))
    return Judged(ratings, thermal, near)


def case_c(circuit: CircuitFacts, load: Load) -> float:
    """Return the case's temperature on the sink at its limit, with the load at its hottest swing."""
    return circuit.sink_c + load.heat_w * circuit.rth_cs_k_per_w


def heat_rows(given: Substitution, circuit: CircuitFacts, original: Judged, candidate: Judged) -> list[RatingRow]:
    """Return power, thermal resistance, junction temperature and safe operating area."""
    a, b = original.thermal, candidate.thermal
    if circuit.role == "other":
        return [
            at_least("power at 25 C case", "W", _power(a), _power(b), None, OTHER),
            at_most("Rth junction to case", "K/W", _rth(a), _rth(b), None, OTHER),
            unknown_row(
                "safe operating area", _area(given.original), _area(given.candidate), UNKNOWN, OTHER, "no load line"
            ),
        ]
    own, least, _ = loads(circuit)
    hot_c = case_c(circuit, least)
    need_rth = None
    if b is not None:
        need_rth = (b.tj_max_c - JUNCTION_MARGIN_K - circuit.sink_c) / least.heat_w - circuit.rth_cs_k_per_w
    rows = [
        at_least(
            f"power with the case at {hot_c:.0f} C",
            "W",
            _left_w(a, hot_c),
            _left_w(b, hot_c),
            least.heat_w,
            f"mean heat of one device into {least.name} at its hottest swing ({least.swing_share:.0%} of full); "
            f"case = sink {circuit.sink_c:g} C ({circuit.sink_words}) + {least.heat_w:.3g} W x "
            f"{circuit.rth_cs_k_per_w:g} K/W; into {own.name} {own.heat_w:.3g} W",
            DERATING,
        ),
        _rth_row(a, b, need_rth, circuit, least),
    ]
    rows += [_junction(a, b, load, circuit) for load in loads(circuit)]
    rows += [_area_row(original, candidate, number, load) for number, load in enumerate(loads(circuit))]
    return rows


def _rth_row(
    a: Thermal | None, b: Thermal | None, needed: float | None, circuit: CircuitFacts, load: Load
) -> RatingRow:
    working = (
        f"(Tj max - {JUNCTION_MARGIN_K:g} K - sink {circuit.sink_c:g} C) / {load.heat_w:.3g} W - "
        f"{circuit.rth_cs_k_per_w:g} K/W, with {load.name}"
    )
    if needed is not None and needed <= 0.0:
        # No junction at all would keep clear on such a sink; the junction rows say how hot it gets.
        return RatingRow(
            "Rth junction to case",
            shown(_rth(a), "K/W"),
            shown(_rth(b), "K/W"),
            "none is low enough",
            working,
            DOUBT,
            "on a sink as hot as that no part of this junction rating keeps 25 K clear",
            PRACTICE,
        )
    row = at_most("Rth junction to case", "K/W", _rth(a), _rth(b), needed, working, PRACTICE)
    if row.verdict == NO:
        # The margin is used up, not the rating; whether that is passed the junction rows say.
        return dataclasses.replace(row, verdict=DOUBT, why="eats into the 25 K kept clear")
    return row


def _junction(a: Thermal | None, b: Thermal | None, load: Load, circuit: CircuitFacts) -> RatingRow:
    quantity = f"junction, {load.name}"
    working = (
        f"sink {circuit.sink_c:g} C + {load.heat_w:.3g} W ({load.swing_share:.0%} of full swing) x "
        f"({circuit.rth_cs_k_per_w:g} K/W + Rth jc)"
    )
    texts = (_junction_words(a, load, circuit), _junction_words(b, load, circuit))
    if b is None:
        return unknown_row(
            quantity, *texts, "below its rating", working, "two of power, Tj max and Rth jc are needed; not all given"
        )
    t_c = _junction_c(b, load, circuit)
    need = f"at most {b.tj_max_c:g} C, better {b.tj_max_c - JUNCTION_MARGIN_K:g} C"
    if t_c <= b.tj_max_c - JUNCTION_MARGIN_K:
        verdict, why = FINE, f"{b.tj_max_c - t_c:.0f} K below its rating"
    elif t_c <= b.tj_max_c:
        verdict, why = DOUBT, f"only {b.tj_max_c - t_c:.0f} K below its rating"
    elif load.own or a is None or _junction_c(a, load, circuit) <= a.tj_max_c or b.power_w < a.power_w:
        verdict, why = NO, f"{t_c - b.tj_max_c:.0f} K above its rating"
    else:
        verdict, why = DOUBT, f"{t_c - b.tj_max_c:.0f} K above its rating, as the original was already"
    return RatingRow(quantity, *texts, need, working, verdict, why, f"25 K kept clear: {PRACTICE}")


def _junction_c(thermal: Thermal, load: Load, circuit: CircuitFacts) -> float:
    return case_c(circuit, load) + load.heat_w * thermal.rth_jc_k_per_w


def _junction_words(thermal: Thermal | None, load: Load, circuit: CircuitFacts) -> str:
    if thermal is None:
        return UNKNOWN
    return f"{_junction_c(thermal, load, circuit):.0f} C of {thermal.tj_max_c:g} C"


def _area_row(original: Judged, candidate: Judged, number: int, load: Load) -> RatingRow:
    quantity = f"safe operating area, {load.name}"
    a = original.nearest[number]
    b = candidate.nearest[number]
    texts = (_margin_words(a), _margin_words(b))
    need = f"more than the load's current everywhere; {THIN_PCT:g} % left is comfortable"
    if b is None:
        missing = _missing(candidate)
        return unknown_row(quantity, *texts, need, "full swing, rails at high mains", missing)
    working = (
        f"nearest at {b.at_v:.3g} V, {b.at_a:.3g} A against {b.limit_a:.3g} A ({b.boundary.label}, "
        f"{b.boundary.share:.0%} of its power left); longest beyond direct current at {LOWEST_HZ:g} Hz "
        f"{b.beyond_dc_s * 1e3:.2g} ms"
    )
    if b.margin_pct >= 0.0 and b.unknown_v is not None:
        ends_v = b.boundary.curve.points[-1].v
        why = f"the curve as given ends at {ends_v:g} V, the load goes on to {b.unknown_v:.0f} V"
        return unknown_row(quantity, *texts, need, working, why, DERATING)
    if b.margin_pct >= THIN_PCT:
        verdict, why = FINE, f"current left: {in_hand(b.margin_pct)}"
    elif b.margin_pct >= 0.0:
        verdict, why = DOUBT, f"current left: only {b.margin_pct:.0f} %"
    elif load.own or a is None or b.margin_pct < a.margin_pct:
        verdict, why = NO, f"{-b.margin_pct:.0f} % too little: destroyed by second breakdown or heat, sooner or later"
    else:
        verdict = DOUBT
        why = f"{-b.margin_pct:.0f} % too little, but no less than the original; the set counts on its protection"
    return RatingRow(quantity, *texts, need, working, verdict, why, DERATING)


def _missing(part: Judged) -> str:
    if part.thermal is None:
        return "power and Tj max are not known"
    if not part.ratings.soa or all(curve.pulse_s is not None for curve in part.ratings.soa):
        return "no direct-current curve given"
    return "the curve as given ends before the load begins"


def _margin_words(found: Nearest | None) -> str:
    return UNKNOWN if found is None else in_hand(found.margin_pct)


def area_margins(circuit: CircuitFacts, original: Judged, candidate: Judged) -> tuple[AreaMargin, ...]:
    """Return the margins of both types, load by load."""
    out = []
    for of, part in (("original", original), ("candidate", candidate)):
        for load, near in zip(loads(circuit), part.nearest, strict=True):
            if near is None:
                continue
            out.append(
                AreaMargin(
                    of,
                    load.name,
                    near.margin_pct,
                    near.at_v,
                    near.at_a,
                    near.limit_a,
                    near.boundary.label,
                    near.beyond_dc_s,
                )
            )
    return tuple(out)


def area_curves(circuit: CircuitFacts, original: Judged, candidate: Judged) -> tuple[AreaCurve, ...]:
    """Return the boundaries that count somewhere, and the way of the operating point with each load."""
    out = []
    for of, part in (("original", original), ("candidate", candidate)):
        boundaries: dict[str, Boundary] = {}
        for near in part.nearest:
            if near is None:
                continue
            boundaries.setdefault(near.boundary.label, near.boundary)
        for label, boundary in boundaries.items():
            volts, amps = boundary.drawn()
            if max(amps) > 0.0:
                out.append(AreaCurve("limit", of, label, volts, amps))
    if circuit.role == "other":
        return tuple(out)
    for load in loads(circuit):
        # Logarithmic axes: from where there are volts and amperes to speak of, every third point.
        keep = load.loop.conducts & (load.loop.volts > 0.1)
        volts_at, amps_at = load.loop.volts[keep][::3], load.loop.amps[keep][::3]
        volts = tuple(float(v) for v in volts_at)
        amps = tuple(float(i) for i in amps_at)
        out.append(AreaCurve("load", "load", load.name, volts, amps))
    return tuple(out)


def _power(thermal: Thermal | None) -> float | None:
    return None if thermal is None else thermal.power_w


def _left_w(thermal: Thermal | None, case_c: float) -> float | None:
    return None if thermal is None else thermal.power_w * thermal.share(case_c)


def _rth(thermal: Thermal | None) -> float | None:
    return None if thermal is None else thermal.rth_jc_k_per_w


def _area(ratings: Ratings) -> str:
    return ", ".join(curve_words(curve) for curve in ratings.soa) or UNKNOWN
