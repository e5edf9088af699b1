"""Do a candidate's greatest voltages and currents reach what the amplifier asks for?"""

from __future__ import annotations

import dataclasses

from benchwarden.core.part_findings import DOUBT, FINE, NO, NOT_KNOWN, RatingRow
from benchwarden.core.substitutes import Ratings, Substitution
from benchwarden.parts.circuit_facts import MAINS_HIGH, MOMENTARY_SHARE, CircuitFacts
from benchwarden.parts.gain_at import least_gain
from benchwarden.parts.verdicts import PRACTICE, at_least, shown, unknown_row

OTHER = "what this position has to bear is not known; compared with the original alone"
MAINS_SOURCE = "mains +10 %: EN 50160, from memory"


def is_bipolar(ratings: Ratings) -> bool:
    """Return whether it is a bipolar transistor."""
    return ratings.polarity in ("npn", "pnp")


def limit_rows(given: Substitution, circuit: CircuitFacts) -> tuple[RatingRow, ...]:
    """Return polarity, voltages and currents."""
    known = circuit.role != "other"
    original, candidate = given.original, given.candidate
    rails_v = 2.0 * circuit.rail_high_v if known else None
    rails = f"rail to rail at high mains: 2 x {circuit.rail_v:g} V x {MAINS_HIGH:.2f}" if known else OTHER
    least = circuit.least_ohm
    peak_a = circuit.peak_a(least) if known else None
    rows = [
        _polarity(original, candidate),
        at_least("VCEO", "V", original.vceo_v, candidate.vceo_v, rails_v, rails, MAINS_SOURCE if known else ""),
        at_least("VCBO", "V", original.vcbo_v, candidate.vcbo_v, rails_v, rails, MAINS_SOURCE if known else ""),
        _reverse_base(original, candidate, circuit, known),
        _continuous(original, candidate, peak_a, circuit),
        _momentary(original, candidate, circuit, known),
    ]
    if is_bipolar(candidate):
        rows.append(_base(original, candidate, peak_a))
    return tuple(rows)


def _polarity(original: Ratings, candidate: Ratings) -> RatingRow:
    same = original.polarity == candidate.polarity
    return RatingRow(
        "polarity",
        original.polarity,
        candidate.polarity,
        original.polarity,
        "that of the original",
        FINE if same else NO,
        "the same" if same else "the wrong one conducts at once and shorts the rails",
    )


def _reverse_base(original: Ratings, candidate: Ratings, circuit: CircuitFacts, known: bool) -> RatingRow:
    if not known:
        return at_least("VEBO", "V", original.vebo_v, candidate.vebo_v, None, OTHER)
    drop_v = circuit.peak_a(circuit.least_ohm) * circuit.emitter_ohm if circuit.role == "output" else 0.0
    return at_least(
        "VEBO",
        "V",
        original.vebo_v,
        candidate.vebo_v,
        max(drop_v, 1.0),
        "the resting half is reverse biased by no more than the working half's drop on its emitter resistor; 1 V taken "
        f"at least (peak drop here {drop_v:.2g} V)",
        PRACTICE,
    )


def _continuous(original: Ratings, candidate: Ratings, peak_a: float | None, circuit: CircuitFacts) -> RatingRow:
    quantity = "collector current, continuous"
    if peak_a is None:
        return at_least(quantity, "A", original.ic_max_a, candidate.ic_max_a, None, OTHER)
    least, nominal = circuit.least_ohm, circuit.load_ohm
    working = (
        f"peak into {least:g} ohm resistive: {circuit.peak_words(least)}; into {nominal:g} ohm reactive "
        f"{shown(circuit.peak_a(nominal), 'A')}. At 20 Hz a half cycle is 25 ms, too long for a pulse rating"
    )
    row = at_least(quantity, "A", original.ic_max_a, candidate.ic_max_a, peak_a, working)
    if row.verdict == NO and candidate.ic_peak_a is not None and candidate.ic_peak_a >= peak_a:
        why = "only the pulse rating reaches the peak, and a low note lasts longer than such a pulse"
        return dataclasses.replace(row, verdict=DOUBT, why=why)
    return row


def _momentary(original: Ratings, candidate: Ratings, circuit: CircuitFacts, known: bool) -> RatingRow:
    quantity = "collector current, peak"
    if not known:
        return at_least(quantity, "A", original.ic_peak_a, candidate.ic_peak_a, None, OTHER)
    ohm = circuit.load_ohm * MOMENTARY_SHARE
    need = circuit.peak_a(ohm)
    working = f"a moment into half the nominal impedance, {ohm:g} ohm: {circuit.peak_words(ohm)}"
    row = at_least(quantity, "A", original.ic_peak_a, candidate.ic_peak_a, need, working, PRACTICE)
    if row.verdict == NOT_KNOWN and candidate.ic_max_a is not None and candidate.ic_max_a >= need:
        why = f"no pulse rating given, but the continuous one of {shown(candidate.ic_max_a, 'A')} reaches it"
        return dataclasses.replace(row, candidate=f"{shown(candidate.ic_max_a, 'A')} continuous", verdict=FINE, why=why)
    if row.verdict == NO:
        # A moment that the set's protection may cut off; the row above holds the lasting current.
        why = "below what a loudspeaker can ask for in moments; leaves it to the set's protection"
        return dataclasses.replace(row, verdict=DOUBT, why=why)
    return row


def _base(original: Ratings, candidate: Ratings, peak_a: float | None) -> RatingRow:
    quantity = "base current"
    if peak_a is None:
        return at_least(quantity, "A", original.ib_max_a, candidate.ib_max_a, None, OTHER)
    gain = least_gain(candidate, peak_a)
    if gain is None:
        return unknown_row(
            quantity,
            shown(original.ib_max_a, "A"),
            shown(candidate.ib_max_a, "A"),
            shown(None, "A"),
            f"peak current {shown(peak_a, 'A')} over the least gain there",
            "the candidate's least gain at the peak current is not known",
        )
    working = f"peak current {shown(peak_a, 'A')} over the candidate's least gain there, {gain:.3g}"
    return at_least(quantity, "A", original.ib_max_a, candidate.ib_max_a, peak_a / gain, working)
