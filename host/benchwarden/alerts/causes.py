"""What is wrong now? Read from one snapshot, without memory."""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.dashboard import words
from benchwarden.dashboard.feed import Snapshot
from benchwarden.dashboard.status import Status

# Ten statuses a second are due. The board opens by itself after three seconds of silence; what
# comes back before this was a busy computer (common practice, no source).
SILENT_S = 5.0
# A run is found and its board has answered by then, or it will not begin.
BEGIN_S = 60.0


@dataclass(frozen=True)
class Cause:
    """Something that is wrong, or waits, for as long as it is.

    Attributes:
        key: the same for as long as it is the same thing.
        kind: as in a notice.
        after_s: how long it has to last before it is told.
        over: what is said when it is no longer so.
    """

    key: str
    kind: str
    urgent: bool
    title: str
    text: str
    after_s: float
    over: str


def silent(now: Snapshot) -> bool:
    """Return True when a run that goes on is no longer written down."""
    status = now.status
    if status is None or status.ended:
        return False
    # While the link is lost there are no data, and the program that says so is alive.
    quiet_s = now.age_s if status.link == "lost" else now.silent_s
    return quiet_s >= SILENT_S


def over(now: Snapshot) -> bool:
    """Return True when nothing more will come of the run: it ended, or its program stopped by an error."""
    status = now.status
    if status is None:
        return False
    return (status.ended and bool(status.verdict)) or bool(status.error)


def causes(now: Snapshot, watched_s: float, prompt_wait_s: float) -> tuple[Cause, ...]:
    """Return what is wrong, gravest first.

    Args:
        watched_s: for how long there has been no status at all; what is there is not asked.
        prompt_wait_s: a prompt is told after this long; 0 for never.
    """
    status = now.status
    if status is None:
        if watched_s < BEGIN_S:
            return ()
        text = f"{now.problem or 'No status of a run'}. If a run was started, it did not begin. Look at the bench."
        return (Cause("stale:none", "stale", True, "NO RUN IS SEEN", text, 0.0, "A run is seen."),)
    found = [cause for alarm in words.alarms(now) if (cause := _of(alarm, now, status)) is not None]
    prompt = status.prompt
    if prompt is not None and prompt_wait_s > 0 and not status.ended:
        found.append(
            Cause(
                f"prompt:{prompt.id}",
                "prompt",
                False,
                "Somebody is waited for",
                f"For {words.duration(prompt_wait_s)} this has waited for a person: {prompt.text}",
                prompt_wait_s,
                "What was waited for is done.",
            )
        )
    return tuple(found)


def _of(alarm: words.Alarm, now: Snapshot, status: Status) -> Cause | None:
    """Return an alarm of the views as a cause; None for what need not wake anybody."""
    text = f"{alarm.text} {alarm.act}"
    if alarm.kind == "relay":
        said = "Command and contact agree again. Find out why they did not."
        return Cause("relay", "relay", True, "RELAY DISAGREES", text, 0.0, said)
    if alarm.kind == "link":
        return Cause("link", "link", False, "Link to the board lost", text, 1.0, "The board is heard again.")
    if alarm.kind == "trip":
        first = status.trips[0] if status.trips else None
        what = first.cause if first else status.relay.cause
        title = "BOARD FAULT" if status.relay.state == "fault" else "TRIPPED"
        # The board's word comes a moment before the reason in full.
        return Cause(f"trip:{what}", "trip", True, title, text, 1.0, "The trip was reset by a person.")
    if alarm.kind == "error":
        return Cause("error", "error", True, "PROGRAM ERROR", text, 0.0, "The program goes on.")
    if alarm.kind == "stale" and silent(now) and not status.error:
        said = (
            "NO NEWS OF THE RUN: the supervising program has stopped, or the computer stands still. "
            "The board opens the relay by itself when it hears nothing; see to it that it did. "
            f"Last known: {words.relay(status.relay, now.relay_fault)}."
        )
        return Cause("stale", "stale", True, "NO NEWS OF THE RUN", said, 0.0, "News of the run comes again.")
    return None
