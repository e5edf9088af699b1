"""What is one stage's setting, and where are its figures collected?"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from benchwarden.analysis.operating_point import Supply, supply_of
from benchwarden.core.plan import Expected, Limit, Working
from benchwarden.core.unit import Unit

PRACTICE = "common practice, no source"
NAN = math.nan

# Mains wander that must neither trip a healthy set nor leave its window.
# Source: EN 50160 allows +-10 % over the week (from memory).
MAINS_WANDER = 0.10
RATE_WINDOW_MS = 5000
SLOW_WINDOW_MS = 10000


@dataclass(frozen=True)
class Setting:
    """One setting of transformer, lamp and test signal on one unit.

    Attributes:
        mains_pct: percent of nominal mains.
        limiter_in: the series lamp carries the mains current.
        drive_on: the 1 kHz test signal is applied, into load_ohm on both channels.
        hands_off: nobody turns anything during the stage.
        hot: the test signal has just gone, and its warmth is still in the sinks.
    """

    unit: Unit
    mains_pct: float
    limiter_in: bool
    drive_on: bool
    hands_off: bool = False
    hot: bool = False

    @property
    def supply(self) -> Supply:
        return supply_of(self.unit)

    @property
    def low_pct(self) -> float:
        """The setting at the lowest mains."""
        return self.mains_pct * (1.0 - MAINS_WANDER)

    @property
    def high_pct(self) -> float:
        """The setting at the highest mains."""
        return self.mains_pct * (1.0 + MAINS_WANDER)


@dataclass
class Notes:
    """Collects working as it is computed."""

    items: list[Working] = field(default_factory=list)

    def add(self, quantity: str, formula: str, numbers: str, value: float, unit: str, source: str) -> None:
        self.items.append(Working(quantity, formula, numbers, value, unit, source))


@dataclass
class Sheet(Notes):
    """Collects a stage's expected readings and limits with their working."""

    expected: dict[str, Expected] = field(default_factory=dict)
    limits: list[Limit] = field(default_factory=list)
