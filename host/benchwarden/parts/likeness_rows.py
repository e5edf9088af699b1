"""Is a candidate like enough to the original for the circuit around it: gain, speed, capacitance, shape, leads?"""

from __future__ import annotations

import re

from benchwarden.core.part_findings import DOUBT, FINE, NO, RatingRow
from benchwarden.core.substitutes import Ratings, Substitution
from benchwarden.parts.circuit_facts import CircuitFacts
from benchwarden.parts.gain_at import kept_share, least_gain
from benchwarden.parts.limit_rows import OTHER, is_bipolar
from benchwarden.parts.verdicts import PRACTICE, UNKNOWN, shown, unknown_row

# The driver has this much in hand for less gain; beyond the second its current doubles. Source: PRACTICE.
GAIN_FINE, GAIN_LEAST = 0.8, 0.5
# Gain that may be lost more than with the original between small and peak current. Source: PRACTICE.
FALL_FINE = 0.8
# Transition frequency over the original's. Source: PRACTICE, and the physics in the words below.
SLOWEST, SLOW, FAST = 0.3, 0.7, 3.0
# Output capacitance over the original's. Source: PRACTICE.
COB_LOW, COB_HIGH = 0.33, 2.0
# One outline, several names. Source: JEDEC publication 95, TO-204 is the former TO-3; from memory.
_OUTLINES = {"TO204": "TO3", "TO204AA": "TO3", "TO204AE": "TO3", "TO3": "TO3", "TO220AB": "TO220", "TO225AA": "TO126"}


def likeness_rows(given: Substitution, circuit: CircuitFacts) -> list[RatingRow]:
    """Return gain, its fall, speed, capacitance, outline, insulator and leads."""
    rows = _gain_rows(given, circuit) if is_bipolar(given.candidate) else []
    rows += [_speed(given), _capacitance(given), _outline(given), _insulator(given), _leads(given)]
    return rows


def _gain_rows(given: Substitution, circuit: CircuitFacts) -> list[RatingRow]:
    if circuit.role == "other":
        return [unknown_row("least gain", *_gains(given), UNKNOWN, OTHER, "the current it works at is not known")]
    peak_a = circuit.peak_a(circuit.least_ohm)
    return [_gain(given, peak_a), _fall(given, peak_a)]


def _gains(given: Substitution) -> tuple[str, str]:
    def words(ratings: Ratings) -> str:
        return ", ".join(f"{p.hfe_min:g} at {p.i:g} A" for p in ratings.gain) or UNKNOWN

    return words(given.original), words(given.candidate)


def _gain(given: Substitution, peak_a: float) -> RatingRow:
    quantity = f"least gain at the peak of {shown(peak_a, 'A')}"
    a, b = least_gain(given.original, peak_a), least_gain(given.candidate, peak_a)
    texts = (UNKNOWN if a is None else f"{a:.3g}", UNKNOWN if b is None else f"{b:.3g}")
    working = "what drives it was made for the original's base current"
    if a is None or b is None:
        whose = "the candidate's" if b is None else "the original's"
        return unknown_row(quantity, *texts, texts[0], working, f"{whose} sheet promises none at that current")
    ratio = b / a
    need = f"at least {GAIN_FINE * a:.3g}"
    if ratio >= GAIN_FINE:
        verdict, why = FINE, f"{ratio:.2f} times the original's"
    elif ratio >= GAIN_LEAST:
        verdict, why = DOUBT, f"{ratio:.2f} times: the driver gives {1.0 / ratio:.2f} times the current, and the heat"
    else:
        verdict, why = NO, f"{ratio:.2f} times: the driver has to give {1.0 / ratio:.1f} times the current"
    return RatingRow(quantity, *texts, need, f"{GAIN_FINE:g} x {a:.3g}; {working}", verdict, why, PRACTICE)


def _fall(given: Substitution, peak_a: float) -> RatingRow:
    quantity = "gain kept up to the peak"
    a, b = kept_share(given.original, peak_a), kept_share(given.candidate, peak_a)
    texts = (UNKNOWN if a is None else f"{a:.0%}", UNKNOWN if b is None else f"{b:.0%}")
    working = "least gain at the peak current over the greatest promised below it"
    if a is None or b is None:
        whose = "the candidate's" if b is None else "the original's"
        return unknown_row(
            quantity, *texts, texts[0], working, f"{whose} sheet promises too few currents to tell", PRACTICE
        )
    if b >= FALL_FINE * a:
        verdict, why = FINE, "falls no more than the original's"
    else:
        verdict, why = DOUBT, "falls more than the original's: more distortion at large signals into low loads"
    return RatingRow(quantity, *texts, f"at least {FALL_FINE * a:.0%}", working, verdict, why, PRACTICE)


def _speed(given: Substitution) -> RatingRow:
    a, b = given.original.ft_mhz, given.candidate.ft_mhz
    quantity, texts = "transition frequency", (shown(given.original.ft_mhz, "MHz"), shown(b, "MHz"))
    working = f"{SLOW:g} to {FAST:g} times the original's"
    if a is None or b is None:
        return unknown_row(quantity, *texts, UNKNOWN, working, "one of the sheets does not give it", PRACTICE)
    ratio, need = b / a, f"{shown(SLOW * a, 'MHz')} to {shown(FAST * a, 'MHz')}"
    if ratio < SLOW:
        why = (
            f"{ratio:.2f} times: slow; the charge in its base keeps it on while the other half starts (current "
            "straight from rail to rail at high frequencies, which destroys), and its lag eats the loop's margin"
        )
        verdict = NO if ratio < SLOWEST else DOUBT
    elif ratio > FAST:
        verdict = DOUBT
        why = (
            f"{ratio:.1f} times: fast; compensation, layout and wiring were made for a slow part, and an emitter "
            "follower with gain at megahertz oscillates with the inductance of its leads and a cable's capacitance"
        )
    else:
        verdict, why = FINE, f"{ratio:.2f} times the original's"
    return RatingRow(quantity, *texts, need, working, verdict, why, PRACTICE)


def _capacitance(given: Substitution) -> RatingRow:
    a, b = given.original.cob_pf, given.candidate.cob_pf
    quantity, texts = "output capacitance", (shown(a, "pF"), shown(b, "pF"))
    working = f"{COB_LOW:g} to {COB_HIGH:g} times the original's"
    if a is None or b is None:
        return unknown_row(quantity, *texts, UNKNOWN, working, "one of the sheets does not give it", PRACTICE)
    ratio, need = b / a, f"{shown(COB_LOW * a, 'pF')} to {shown(COB_HIGH * a, 'pF')}"
    if ratio > COB_HIGH:
        verdict = DOUBT
        why = f"{ratio:.1f} times: loads the stage before it more, which moves the old compensation"
    elif ratio < COB_LOW:
        verdict, why = (
            DOUBT,
            f"{ratio:.2f} times: a far smaller die, or less lag than the compensation reckons with",
        )
    else:
        verdict, why = FINE, f"{ratio:.2f} times the original's"
    return RatingRow(quantity, *texts, need, working, verdict, why, PRACTICE)


def _outline_of(ratings: Ratings) -> str:
    plain = re.sub(r"[^A-Z0-9]", "", ratings.package.upper())
    return _OUTLINES.get(plain, plain)


def _outline(given: Substitution) -> RatingRow:
    a, b = given.original.package.strip(), given.candidate.package.strip()
    texts = (a or UNKNOWN, b or UNKNOWN)
    if not a or not b:
        return unknown_row("package", *texts, texts[0], "that of the original", "not given for both")
    if _outline_of(given.original) == _outline_of(given.candidate):
        verdict, why = FINE, "the same outline"
    else:
        verdict = DOUBT
        why = "another outline: holes, contact area, pressure, insulator and distance to live metal are all different"
    return RatingRow("package", *texts, a, "that of the original", verdict, why)


def _insulator(given: Substitution) -> RatingRow:
    def words(value: bool | None) -> str:
        return UNKNOWN if value is None else "collector" if value else "insulated"

    a, b = given.original.case_on_collector, given.candidate.case_on_collector
    quantity, texts = "mounting face", (words(a), words(b))
    working = "a bare collector on an earthed sink shorts the rail"
    if a is None or b is None:
        return unknown_row(quantity, *texts, texts[0], working, "not given for both")
    if b and not a:
        verdict = DOUBT
        why = "the original needed no insulator, this one does: fit one, and measure case to sink before power"
    elif b:
        verdict, why = FINE, "an insulator as before; measure case to sink before power"
    elif a:
        verdict, why = (
            FINE,
            "needs no insulator where the original did; a needless one keeps heat in",
        )
    else:
        verdict, why = FINE, "no insulator, as before"
    return RatingRow(quantity, *texts, texts[0], working, verdict, why)


def _leads(given: Substitution) -> RatingRow:
    a, b = given.original.pinout.strip(), given.candidate.pinout.strip()
    texts = (a or UNKNOWN, b or UNKNOWN)
    working = "that of the original, seen from the marked side"
    if not a or not b:
        return unknown_row("leads", *texts, texts[0], working, "not given for both; measure before soldering")
    if re.sub(r"[^A-Z]", "", a.upper()) == re.sub(r"[^A-Z]", "", b.upper()):
        verdict, why = FINE, "the same order"
    elif _outline_of(given.original) == _outline_of(given.candidate):
        verdict = NO
        why = "it fits straight in, with the leads in the wrong order; only with crossed, insulated leads"
    else:
        verdict, why = DOUBT, "another order: the leads have to be led, insulated, to their places"
    return RatingRow("leads", *texts, texts[0], working, verdict, why)
