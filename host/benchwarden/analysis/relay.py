"""Does the mains relay do what its contact says, and the limiter what the stage says?

An open contact with rails that keep standing is a welded contact, a second path,
or a contact that lies. Reservoirs alone cannot keep a rail up while current is
drawn: the drop must be at least the charge taken over the largest capacitance.
"""

from __future__ import annotations

import math

from benchwarden.analysis.notice import trip, warning
from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import NEG_A, POS_A, Facts, Situation, StageNow
from benchwarden.core.findings import Finding

# No reservoir of an audio amplifier of this class is larger, per rail; common
# practice, no source. Four times the stated one if that is more.
LARGEST_RESERVOIR_F = 0.047
_EXPECTED_DROP_V = 2.0
_HOLD_S = 3.0
_FLAT_S = 60.0
_CHATTER = 6
_CHATTER_S = 10.0
# Opened and closed again within this time, nobody did it. Repeated within an hour it is
# a contact, a coil or a plug. Common practice, no source.
_DROP_OUT_S = 3.0
_DROP_OUTS, _DROP_OUT_WINDOW_S = 2, 3600.0


class Relay:
    """Watches contact, rails and charge; one second at a time."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._reservoir_f = max(LARGEST_RESERVOIR_F, 4e-6 * facts.unit.reservoir_uf)
        self._start_v = math.nan
        self._charge = 0.0
        self._since_s = 0.0
        self._edges: list[float] = []
        self._was_mains: bool | None = None
        self._went_off_s = math.nan
        self._drop_outs: list[float] = []
        self._limiter_wrong_s = 0.0

    def second(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        if "mains_on" not in self._facts.known_bits:
            return []
        found = self._chatter(second, now)
        found += self._limiter(second, now, stage)
        # One second for the contact to settle and the frame to hold one state only.
        if now.mains or now.off_s < 2.0 or now.gap or second.switched:
            self._start_v = math.nan
            return found
        return found + self._discharge(second, now)

    def _discharge(self, second: Second, now: Situation) -> list[Finding]:
        rail = now.alive_v
        if rail != rail:
            return []
        if self._start_v != self._start_v:
            self._start_v, self._charge, self._since_s = rail, 0.0, 0.0
            return []
        current = [second.mean[i] for i in (POS_A, NEG_A) if second.mean[i] == second.mean[i]]
        self._since_s += now.dt_s
        nominal = self._facts.rail_v
        if rail > self._start_v + max(0.04 * nominal, 1.5):
            words = f"rails rose from {self._start_v:.1f} to {rail:.1f} V while the mains contact reads open"
            return [trip(second.t_s, "relay-fault", "", words)]
        if self._start_v < max(4.0, 0.12 * nominal):
            # Too low to tell a supported rail from a slow discharge: only a rise counts.
            self._start_v = min(self._start_v, rail)
            return []
        dropped = self._start_v - rail
        if not current:
            if self._since_s >= _FLAT_S and dropped < 0.01 * self._start_v:
                words = f"rails still at {rail:.1f} V, {self._since_s:.0f} s after the mains contact opened"
                return [trip(second.t_s, "relay-fault", "", words)]
            return []
        self._charge += max(0.0, sum(current) / len(current) - 0.003) * now.dt_s
        expected = self._charge / self._reservoir_f
        if self._since_s >= _HOLD_S and expected >= _EXPECTED_DROP_V:
            if dropped < 0.3 * expected:
                words = (
                    f"rails at {rail:.1f} V and {current[0]:.2f} A drawn, {now.off_s:.0f} s after the mains contact "
                    f"opened; reservoirs would have lost at least {expected:.1f} V, they lost {dropped:.1f} V"
                )
                return [trip(second.t_s, "relay-fault", "", words)]
            self._start_v, self._charge, self._since_s = rail, 0.0, 0.0
        return []

    def _chatter(self, second: Second, now: Situation) -> list[Finding]:
        was = self._was_mains
        changed = was is not None and (now.mains != was or second.switched)
        self._was_mains = now.mains
        if not changed:
            return []
        found = self._dropped_out(was is True, second, now)
        self._edges = [t for t in self._edges if t > second.t_s - _CHATTER_S] + [second.t_s]
        if len(self._edges) < _CHATTER:
            return found
        words = f"the mains contact changed in {len(self._edges)} of the last {_CHATTER_S:g} s"
        return [*found, trip(second.t_s, "relay-fault", "", words)]

    def _dropped_out(self, was_on: bool, second: Second, now: Situation) -> list[Finding]:
        """Count openings that closed again by themselves."""
        if was_on and not now.mains:
            self._went_off_s = second.t_s
        if was_on or not now.mains or not second.t_s - self._went_off_s <= _DROP_OUT_S:
            return []
        self._drop_outs = [t for t in self._drop_outs if t > second.t_s - _DROP_OUT_WINDOW_S] + [second.t_s]
        if len(self._drop_outs) < _DROP_OUTS:
            return []
        words = f"the mains contact opened and closed again by itself {len(self._drop_outs)} times within an hour"
        return [warning(second.t_s, "relay-fault", "", words)]

    def _limiter(self, second: Second, now: Situation, stage: StageNow) -> list[Finding]:
        wrong = "limiter_in" in self._facts.known_bits and now.mains and stage.limiter_in and not second.limiter_in
        self._limiter_wrong_s = self._limiter_wrong_s + now.dt_s if wrong else 0.0
        if self._limiter_wrong_s < 5.0:
            return []
        words = f"the stage {stage.name!r} wants the series lamp in, its relay reads bypassed"
        return [warning(second.t_s, "relay-fault", "", words)]
