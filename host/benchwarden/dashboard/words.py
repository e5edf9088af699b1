"""What the views say: phases, prompts, relay and alarms as sentences a technician reads once."""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchwarden.dashboard.feed import Snapshot
from benchwarden.dashboard.status import FindingRow, OutlookRow, Prompt, Relay, StageRow, Status

CAUTIONS = (
    "Benchwarden is not a certified protective device. Mains can kill. Capacitors stay charged after the relay "
    "opens: measure before you touch. Local codes and licensed practice come first."
)

CAUTIONS_SHORT = (
    "Not a certified protective device. Mains can kill. Capacitors stay charged.",
    "Local codes and licensed practice come first.",
)

_PHASES = {
    "connecting": "Looking for the board",
    "cold-check": "Checking the board, relay open",
    "prompt": "Waiting for you",
    "waiting-reading": "Waiting for the readings to get there",
    "arming": "The board is getting ready to close",
    "closing": "Closing the mains relay",
    "settling": "Waiting until the readings hold still",
    "holding": "Holding: every channel is watched",
    "opening": "Opening the mains relay",
    "finished": "Run finished, relay opened",
    "tripped": "TRIPPED: relay opened",
    "aborted": "Run ended before its time",
}

_CAUSES = {
    "over-current": "too much rail current",
    "dc-offset": "DC on the loudspeaker terminals",
    "over-temperature": "too hot",
    "thermal-runaway": "bias and heat feeding each other",
    "oscillation": "oscillation above audio",
    "rail-imbalance": "rails do not match",
    "rail-missing": "a rail is missing",
    "bias-unstable": "bias does not hold still",
    "sensor-fault": "a sensor cannot be believed",
    "relay-fault": "the relay does not do what it is told",
    "host-silent": "the supervising program fell silent",
    "operator": "opened by a person",
}

_STAGE_STATES = {
    "waiting": "to come",
    "now": "now",
    "passed": "passed",
    "tripped": "TRIPPED",
    "skipped": "skipped",
}


_MINUS = re.compile(r"(?<![\w.-])-(?=\d)")
_QUANTITY = re.compile(r"(\d) (%|mV|V|mA|A|W|°C|K|s|min|h)(?![A-Za-z])")


def phase(status: Status) -> str:
    """Return the phase of the run as a heading."""
    return _PHASES.get(status.phase, f"Phase: {status.phase}")


def cause(name: str) -> str:
    """Return a fixed cause in plain words with its name."""
    said = _CAUSES.get(name)
    return f"{said} ({name})" if said else name


def stage_state(name: str) -> str:
    """Return where a stage stands, in words."""
    return _STAGE_STATES.get(name, name)


def duration(seconds: float | None) -> str:
    """Return a time span as people say it: 8 s, 3 min 05 s, 2 h 10 min."""
    if seconds is None:
        return "–"
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def setting(stage: StageRow) -> str:
    """Return how the mains side stands in a stage: transformer, limiter, drive."""
    if not stage.energised:
        return "relay open"
    parts = [] if stage.mains_pct is None else [f"mains {stage.mains_pct:g} %"]
    if stage.limiter_in is not None:
        parts.append("limiter lamp in" if stage.limiter_in else "NO limiter lamp")
    parts.append("driven" if stage.drive_on else "idle")
    return ", ".join(parts)


def kept_together(text: str) -> str:
    """Return `text` with no line break between a number and its sign or unit."""
    return _QUANTITY.sub("\\1\N{NO-BREAK SPACE}\\2", _MINUS.sub("\N{MINUS SIGN}", text))


def what_happens(prompt: Prompt, stage: StageRow | None) -> str:
    """Return the second button's words: what pressing it does, with the setting it does it at."""
    at = f" at {stage.mains_pct:g} % mains" if stage and stage.mains_pct is not None else ""
    if prompt.act == "close-relay":
        lamp = ""
        if stage and stage.limiter_in is not None:
            lamp = ", limiter lamp in circuit" if stage.limiter_in else ", WITHOUT the limiter lamp"
        return f"Yes: put mains on the amplifier{at}{lamp}"
    if prompt.act == "remove-limiter":
        return f"Yes: take the limiter lamp out of circuit{at}"
    if prompt.act == "reset":
        return "Yes: reset the trip; nothing closes by itself"
    return "Yes: done"


def first_press(prompt: Prompt) -> str:
    """Return the first button's words."""
    return {
        "close-relay": "Ready to close the mains relay …",
        "remove-limiter": "Ready to take the limiter lamp out …",
        "reset": "I have read the cause: reset the trip",
    }.get(prompt.act, "Done: confirm")


def relay(now: Relay, fault: bool) -> str:
    """Return what the contact reads, and whether the command agrees.

    Args:
        fault: command and contact have disagreed for longer than the relay takes.
    """
    if now.contact is None:
        return "contact not known"
    if now.disagrees:
        if not fault:
            return "on its way to close" if now.coil else "on its way to open"
        if now.contact:
            return "contact reads CLOSED but the board commands OPEN"
        return "contact reads OPEN but the board commands CLOSED"
    return "CLOSED: mains is on the amplifier" if now.contact else "OPEN: mains is off"


def limiter(now: Relay) -> str:
    """Return where the limiter lamp is."""
    if now.limiter_in is None:
        return "limiter not known"
    return "limiter lamp in circuit" if now.limiter_in else "limiter lamp bypassed"


def finding(row: FindingRow) -> str:
    """Return one finding as a line."""
    where = f", {row.channel}" if row.channel else ""
    return f"{cause(row.cause)}{where}: {row.why}"


@dataclass(frozen=True)
class Alarm:
    """Something to shout.

    Attributes:
        kind: "relay", "stale", "link", "trip", "error"; one of each at most.
        text: what is wrong.
        act: what to do about it.
    """

    kind: str
    text: str
    act: str


def alarms(now: Snapshot) -> tuple[Alarm, ...]:
    """Return what has to be shouted, gravest first."""
    status = now.status
    if status is None:
        return ()
    out = []
    if now.relay_fault:
        out.append(
            Alarm(
                "relay",
                f"RELAY DISAGREES: {relay(status.relay, True)}.",
                "Take the amplifier's mains plug out by hand. Do not trust either reading.",
            )
        )
    if status.link == "lost" and not status.ended:
        out.append(
            Alarm(
                "link",
                "LINK TO THE BOARD LOST.",
                "The board opens the relay by itself when it hears nothing. Look at the lamp, check the cable.",
            )
        )
    if now.stale:
        out.append(
            Alarm(
                "stale",
                f"LAST DATA {now.silent_s:.0f} s AGO." if now.silent_s >= 1 else "DATA HAS STOPPED.",
                "The figures below are old. Use the emergency stop if you cannot see the amplifier.",
            )
        )
    first = status.trips[0] if status.trips else None
    if status.phase == "tripped" or status.relay.state in ("tripped", "fault"):
        known = status.relay.cause not in ("", "none")
        why, more = "see messages", ""
        if first is not None:
            why = finding(first)
        elif known:
            # What the board itself found is in no finding of the analysis.
            why, more = cause(status.relay.cause), f"{_ended(status.why)} " if status.why else ""
        elif status.why:
            why = status.why
        head = "BOARD FAULT" if status.relay.state == "fault" else "TRIPPED"
        act = f"{more}Nothing closes again by itself. Find the reason first."
        out.append(Alarm("trip", _ended(f"{head}: {why}"), act))
    if status.error:
        out.append(Alarm("error", _ended(f"PROGRAM ERROR: {status.error}"), "The run cannot go on."))
    return tuple(out)


def _ended(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else text + "."


def outlook(row: OutlookRow) -> tuple[str, ...]:
    """Return in short sentences where a channel's bias is heading, "" parts left out."""
    if row.state == "unknown" or row.now_mv is None:
        return ("Not known yet: it needs calm idle time.",)
    told = [f"{row.now_mv:.1f} mV now, {row.state}"]
    if row.final_mv is not None:
        span = f" ({row.final_95_mv[0]:.1f} to {row.final_95_mv[1]:.1f})" if row.final_95_mv else ""
        told.append(f"ends at {row.final_mv:.1f} mV{span}")
    if row.reaches_s is not None:
        told.append(f"does not settle: safe limit in about {duration(row.reaches_s)}")
    elif row.tau_s is not None and row.state == "settling":
        told.append(f"time constant {duration(row.tau_s)}")
    if row.worth_turning and not row.is_vague:
        told.append(f"to end at {row.target_mv:.1f} mV, set {row.set_now_mv:.1f} mV now")
    if row.loop_gain is not None:
        span = f" ({row.loop_gain_95[0]:.2f} to {row.loop_gain_95[1]:.2f})" if row.loop_gain_95 else ""
        told.append(f"loop gain {row.loop_gain:.2f}{span}")
    return tuple(told)
