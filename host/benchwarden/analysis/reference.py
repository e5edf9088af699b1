"""How good a reference is, from the words of its data sheet."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from benchwarden.analysis.calibration_fit import ReferenceError
from benchwarden.core.procedure import number
from benchwarden.errors import PlanError

ALLOWED = (
    "terms joined by +, such as `0.5 % + 3 digits of 0.01 V`, `0.1 % + 0.05 % of 20 V`, `2 mV`, `0.5 C`; "
    "at the end k=2 if the maker gives a coverage factor"
)
# Share of the floor's variance (digits, percent of range) that is one error at
# all points. Makers state limits, not correlations: the zero error of a range
# is common, its resolution and linearity are not. Estimated for want of better.
_COMMON_SHARE = 0.5
_NUMBER = r"([0-9]+(?:[.,][0-9]+)?(?:[eE][-+]?[0-9]+)?)"
_UNIT = r"(?P<unit>[munµ]?[AV]|K|°?C)?"
_OF_RANGE = re.compile(rf"{_NUMBER}\s*%\s*(?:of\s+)?{_NUMBER}\s*{_UNIT}", re.ASCII)
_OF_READING = re.compile(rf"{_NUMBER}\s*%(?:\s*(?:of\s+)?(?:the\s+)?(?:reading|rdg|value))?", re.ASCII)
_DIGITS = re.compile(rf"{_NUMBER}\s*(?:digits?|dgts?|d|counts?)\s+(?:of\s+|@\s*){_NUMBER}\s*{_UNIT}", re.ASCII)
_ABSOLUTE = re.compile(rf"{_NUMBER}\s*{_UNIT}", re.ASCII)
_COVERAGE = re.compile(rf"[\s,(]*k\s*=\s*{_NUMBER}\)?\s*$", re.ASCII)
_PREFIX = {"m": 1e-3, "u": 1e-6, "µ": 1e-6, "n": 1e-9}


@dataclass(frozen=True)
class Accuracy:
    """A reference's accuracy for one quantity.

    Attributes:
        words: as the person wrote it.
        of_reading: share of the reading, floor: the rest, in the quantity's unit; both limits or,
            with a coverage factor, expanded uncertainties.
        k: coverage factor, NaN when the figures are limits, taken as evenly distributed.
    """

    words: str
    of_reading: float
    floor: float
    k: float = math.nan

    def error(self) -> ReferenceError:
        """Return what it may be wrong by.

        Source: JCGM 100:2008 4.3.4 (a stated k), 4.3.7 (limits: divide by the root of 3).
        """
        divisor = math.sqrt(3) if math.isnan(self.k) else self.k
        floor = self.floor / divisor
        return ReferenceError(
            u_gain=self.of_reading / divisor,
            u_common=floor * math.sqrt(_COMMON_SHARE),
            u_own=floor * math.sqrt(1 - _COMMON_SHARE),
        )


def read_accuracy(words: str, unit: str) -> Accuracy:
    """Return the accuracy written in `words`.

    Args:
        unit: of the quantity: "A", "V" or the degree Celsius sign.

    Raises:
        PlanError: not understood, of another unit, or no error at all; says what is allowed.
    """
    text, k = words.strip(), math.nan
    found = _COVERAGE.search(text)
    if found:
        text, k = text[: found.start()].strip(), number(found[1])
        if not 1 <= k <= 4:
            raise PlanError(f"k = {k:g}; allowed: 1 to 4")
    of_reading = floor = 0.0
    for term in text.replace("\N{PLUS-MINUS SIGN}", "").split("+"):
        share, rest = _term(term.strip(" ()"), unit, words)
        of_reading, floor = of_reading + share, floor + rest
    if not of_reading and not floor:
        raise PlanError(f"{words!r} leaves no error at all; allowed: {ALLOWED}")
    return Accuracy(words.strip(), of_reading, floor, k)


def _term(term: str, unit: str, words: str) -> tuple[float, float]:
    if found := _OF_RANGE.fullmatch(term):
        return 0.0, number(found[1]) / 100 * number(found[2]) * _factor(found["unit"], unit, words)
    if found := _OF_READING.fullmatch(term):
        return number(found[1]) / 100, 0.0
    if found := _DIGITS.fullmatch(term):
        return 0.0, number(found[1]) * number(found[2]) * _factor(found["unit"], unit, words)
    if found := _ABSOLUTE.fullmatch(term):
        return 0.0, number(found[1]) * _factor(found["unit"], unit, words)
    raise PlanError(f"{words!r}: {term!r} not understood; allowed: {ALLOWED}")


def _factor(given: str | None, unit: str, words: str) -> float:
    if not given:
        return 1.0
    if given in ("K", "C", "°C"):
        base, factor = "\N{DEGREE SIGN}C", 1.0
    else:
        base, factor = given[-1], _PREFIX.get(given[:-1], 1.0)
    if base != unit:
        raise PlanError(f"{words!r} is in {given}, the channel is in {unit}")
    return factor
