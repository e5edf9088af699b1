"""Who is told what, and when? Pure: the state before, a snapshot and the time give the state after and the notices.

Each cause is told once, told as "still so" while it lasts, and told when it is over.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from benchwarden.alerts import causes
from benchwarden.alerts.causes import Cause
from benchwarden.alerts.notice import Notice, Reach, local_label
from benchwarden.alerts.situation import alive_text, ended_text, where
from benchwarden.dashboard import words
from benchwarden.dashboard.feed import Snapshot
from benchwarden.dashboard.status import FindingRow, Status
from benchwarden.record.alert_settings import AlertSettings

# Common practice, no source: all of these.
AGAIN_S = 900.0
CALM_S = 10.0
GATHER_S = 60.0
SOUND_AGAIN_S = 20.0
SOUND_TIMES = 3
MOST_WARNINGS = 12
# Looks are half a second apart; between two that are further apart the computer stood still.
SLEPT_S = 30.0
# A run that begins has its first status by then.
NAMED_S = 5.0
# The verdict follows the end of a run within this, or it does not come.
VERDICT_S = 30.0


@dataclass(frozen=True)
class Moment:
    """Now, on both clocks.

    Attributes:
        now_s: monotonic seconds; may stand still while the computer sleeps.
        wall_s: seconds of the wall clock; may be set.
    """

    now_s: float
    wall_s: float

    def after(self, seconds: float) -> Moment:
        """Return the moment `seconds` from now."""
        return Moment(self.now_s + seconds, self.wall_s + seconds)

    def is_due(self, at: Moment) -> bool:
        """Return True once either clock has come to `at`: one may have stood still, the other been set back."""
        return self.now_s >= at.now_s or self.wall_s >= at.wall_s


@dataclass(frozen=True)
class Followed:
    """A cause since it was first seen.

    Attributes:
        told_s: when it was last told; None before.
        gone_s: since when it is no longer seen; None while it is.
    """

    cause: Cause
    since_s: float
    told_s: float | None = None
    gone_s: float | None = None


@dataclass(frozen=True)
class State:
    """What the rules remember.

    Attributes:
        begun: when watching began; None before the first look.
        on: that alerts are on was told.
        last: the look before.
        alive_due: when the next sign of life is due; None for never.
        sound_due_s: when the sound of an urgent notice is made again; sound_title: of which.
        seen: warnings that were told or wait to be; waiting: those that wait, since gather_s.
        over_s: since when the run is over without a verdict; None while it goes on.
        done: the last notice is out.
    """

    begun: Moment | None = None
    on: bool = False
    last: Moment | None = None
    alive_due: Moment | None = None
    followed: tuple[Followed, ...] = ()
    sound_due_s: tuple[float, ...] = ()
    sound_title: str = ""
    seen: frozenset[tuple[float | None, str, str]] = frozenset()
    waiting: tuple[FindingRow, ...] = ()
    gather_s: float = 0.0
    over_s: float | None = None
    done: bool = False

    @property
    def at_rest(self) -> bool:
        """True when nothing more will come."""
        return self.done and not self.sound_due_s


def judge(
    before: State, seen: Snapshot, at: Moment, settings: AlertSettings, ways: tuple[str, ...]
) -> tuple[State, tuple[Notice, ...]]:
    """Return what is remembered after one look, and what is told because of it.

    Args:
        ways: names of the ways out, safe to show.
    """
    state, out = before, list[Notice]()
    status = seen.status
    if state.begun is None:
        state = replace(state, begun=at)
    if not state.done:
        state = _begin(state, status, at, settings, ways, out)
        state = _slept(state, status, at, out)
        state = _follow(state, seen, at, settings, out)
        state = _gather(state, status, at, out)
        state = _end(state, seen, at, out)
    if not state.done:
        state = _alive(state, seen, at, settings, out)
    state = _sound(state, at, out)
    return replace(state, last=at), tuple(out)


def stopped(before: State, seen: Snapshot, at: Moment) -> tuple[State, tuple[Notice, ...]]:
    """Return the last notices where the watching is ended from outside: what waits to be told, and that it was all."""
    if before.done:
        return replace(before, sound_due_s=()), ()
    out: list[Notice] = []
    state = _gather(before, seen.status, at, out, at_once=True)
    text = (
        "The watching was ended while the run was not seen to end. No more messages will come of it."
        f"{_lines(where(seen))}"
    )
    out.append(_notice(seen.status, at, "stopped", False, "Alerts stopped", text))
    return replace(state, done=True, alive_due=None, sound_due_s=()), tuple(out)


def _notice(
    status: Status | None, at: Moment, kind: str, urgent: bool, title: str, text: str, reach: Reach = "all"
) -> Notice:
    run = f" ({status.run})" if status and status.run else ""
    virtual = "VIRTUAL BENCH: " if status and status.virtual else ""
    return Notice(kind, urgent, f"{virtual}{title}{run}", f"{text}\nAt {local_label(at.wall_s)}.", at.wall_s, reach)


def _lines(text: str) -> str:
    return f"\n{text}" if text else ""


def _begin(
    state: State, status: Status | None, at: Moment, settings: AlertSettings, ways: tuple[str, ...], out: list[Notice]
) -> State:
    """Say once that alerts are on, by the name of the run where it is soon known."""
    if state.on or (status is None and at.now_s - (state.begun or at).now_s < NAMED_S):
        return state
    every_s = settings.alive_every_min * 60.0
    due = at.after(every_s) if every_s else None
    told = f"Told by: {', '.join(ways)}." if ways else "Told nowhere but in the alert log."
    out.append(_notice(status, at, "on", False, "Alerts are on", f"{told}\n{_next(due)}"))
    return replace(state, on=True, alive_due=due)


def _next(due: Moment | None) -> str:
    if due is None:
        return "No signs of life are set: silence says nothing."
    return f"Next sign of life: {local_label(due.wall_s)}. If none comes by then, look at the bench."


def _slept(state: State, status: Status | None, at: Moment, out: list[Notice]) -> State:
    if state.last is None:
        return state
    gap_s = max(at.now_s - state.last.now_s, at.wall_s - state.last.wall_s)
    if gap_s >= SLEPT_S:
        text = (
            f"For {words.duration(gap_s)} this computer stood still (it slept, or its clock was set). A computer that "
            "sleeps supervises nothing: forbid it. The board opens the relay by itself when it hears nothing."
        )
        return _tell(state, _notice(status, at, "slept", True, "THE COMPUTER STOOD STILL", text), at, out)
    return state


def _tell(state: State, notice: Notice, at: Moment, out: list[Notice]) -> State:
    """Add a notice; an urgent one is heard again."""
    out.append(notice)
    if not notice.urgent:
        return state
    due = tuple(at.now_s + SOUND_AGAIN_S * (i + 1) for i in range(SOUND_TIMES))
    return replace(state, sound_due_s=due, sound_title=notice.title)


def _follow(state: State, seen: Snapshot, at: Moment, settings: AlertSettings, out: list[Notice]) -> State:
    watched_s = at.now_s - (state.begun or at).now_s
    found = {c.key: c for c in causes.causes(seen, watched_s, settings.prompt_wait_min * 60.0)}
    ending = causes.over(seen)
    kinds = {cause.kind for cause in found.values()}
    kept: list[Followed] = []
    for followed in state.followed:
        cause = found.pop(followed.cause.key, None)
        if cause is not None:
            state, followed = _go_on(state, replace(followed, cause=cause, gone_s=None), seen, at, ending, out)
            kept.append(followed)
        elif followed.told_s is None or followed.cause.kind in kinds:
            # Never told, or its place was taken by another of its kind.
            continue
        elif followed.gone_s is None:
            kept.append(replace(followed, gone_s=at.now_s))
        elif at.now_s - followed.gone_s >= CALM_S:
            lasted = words.duration(followed.gone_s - followed.since_s)
            text = f"{followed.cause.over} It lasted {lasted}.{_lines(where(seen))}"
            out.append(_notice(seen.status, at, followed.cause.kind, False, f"Over: {followed.cause.title}", text))
        else:
            kept.append(followed)
    for cause in found.values():
        state, followed = _go_on(state, Followed(cause, at.now_s), seen, at, ending, out)
        kept.append(followed)
    return replace(state, followed=tuple(kept))


def _go_on(
    state: State, followed: Followed, seen: Snapshot, at: Moment, ending: bool, out: list[Notice]
) -> tuple[State, Followed]:
    """Tell a cause that is there now, if it is time to."""
    cause = followed.cause
    lasted_s = at.now_s - followed.since_s
    text = f"{cause.text}{_lines(where(seen))}"
    if followed.told_s is None:
        # With the run over there is no later.
        if lasted_s < cause.after_s and not (ending and cause.kind != "prompt"):
            return state, followed
        state = _tell(state, _notice(seen.status, at, cause.kind, cause.urgent, cause.title, text), at, out)
        return state, replace(followed, told_s=at.now_s)
    if at.now_s - followed.told_s < AGAIN_S:
        return state, followed
    title = f"Still so after {words.duration(lasted_s)}: {cause.title}"
    out.append(_notice(seen.status, at, cause.kind, cause.urgent, title, text))
    return state, replace(followed, told_s=at.now_s)


def _gather(state: State, status: Status | None, at: Moment, out: list[Notice], at_once: bool = False) -> State:
    """Tell warnings once each, those of a minute together."""
    rows = tuple(row for row in (status.findings if status else ()) if row.severity == "warning")
    keys = frozenset((row.t_s, row.cause, row.channel) for row in rows)
    new = tuple(row for row in rows if (row.t_s, row.cause, row.channel) not in state.seen)
    if new:
        gather_s = state.gather_s if state.waiting else at.now_s
        state = replace(state, waiting=state.waiting + new, gather_s=gather_s)
    # What slid out of the status file does not come back.
    state = replace(state, seen=keys or state.seen)
    over = status is not None and status.ended
    if not state.waiting or not (at_once or over or at.now_s - state.gather_s >= GATHER_S):
        return state
    count = len(state.waiting)
    lines = [f"- {words.finding(row)}" for row in state.waiting[:MOST_WARNINGS]]
    if count > MOST_WARNINGS:
        lines.append(f"- and {count - MOST_WARNINGS} more; the bench page has them")
    title = "A warning" if count == 1 else f"{count} warnings"
    out.append(_notice(status, at, "warnings", False, title, "\n".join(lines)))
    return replace(state, waiting=())


def _end(state: State, seen: Snapshot, at: Moment, out: list[Notice]) -> State:
    status = seen.status
    if status is None or not (status.ended or causes.over(seen)):
        return replace(state, over_s=None)
    since_s = at.now_s if state.over_s is None else state.over_s
    if not causes.over(seen) and at.now_s - since_s < VERDICT_S:
        return replace(state, over_s=since_s)
    title = f"Run ended: {status.verdict.upper()}" if status.verdict else "Run ended without a verdict"
    text = f"{ended_text(seen)}\nThis was the last message of this run."
    out.append(_notice(status, at, "ended", False, title, text))
    return replace(state, done=True, alive_due=None, over_s=since_s)


def _alive(state: State, seen: Snapshot, at: Moment, settings: AlertSettings, out: list[Notice]) -> State:
    if state.alive_due is None or not at.is_due(state.alive_due):
        return state
    due = at.after(settings.alive_every_min * 60.0)
    wrong = [f.cause.title for f in state.followed if f.told_s is not None and f.gone_s is None]
    title = f"Still watching; wrong now: {', '.join(wrong)}" if wrong else "Still going, no alarm"
    if seen.status is None:
        title = "Still watching; no run is seen"
    text = f"{alive_text(seen)}\n{_next(due)}"
    out.append(_notice(seen.status, at, "alive", False, title, text, "messages"))
    return replace(state, alive_due=due)


def _sound(state: State, at: Moment, out: list[Notice]) -> State:
    due = [due_s for due_s in state.sound_due_s if at.now_s >= due_s]
    if not due:
        return state
    left = tuple(due_s for due_s in state.sound_due_s if at.now_s < due_s)
    out.append(Notice("again", True, state.sound_title, "The sound is made again.", at.wall_s, "sound"))
    return replace(state, sound_due_s=left)
