"""Do gain and leakage keep what marking and sheet promise?"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

import numpy as np

from benchwarden.core.part_findings import DO_NOT_FIT, DOUBTS
from benchwarden.core.part_lots import PartLot
from benchwarden.core.substitutes import GainPoint, Ratings
from benchwarden.parts.intervals import tolerance_factor
from benchwarden.parts.looks import Look, expected, not_looked, odd
from benchwarden.parts.quantities import GAIN, LEAKAGE, readings

# What a gain reading may be off by: current setting, pulse, a few kelvin.
# Source: common practice, no source.
GAIN_ALLOWANCE = 0.10
# With the base open and at room temperature a sound silicon power transistor leaks far
# less; sheets allow some hundred microamperes near the rated voltage. Source: common
# practice, no source.
MUCH_LEAKAGE_UA = 1000.0


def promise_looks(lot: PartLot, ratings: Ratings | None, leakage_limit_ua: float | None) -> tuple[Look, ...]:
    """Return gain against group and sheet, and leakage against its limit."""
    return (_group(lot), _sheet_gain(lot, ratings), _leakage(lot, leakage_limit_ua))


def least_gain_at(gain: Sequence[GainPoint], current_a: float) -> float | None:
    """Return the sheet's least gain at a current, between its points on logarithmic axes; None outside them."""
    points = sorted(gain, key=lambda point: point.i)
    if not points or not points[0].i * 0.999 <= current_a <= points[-1].i * 1.001:
        return None
    log_i = [math.log(point.i) for point in points]
    return math.exp(float(np.interp(math.log(current_a), log_i, [math.log(point.hfe_min) for point in points])))


def _group(lot: PartLot) -> Look:
    about = "gain against its group"
    if lot.gain_low is None and lot.gain_high is None:
        return not_looked(about, "no gain group was noted")
    if lot.gain_low is not None and lot.gain_high is not None and lot.gain_low > lot.gain_high:
        return not_looked(about, f"noted from {lot.gain_low:g} to {lot.gain_high:g}: the first is above the second")
    found = readings(GAIN, lot.pieces)
    if not found or lot.test_current_a is None:
        return not_looked(
            about, "gain was not measured, or its test current not noted: groups hold at one current only"
        )
    low = (lot.gain_low or 0.0) * (1.0 - GAIN_ALLOWANCE)
    high = (lot.gain_high or math.inf) * (1.0 + GAIN_ALLOWANCE)
    outside = [name for name, value in found if not low <= value <= high]
    span = "" if lot.gain_low is None else f" from {lot.gain_low:g}"
    span += "" if lot.gain_high is None else f" to {lot.gain_high:g}"
    group = f"group {lot.gain_group or 'as noted'},{span} at {lot.test_current_a:g} A" + (
        f" and {lot.test_voltage_v:g} V" if lot.test_voltage_v else ""
    )
    text = f"{group}, allowance {GAIN_ALLOWANCE:.0%}: {len(found) - len(outside)} of {len(found)} inside"
    text += _stock_words([value for _, value in found])
    if not outside:
        return expected(about, text)
    return odd(
        about,
        DO_NOT_FIT if 2 * len(outside) > len(found) else DOUBTS,
        f"{text}; outside: {', '.join(outside)}",
        "Makers sort gains before they mark them: a group that is not kept was marked by somebody else.",
        "Measure again at the sheet's current and voltage, pulsed; pair by measured gain, not by letter.",
    )


def _stock_words(values: list[float]) -> str:
    if len(values) < 4:
        return ""
    worked = [GAIN.judged_as(value) for value in values]
    middle, sd = statistics.fmean(worked), statistics.stdev(worked)
    k = tolerance_factor(len(values), 0.90, 0.90)
    low, high = math.exp(middle - k * sd), math.exp(middle + k * sd)
    return f"; nine in ten of such pieces between {low:.0f} and {high:.0f}, 90 % sure (Howe 1969)"


def _sheet_gain(lot: PartLot, ratings: Ratings | None) -> Look:
    about = "gain against the sheet"
    found = readings(GAIN, lot.pieces)
    if not found or lot.test_current_a is None:
        return not_looked(about, "gain was not measured, or its test current not noted")
    least = least_gain_at(ratings.gain, lot.test_current_a) if ratings is not None else None
    if ratings is None or least is None:
        return not_looked(about, f"no sheet's least gain at {lot.test_current_a:g} A was given")
    weak = [name for name, value in found if value < least * (1.0 - GAIN_ALLOWANCE)]
    text = f"sheet's least {least:.0f} at {lot.test_current_a:g} A ({ratings.source}); measured from "
    text += f"{min(value for _, value in found):g}"
    if not weak:
        return expected(about, text)
    return odd(
        about,
        DO_NOT_FIT if 2 * len(weak) > len(found) else DOUBTS,
        f"{text}; below it: {', '.join(weak)}",
        "Gain below the sheet's least at its own current is another type, or a small die driven too hard.",
        "Measure again pulsed and at the sheet's voltage; leave out what stays below.",
    )


def _leakage(lot: PartLot, limit_ua: float | None) -> Look:
    about = "leakage against its limit"
    found = readings(LEAKAGE, lot.pieces)
    if not found:
        return not_looked(about, "leakage was not measured")
    limit = MUCH_LEAKAGE_UA if limit_ua is None else limit_ua
    whose = (
        "more than a sound silicon part leaks (common practice, no source)" if limit_ua is None else "the limit given"
    )
    leaky = [name for name, value in found if value > limit]
    text = f"up to {max(value for _, value in found):g} uA, against {limit:g} uA, {whose}"
    if not leaky:
        return expected(about, text)
    return odd(
        about,
        DO_NOT_FIT if 2 * len(leaky) > len(found) else DOUBTS,
        f"{text}; above it: {', '.join(leaky)}",
        "Leakage doubles every 8 to 10 K and feeds a thermal runaway.",
        "Measure again cool; leave out what stays above.",
    )
