"""What gain does a sheet promise at a collector current?"""

from __future__ import annotations

import itertools
import math

from benchwarden.core.substitutes import GainPoint, Ratings
from benchwarden.errors import JobError


def checked_gain(ratings: Ratings) -> tuple[GainPoint, ...]:
    """Return the promised gains by rising current.

    Raises:
        JobError: one current is there twice.
    """
    points = tuple(sorted(ratings.gain, key=lambda point: point.i))
    for a, b in itertools.pairwise(points):
        if a.i == b.i:
            raise JobError(f"{ratings.marking}: gain: {a.i:g} A is there twice; allowed: once")
    return points


def least_gain(ratings: Ratings, amps: float) -> float | None:
    """Return the least gain at a current, straight lines between the sheet's points on log-log axes.

    None above the highest current of a promise, where gain falls fast. Below the lowest one the gain
    there is taken: silicon power transistors gain little more, and lose little, within their lower decade.
    """
    points = checked_gain(ratings)
    if not points or amps > points[-1].i * (1.0 + 1e-9):
        return None
    if amps <= points[0].i:
        return points[0].hfe_min
    for a, b in itertools.pairwise(points):
        if amps <= b.i:
            share = math.log(amps / a.i) / math.log(b.i / a.i)
            return math.exp(math.log(a.hfe_min) + share * math.log(b.hfe_min / a.hfe_min))
    return points[-1].hfe_min


def kept_share(ratings: Ratings, amps: float) -> float | None:
    """Return the gain at a current over the greatest one promised below it: 1 for no fall."""
    here = least_gain(ratings, amps)
    below = [point.hfe_min for point in checked_gain(ratings) if point.i < amps]
    if here is None or not below:
        return None
    return here / max(*below, here)
