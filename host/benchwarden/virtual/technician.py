"""The person at the virtual bench: turns knobs and confirms, as prompts ask for it.

Only the virtual bench has one. It looks at what a person would see (prompt,
stage, readings) and acts through the bench's hands; time is the board's.
"""

from __future__ import annotations

import math

from benchwarden.core.plan import PlanStage
from benchwarden.core.requests import Request
from benchwarden.core.stages import OVER, State
from benchwarden.core.unit import Unit
from benchwarden.virtual.amplifier import SATURATION_V
from benchwarden.virtual.hands import Hands

READ_PROMPT_S = 2.0
TURN_PCT_PER_S = 10.0
TURN_EVERY_S = 0.5
ADJUST_EVERY_S = 4.0
SIGNAL_UP_S = 10.0


class Technician:
    """Does what the prompts say, at the pace of a careful person.

    Args:
        overshoot_pct: how far the transformer is turned beyond what was asked.
        confirms: False for one who never answers.
        reads_s: how long each prompt is read before it is answered.
    """

    def __init__(
        self, hands: Hands, overshoot_pct: float = 0.0, confirms: bool = True, reads_s: float = READ_PROMPT_S
    ) -> None:
        self._hands = hands
        self._reads_s = reads_s
        self._overshoot_pct = overshoot_pct
        self._confirms = confirms
        self._pct = 0.0
        self._answered = 0
        self._turn_due_s = 0.0
        self._adjust_due_s = 0.0
        self._drive = 0.0
        self._signal_due_s = math.inf
        self._loaded = False

    def acts(self, state: State, values: dict[str, float]) -> list[Request]:
        """Turn what has to be turned and return the confirmations, if any."""
        if state.phase in OVER or state.phase == "opening":
            self._set_drive(0.0)
            return []
        stage = state.plan.stages[state.index] if 0 <= state.index < len(state.plan.stages) else None
        if stage is not None:
            self._follow(stage, state, values)
        prompt = state.prompt
        if prompt is None or prompt.ask != "confirm" or prompt.prompt_id == self._answered or not self._confirms:
            return []
        if state.t_s - prompt.since_t_s < self._reads_s:
            return []
        if stage is not None and prompt.act != "reset" and self._pct != self._wanted(stage):
            return []
        self._answered = prompt.prompt_id
        name = f"technician-{prompt.prompt_id}"
        return [Request(name, "confirm", prompt.prompt_id, "virtual technician", "")]

    def _wanted(self, stage: PlanStage) -> float:
        return stage.mains_pct + (self._overshoot_pct if stage.energised else 0.0)

    def _follow(self, stage: PlanStage, state: State, values: dict[str, float]) -> None:
        wanted = self._wanted(stage)
        if self._pct != wanted and state.t_s >= self._turn_due_s:
            self._turn_due_s = state.t_s + TURN_EVERY_S
            step = TURN_PCT_PER_S * TURN_EVERY_S
            self._pct += max(-step, min(step, wanted - self._pct))
            self._hands.variac(self._pct)
        self._turn_signal(stage, state)
        if (
            state.phase == "waiting-reading"
            and state.closed
            and self._pct == wanted
            # With the signal on the drop is signal, and a set still hot from it is not
            # at its idle: nobody sets a bias by either.
            and not stage.drive_on
            and not self._loaded
            and state.t_s >= self._adjust_due_s
        ):
            self._adjust(stage, values)
            self._adjust_due_s = state.t_s + ADJUST_EVERY_S

    def _adjust(self, stage: PlanStage, values: dict[str, float]) -> None:
        for side in ("left", "right"):
            span = stage.figures.expected.get(f"bias_{side}_v")
            seen = values.get(f"bias_{side}_v", math.nan)
            if span is not None and not span.low <= seen <= span.high:
                self._hands.pot(side, span.nominal * 1000.0)

    def _turn_signal(self, stage: PlanStage, state: State) -> None:
        """Read the prompt, then turn the generator up bit by bit; off goes at once."""
        if not (stage.drive_on and state.closed):
            self._signal_due_s = math.inf
            self._set_drive(0.0)
            return
        if self._signal_due_s == math.inf:
            self._signal_due_s = state.t_s + READ_PROMPT_S
        wanted = _drive_level(state.plan.unit)
        if self._drive < wanted and state.phase != "prompt" and state.t_s >= self._signal_due_s:
            self._signal_due_s = state.t_s + TURN_EVERY_S
            self._set_drive(min(self._drive + wanted * TURN_EVERY_S / SIGNAL_UP_S, wanted))

    def _set_drive(self, level: float) -> None:
        if level != self._drive:
            self._drive = level
            if level > 0.0 and not self._loaded:
                # The plan asks for the signal into a load; without one nothing would warm.
                self._hands.load(True)
                self._loaded = True
            self._hands.drive(level)


def _drive_level(unit: Unit) -> float:
    """Return 1/8 of rated power as a part of the clipping amplitude; a set clips above its rating."""
    peak_v = math.sqrt(2.0 * unit.rated_power_w / 8.0 * unit.load_ohm)
    return min(peak_v / (unit.rail_nominal_v - SATURATION_V), 1.0)
