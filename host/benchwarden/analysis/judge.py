"""The judge: frames in, findings out, a verdict at the end; the same live and on any recording.

Causal: a finding at t_s depends on frames up to t_s only. The stream may be cut
anywhere: one frame at a time and a day at once give the same findings bit by bit.
Two layers: limits frame by frame (`levels`), and detectors once a second.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Protocol

import numpy as np

from benchwarden.analysis.bias import Bias
from benchwarden.analysis.early_forecasts import EarlyForecasts
from benchwarden.analysis.hf import Hf
from benchwarden.analysis.kirchhoff import Kirchhoff
from benchwarden.analysis.levels import Levels
from benchwarden.analysis.metrics import Metrics
from benchwarden.analysis.offset import Offset
from benchwarden.analysis.outlook import outlook_table
from benchwarden.analysis.planner import stage_figures
from benchwarden.analysis.relay import Relay
from benchwarden.analysis.runaway import Runaway
from benchwarden.analysis.seconds import Second, SecondCutter, part_of
from benchwarden.analysis.sensors import Sensors
from benchwarden.analysis.situation import SIDES, Facts, Situation, StageNow
from benchwarden.analysis.stretches import Stretches
from benchwarden.analysis.verdict import verdict_table
from benchwarden.analysis.warm_up import WarmUp
from benchwarden.core.channels import BITS
from benchwarden.core.findings import Finding
from benchwarden.core.plan import StageFigures
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import Unit

StageRow = tuple[float, float, bool, bool, str]
FiguresOf = Callable[[Unit, float, bool, bool], StageFigures]

# Frames worked on at a time; bounds memory, changes no result.
_CHUNK = 4096


class _Detector(Protocol):
    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]: ...


class Judge:
    """Judges one run.

    Args:
        unit: what is known of the amplifier.
        stages: (t_start_s, mains_pct, limiter_in, drive_on, name) in order of time, or
            None to take the unit's own, or to tell them live with `set_stage`.
        known_bits: which of mains_on, limiter_in, drive_on the frames really carry;
            the others are taken from the stage and, for mains, from the rails.
        figures_of: what a stage should read and where its limits are.
    """

    def __init__(
        self,
        unit: Unit,
        stages: Sequence[StageRow] | None = None,
        known_bits: Sequence[str] = BITS,
        figures_of: FiguresOf = stage_figures,
    ) -> None:
        self._facts = Facts.of(unit, tuple(known_bits))
        self._figures_of = figures_of
        self._stages: list[StageNow] = []
        self._starts: list[float] = []
        if stages is None:
            stages = [(s.t_start_s, s.mains_pct, s.limiter_in, s.drive_on, s.name) for s in unit.stage]
        for row in stages:
            self.set_stage(*row)
        self._told = bool(self._stages)
        self._fallback = self._stage(0.0, 100.0, False, False, "") if not self._stages else self._stages[0]
        self._cutter = SecondCutter()
        self._levels = Levels(self._facts)
        self._level_stage: StageNow | None = None
        self._situation = Situation(self._facts)
        self._stretches = Stretches(self._facts)
        self._runaway = Runaway(self._facts, self._stretches)
        self._warm_up = WarmUp(self._facts, self._stretches, self._runaway)
        self._hf = Hf(self._facts)
        # Order matters where two see the same thing in the same second: the more special name first.
        self._detectors: tuple[_Detector, ...] = (
            Sensors(self._facts),
            Relay(self._facts),
            Kirchhoff(self._facts),
            self._hf,
            self._runaway,
            Offset(self._facts),
            Bias(self._facts),
            self._warm_up,
        )
        self._metrics = Metrics(self._facts)
        self._early = EarlyForecasts(SIDES)
        self._open_s = math.inf
        self._known: set[tuple[str, str, str]] = set()
        self._trips: list[Finding] = []
        self._warnings: list[Finding] = []
        self._last_stage_s = 0.0
        self._table: dict[str, Any] | None = None

    def _stage(self, t_s: float, mains_pct: float, limiter_in: bool, drive_on: bool, name: str) -> StageNow:
        figures = self._figures_of(self._facts.unit, mains_pct, limiter_in, drive_on)
        return StageNow(t_s, name, mains_pct, limiter_in, drive_on, figures)

    def set_stage(self, t_s: float, mains_pct: float, limiter_in: bool, drive_on: bool, name: str) -> None:
        """Tell that from t_s on the mains side is set like this; before the frames it concerns.

        Raises:
            ValueError: t_s lies before the newest stage.
        """
        if self._starts and t_s < self._starts[-1]:
            raise ValueError(f"stage {name!r} at {t_s:g} s, after one at {self._starts[-1]:g} s; must not go back")
        self._starts.append(t_s)
        self._stages.append(self._stage(t_s, mains_pct, limiter_in, drive_on, name))

    def _stage_at(self, t_s: float) -> StageNow:
        at = bisect_right(self._starts, t_s) - 1
        if at >= 0:
            return self._stages[at]
        return self._stages[0] if self._told else self._fallback

    def feed(self, block: SampleBlock) -> list[Finding]:
        """Judge frames; return what is new, in order of time."""
        found: list[Finding] = []
        for start in range(0, len(block), _CHUNK):
            part = _readable(part_of(block, start, min(start + _CHUNK, len(block))))
            fast = self._fast(part)
            self._opened(fast)
            slow = [f for second in self._cutter.feed(part) for f in self._slow(second)]
            found += self._new(slow, fast)
        return found

    def _fast(self, block: SampleBlock) -> list[Finding]:
        found: list[Finding] = []
        start = 0
        while start < len(block):
            stage = self._stage_at(float(block.t_s[start]))
            at = bisect_right(self._starts, float(block.t_s[start]))
            stop = len(block)
            if at < len(self._starts):
                stop = max(int(np.searchsorted(block.t_s, self._starts[at])), start + 1)
            if stage is not self._level_stage:
                self._level_stage = stage
                self._levels.set_stage(stage)
            found += self._levels.feed(part_of(block, start, stop))
            start = stop
        return found

    def _slow(self, second: Second) -> list[Finding]:
        stage = self._stage_at(second.first_s)
        now = self._situation
        now.update(second, stage)
        self._stretches.second(second, now, stage)
        self._metrics.add(second, now, stage, self._open_s)
        if now.mains:
            self._last_stage_s = second.last_s
        found: list[Finding] = []
        for detector in self._detectors:
            found += detector.second(second, now, stage)
        if found:
            self._opened(found)
        if self._open_s == math.inf:
            views = (self._warm_up.view(k) for k in range(len(SIDES)))
            self._early.second(second.last_s, tuple((view.stretch_s, view.now_v) for view in views), self.outlook)
        return found

    def _opened(self, found: list[Finding]) -> None:
        """Keep the time of the first trip, known before the seconds that come after it."""
        self._open_s = min([self._open_s, *(f.t_s for f in found if f.severity == "trip")])

    def _new(self, slow: list[Finding], fast: list[Finding]) -> list[Finding]:
        """Put findings in order of time and drop what has been said before."""
        if not slow and not fast:
            return []
        # A second ends before the frame that follows it; sorting is stable.
        found = []
        for finding in sorted([*slow, *fast], key=lambda f: f.t_s):
            key = (finding.severity, finding.cause, finding.channel)
            if key in self._known:
                continue
            self._known.add(key)
            (self._trips if finding.severity == "trip" else self._warnings).append(finding)
            found.append(finding)
        return found

    def outlook(self) -> dict[str, Any]:
        """Return where each channel is heading, as `outlook_table` tells it."""
        return outlook_table(self._facts, self._warm_up, self._runaway, ended=self._table is not None)

    def finish(self) -> dict[str, Any]:
        """Return the fixed verdict JSON; a second call returns the same."""
        if self._table is None:
            slow = [f for second in self._cutter.finish() for f in self._slow(second)]
            self._new(slow, [])
            on = [s for s in self._stages if s.mains_pct > 0.0]
            reached = not on or self._last_stage_s >= on[-1].t_start_s
            outlook = outlook_table(self._facts, self._warm_up, self._runaway, ended=True)
            self._table = verdict_table(
                self._facts, self._metrics, self._trips, self._warnings, reached, self._hf.events, outlook
            )
            self._table["metrics"]["forecasts"] = self._early.table()
        return self._table


def _readable(block: SampleBlock) -> SampleBlock:
    """Return the block with infinite readings taken as none: no sensor gives one."""
    names = ("mean", "minimum", "maximum")
    if not any(np.isinf(getattr(block, name)).any() for name in names):
        return block
    held = {name: np.where(np.isinf(getattr(block, name)), np.float32(np.nan), getattr(block, name)) for name in names}
    return replace(block, **held)
