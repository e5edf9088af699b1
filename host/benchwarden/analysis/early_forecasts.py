"""What was forecast of each bias early on, and where that stretch of calm idling ended."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

# Ages of a calm stretch at which the forecast is kept, seconds.
AGES_S = (300.0, 600.0, 1200.0, 3600.0, 14400.0, 43200.0)
# A week of stages has fewer; beyond it somebody turns the pots for a living.
MOST_ROWS = 60


class EarlyForecasts:
    """Keeps the forecasts made at a few ages of every stretch; a turned pot or a new stage begins one."""

    def __init__(self, sides: tuple[str, ...]) -> None:
        self._sides = sides
        self._age_s = [0.0] * len(sides)
        self._kept: list[list[dict[str, Any]]] = [[] for _ in sides]
        self._open: list[list[dict[str, Any]]] = [[] for _ in sides]

    def second(self, t_s: float, now: tuple[tuple[float, float], ...], outlook: Callable[[], dict[str, Any]]) -> None:
        """Take one second of the run.

        Args:
            now: for each side the length of its calm stretch in seconds and its bias drop in volts.
            outlook: makes the outlook table; asked only when an age is reached.
        """
        for k, (side, (age_s, drop_v)) in enumerate(zip(self._sides, now, strict=True)):
            if age_s < self._age_s[k]:
                self._open[k] = []
                self._age_s[k] = 0.0
            if any(self._age_s[k] < mark <= age_s for mark in AGES_S):
                self._keep(k, t_s, age_s, outlook()[side])
            self._age_s[k] = age_s
            if math.isfinite(drop_v):
                for row in self._open[k]:
                    row["ended_mv"], row["ended_after_s"] = round(drop_v * 1e3, 4), round(age_s, 1)

    def _keep(self, k: int, t_s: float, age_s: float, told: dict[str, Any]) -> None:
        if told["final_mv"] is None or len(self._kept[k]) >= MOST_ROWS:
            return
        row = {"t_s": round(t_s, 1), "after_s": round(age_s, 1)}
        row |= {key: told[key] for key in ("final_mv", "final_95_mv")}
        self._kept[k].append(row)
        self._open[k].append(row)

    def table(self) -> dict[str, list[dict[str, Any]]]:
        """Return for each side the forecasts that were made, oldest first.

        Each row: `t_s` run time, `after_s` age of the stretch, `final_mv` and `final_95_mv` the forecast of
        its end, `ended_mv` the drop when the stretch ended (or the run did), `ended_after_s` its age then.
        """
        return {side: [dict(row) for row in rows] for side, rows in zip(self._sides, self._kept, strict=True)}
