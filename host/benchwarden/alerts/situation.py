"""Where does the run stand? In the few lines that fit a message."""

from __future__ import annotations

from benchwarden.dashboard import words
from benchwarden.dashboard.feed import Snapshot
from benchwarden.dashboard.status import Status


def where(now: Snapshot) -> str:
    """Return stage and relay in a line, "" without a run."""
    status = now.status
    if status is None:
        return ""
    stage = status.stage
    place = f"Stage {status.stage_index + 1} of {len(status.stages)}, {stage.name}. " if stage else ""
    old = "Last known: " if now.last_known else ""
    return f"{place}{words.phase(status)}. {old}Relay {words.relay(status.relay, now.relay_fault)}."


def alive_text(now: Snapshot) -> str:
    """Return how a run stands: stage, time done and to go, both biases, sink temperatures, relay."""
    status = now.status
    if status is None:
        return f"{now.problem or 'No status of a run'}."
    lines = [where(now), f"{_times(status)}.", f"Bias {_both(status, 'bias', 'v', 1000.0, 'mV')}."]
    ambient = _one(status, "ambient_c", 1.0)
    lines.append(f"Heatsinks {_both(status, 'sink', 'c', 1.0, '°C')}; ambient {ambient} °C.")
    if now.last_known:
        lines.append(f"These figures are old: the last came {words.duration(now.silent_s)} ago.")
    return "\n".join(lines)


def _times(status: Status) -> str:
    done = words.duration(status.t_s)
    ahead = [s for s in status.stages if s.status == "waiting"]
    to_go = [stage.hold_s for stage in ahead if stage.hold_s is not None]
    stage = status.stage
    if stage is not None and stage.status == "now" and stage.hold_s is not None:
        to_go.append(max(0.0, stage.hold_s - (stage.elapsed_s or 0.0)))
    speed = "" if status.speed == 1.0 else f" (bench time, at {status.speed:g} times)"
    # How long settling takes, and people, is not known.
    return f"{done} done, at least {words.duration(sum(to_go))} to go{speed}"


def _both(status: Status, what: str, unit: str, scale: float, shown: str) -> str:
    left, right = (_one(status, f"{what}_{side}_{unit}", scale) for side in ("left", "right"))
    return f"{left} {shown} left, {right} {shown} right"


def _one(status: Status, channel: str, scale: float) -> str:
    value = status.values.get(channel)
    return "–" if value is None else f"{value[0] * scale:.1f}"


def ended_text(now: Snapshot) -> str:
    """Return how a run ended."""
    status = now.status
    if status is None:
        return ""
    trips = [f"Tripped: {words.finding(row)}" for row in status.trips[:3]]
    # A trip says its reason itself.
    told = any(row.why in status.why for row in status.trips[:3])
    why = [status.why] if status.why and not told else []
    error = [f"Program error: {status.error}"] if status.error else []
    warnings = sum(row.severity == "warning" for row in status.findings)
    noted = [f"{warnings} warnings are in the record."] if warnings else []
    relay = f"Relay, as last read: {words.relay(status.relay, now.relay_fault)}."
    return "\n".join([*why, *error, *trips, *noted, relay, f"Run time {words.duration(status.t_s)}."])
