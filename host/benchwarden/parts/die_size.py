"""Is the silicon in a lot as large as it should be?

At one collector current the base-emitter voltage is (kT/q) ln(Ic/Is), and Is is in proportion
to the emitter's area (Gummel and Poon 1970; in every textbook of transistor circuits, e.g. Gray
and Meyer, from memory; the band-gap reference lives by it): a die of half the area asks for
(kT/q) ln 2 = 17.8 mV more at 25 C. A reverse-biased junction's capacitance at a given voltage is
in proportion to its area. A small die in a large case is the classic of re-marking: it measures
well in a meter and fails at its first loud passage, because power and safe operating area go
with the area as well. Base resistance adds to the voltage at large currents, another doping
changes both figures, and makers have shrunk dies themselves; so one of the two alone is a
doubt, and only both together are a reason not to fit.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass

from scipy import stats

from benchwarden.core.part_findings import DO_NOT_FIT, DOUBTS, Statistic
from benchwarden.core.part_lots import PartLot
from benchwarden.core.substitutes import Ratings
from benchwarden.parts.intervals import Difference, difference
from benchwarden.parts.looks import Look, expected, not_looked, odd
from benchwarden.parts.quantities import CAPACITANCE, VBE, Quantity, readings
from benchwarden.parts.small_lots import ALPHA, bonferroni

# Exact SI values of the Boltzmann constant and the elementary charge.
KT_Q_V_PER_K = 1.380649e-23 / 1.602176634e-19
ROOM_K = 298.15
# Dies of one type from different years differ by this much in area without anybody
# meaning harm. Source: common practice, no source.
SMALL, LARGE = 0.75, 1.0 / 0.75
# Both figures together below this: half the power is not there. Source: as above.
FAR_TOO_SMALL = 0.70
# A sheet tells the greatest output capacitance at 10 V; a bench meter near 0 V reads two to
# three times a junction's 10 V figure. Below this share of the sheet's figure the die is small.
SHEET_SHARE = 0.35

_MATTERS = (
    "Power, safe operating area and current go with the area of the die: a small die in a large case passes a "
    "meter and fails under load."
)
_OPEN = "Cut one piece open and compare the die with one of sure origin; fit none before."


@dataclass(frozen=True)
class Compared:
    """Lot against known-good pieces in one quantity; area_ratio is lot over known good."""

    quantity: Quantity
    difference: Difference
    area_ratio: float
    n: int
    p: float


def area_ratio_of_vbe(difference_v: float, t_k: float = ROOM_K) -> float:
    """Return the emitter area over that of a piece whose base-emitter voltage is lower by difference_v."""
    # Readings that are no junction's at all stay numbers: e^50 is as absurd as infinity.
    return math.exp(max(-50.0, min(-difference_v / (KT_Q_V_PER_K * t_k), 50.0)))


def compared(lot: PartLot) -> tuple[Compared, ...]:
    """Return capacitance and base-emitter voltage of the lot against known-good pieces, where both were measured."""
    raw = []
    for quantity in (CAPACITANCE, VBE):
        # Voltages compare at one current only, and by this law for bipolar parts only.
        if quantity is VBE and (lot.test_current_a is None or lot.polarity not in ("npn", "pnp")):
            continue
        ours = [quantity.judged_as(value) for _, value in readings(quantity, lot.pieces)]
        known = [quantity.judged_as(value) for _, value in readings(quantity, lot.known_good)]
        if ours and known:
            raw.append((quantity, difference(ours, known), len(ours) + len(known)))
    looks = sum(not math.isnan(d.p) for _, d, _ in raw)
    out = []
    for quantity, d, n in raw:
        ratio = math.exp(d.value) if quantity.log else area_ratio_of_vbe(d.value)
        out.append(Compared(quantity, d, ratio, n, d.p if math.isnan(d.p) else bonferroni(d.p, looks)))
    return tuple(out)


def die_looks(lot: PartLot, ratings: Ratings | None) -> tuple[Look, ...]:
    """Return what the size of the die looks like, against known-good pieces and against the sheet."""
    return (_against_known(lot), _against_sheet(lot, ratings))


def _smaller(one: Compared) -> bool:
    # Without any spread to judge by, only what two batches never differ by.
    return one.area_ratio < (0.6 if math.isnan(one.p) else SMALL) and not one.p >= ALPHA


def _larger(one: Compared) -> bool:
    return one.area_ratio > (1.0 / 0.6 if math.isnan(one.p) else LARGE) and not one.p >= ALPHA


def _told(one: Compared) -> str:
    apart = (
        f"{math.exp(one.difference.value):.2f} times"
        if one.quantity.log
        else f"{abs(one.difference.value) * 1000:.1f} mV {'above' if one.difference.value > 0 else 'below'}"
    )
    p = "no spread to judge by" if math.isnan(one.p) else f"p {one.p:.2g}"
    return f"{one.quantity.name} {apart} the known-good ({p}), as of {one.area_ratio:.2f} times the area"


def _against_known(lot: PartLot) -> Look:
    about = "die against a known-good piece"
    found = compared(lot)
    if not found:
        return not_looked(about, "measure capacitance, and voltage at a noted current, of a piece of sure origin too")
    text = "; ".join(_told(one) for one in found)
    small = [one for one in found if _smaller(one)]
    mean_ratio = math.exp(statistics.fmean(math.log(one.area_ratio) for one in found))
    if len(small) == 2 and mean_ratio < FAR_TOO_SMALL and not any(math.isnan(one.p) for one in small):
        return odd(about, DO_NOT_FIT, f"a smaller die, by both: {text}", _MATTERS, _OPEN)
    if small:
        return odd(about, DOUBTS, f"points at a smaller die: {text}", _MATTERS, _OPEN)
    if any(_larger(one) for one in found):
        return odd(
            about,
            DOUBTS,
            f"points at a larger die: {text}",
            "Another die than the known-good one: of other years, or another type.",
            _OPEN,
        )
    return expected(about, text)


def _against_sheet(lot: PartLot, ratings: Ratings | None) -> Look:
    about = "capacitance against the sheet"
    found = [value for _, value in readings(CAPACITANCE, lot.pieces)]
    if not found:
        return not_looked(about, "capacitance was not measured")
    if ratings is None or ratings.cob_pf is None:
        return not_looked(about, "no sheet's output capacitance was given")
    middle = statistics.median(found)
    text = f"median {middle:.0f} pF, sheet {ratings.cob_pf:g} pF at its own, higher voltage ({ratings.source})"
    if middle < SHEET_SHARE * ratings.cob_pf:
        return odd(
            about, DOUBTS, f"{text}: below {SHEET_SHARE:g} times", f"A bench meter reads more. {_MATTERS}", _OPEN
        )
    return expected(about, text)


def die_statistics(lot: PartLot) -> tuple[Statistic, ...]:
    """Return the same comparisons as tests."""
    tested = [one for one in compared(lot) if not math.isnan(one.p)]
    out = []
    for one in tested:
        out.append(
            Statistic(
                quantity=one.quantity.name,
                name="against known-good, Student's t",
                value=one.difference.t,
                critical=float(stats.t.ppf(1.0 - ALPHA / (2.0 * len(tested)), one.difference.df)),
                n=one.n,
                p=one.p,
                found=_smaller(one) or _larger(one),
                pieces=(),
                words=_told(one),
                source="Student 1908, Biometrika 6; area by kT/q ln, Gummel and Poon 1970",
            )
        )
    return tuple(out)
