"""What the hand on a bias pot needs: the drop now, what to set, and where it will settle."""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.core.channels import CHANNELS
from benchwarden.dashboard import words
from benchwarden.dashboard.margins import scale
from benchwarden.dashboard.status import OutlookRow, Status

_PHASES = ("waiting-reading", "settling", "holding")
_SIDES = (("left", "bias_left_v"), ("right", "bias_right_v"))


@dataclass(frozen=True)
class Pot:
    """One channel's pot; text, numbers in millivolts.

    Attributes:
        now: the live drop.
        set_now: what to set now so that it settles at the target.
        settles: where it will settle as it is now, with its interval.
        says: in words what to do, or why nothing is known yet.
        turn: "up", "down" or "" for leave it.
    """

    side: str
    now: str
    set_now: str
    settles: str
    says: str
    turn: str


def pots(status: Status) -> tuple[Pot, ...]:
    """Return both pots while there is bias to set: mains on in full, idle; else nothing."""
    stage = status.stage
    if stage is None or status.phase not in _PHASES or not stage.energised or stage.drive_on or stage.limiter_in:
        return ()
    spans = {name: low for name, low, _, _ in stage.expected}
    rows = {row.side: row for row in status.outlook}
    asked = status.prompt is not None and status.prompt.ask == "watch"
    return tuple(
        _pot(side, status.values.get(channel), rows.get(side), asked)
        for side, channel in _SIDES
        if channel in CHANNELS and spans.get(channel, 0.0) > 0.0
    )


def _pot(
    side: str, reading: tuple[float, float | None, float | None] | None, row: OutlookRow | None, asked: bool
) -> Pot:
    """Return one pot.

    Args:
        asked: the person has been told to turn it; else hands should be off.
    """
    written = scale("bias_left_v")
    now = written.text(reading[0] if reading else None)
    if row is None or row.target_mv is None:
        return Pot(side, now, "–", "–", "No target is known.", "")
    target = f"{row.target_mv:.1f}"
    if row.reaches_s is not None and row.final_mv is None:
        soon = words.duration(row.reaches_s)
        return Pot(side, now, "–", "nowhere", f"No pot mends this: it reaches its safe limit in about {soon}.", "")
    if row.set_now_mv is None or row.final_mv is None:
        why = (row.why or "not known yet").replace("+-", "\N{PLUS-MINUS SIGN}")
        return Pot(side, now, target, "–", f"For a start the target. Its end: {why}.", "")
    span = ""
    if row.final_95_mv is not None:
        span = f" ({row.final_95_mv[0]:.1f}\N{NO-BREAK SPACE}…\N{NO-BREAK SPACE}{row.final_95_mv[1]:.1f})"
    settles = f"{row.final_mv:.1f}{span}"
    if row.is_vague:
        return Pot(side, now, "–", settles, "Wait: too early to say by how much to turn.", "")
    set_now = f"{row.set_now_mv:.1f}"
    if not row.worth_turning:
        return Pot(side, now, set_now, settles, "Leave it: it settles where it should.", "")
    turn = "up" if row.set_now_mv > (row.now_mv or row.final_mv) else "down"
    if asked:
        return Pot(side, now, set_now, settles, f"Turn {turn} to {set_now} mV now.", turn)
    return Pot(side, now, set_now, settles, f"To settle at {target} mV it would have to read {set_now} mV now.", turn)
