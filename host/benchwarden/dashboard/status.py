"""What does the status file say? Its free-form table as typed, cleaned data.

Every field is optional here: a view must still show the rest when one part of
the file is missing or of the wrong type.
"""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass
from typing import Any

from benchwarden.core.status import failed_parts

TEXT_ROOM = 600
_MOST_AHEAD = 50

# Phases after which the supervisor has nothing more to write.
ENDED_PHASES = ("finished", "aborted")


def plain(value: object, room: int = TEXT_ROOM) -> str:
    """Return text that is safe to print on a terminal and to lay out on a page.

    Control characters would drive a terminal and direction overrides would
    disguise words, so both become visible marks; line ends become blanks.
    """
    if value is None:
        return ""
    text = str(value)[: room + 1]
    cleaned = "".join(
        " " if ch in "\n\r\t" else "\N{REPLACEMENT CHARACTER}" if unicodedata.category(ch) in _HARMFUL else ch
        for ch in text
    )
    return cleaned if len(cleaned) <= room else cleaned[: room - 1] + "…"


# Control, format (direction overrides among them), lone surrogate, private use.
_HARMFUL = frozenset(("Cc", "Cf", "Cs", "Co"))


@dataclass(frozen=True)
class Prompt:
    """What the person is told to do; `ask` is "confirm" or "watch"."""

    id: int
    text: str
    ask: str
    act: str
    check: str
    since_t_s: float | None
    expires_in_s: float | None

    @property
    def two_step(self) -> bool:
        """True where the act lessens protection and one press must not do it."""
        return self.act in ("close-relay", "remove-limiter")


@dataclass(frozen=True)
class Relay:
    """The mains relay as the board tells it; None where it has not told."""

    state: str
    coil: bool | None
    contact: bool | None
    limiter_in: bool | None
    cause: str

    @property
    def disagrees(self) -> bool:
        """True when the contact read back is not what the coil commands."""
        return self.coil is not None and self.contact is not None and self.coil != self.contact


@dataclass(frozen=True)
class LimitRow:
    """One limit of a stage; None leaves that side open."""

    channel: str
    kind: str
    low: float | None
    high: float | None
    for_ms: int
    cause: str
    why: str


@dataclass(frozen=True)
class StageRow:
    """One stage of the plan with where it stands."""

    stage_id: int
    name: str
    mains_pct: float | None
    limiter_in: bool | None
    drive_on: bool
    energised: bool
    status: str
    why: str
    elapsed_s: float | None
    hold_s: float | None
    expected: tuple[tuple[str, float, float, float], ...]
    limits: tuple[LimitRow, ...]


@dataclass(frozen=True)
class FindingRow:
    """One finding, trip or warning, in words."""

    t_s: float | None
    severity: str
    cause: str
    channel: str
    why: str


@dataclass(frozen=True)
class Board:
    """Who the board says it is.

    Attributes:
        program: first digits of its program's digest, "" where it has no listing.
        calibration: in words, calibration_is_good: made, not overdue and nothing wrong with it.
    """

    name: str
    firmware: str
    program: str
    calibration: str
    calibration_is_good: bool
    selftest_ok: bool | None
    failed_parts: tuple[str, ...]
    reminders: tuple[str, ...] = ()


@dataclass(frozen=True)
class OutlookRow:
    """Where one channel's bias is heading; millivolts across one emitter resistor, None where not known.

    Attributes:
        side: "left" or "right".
        state: "settled", "settling", "drifting" or "unknown".
        why: what the state rests on, in words.
        reaches_s: seconds until the safe limit, None for never.
        ahead: the way from here: rows of run time in seconds, expected drop, its 95 % interval in millivolts.
        sink_ahead: the same of the heatsink in degrees Celsius.
    """

    side: str
    state: str
    why: str
    now_mv: float | None
    target_mv: float | None
    final_mv: float | None
    final_95_mv: tuple[float, float] | None
    tau_s: float | None
    set_now_mv: float | None
    loop_gain: float | None
    loop_gain_95: tuple[float, float] | None
    reaches_s: float | None
    ahead: tuple[tuple[float, float, float, float], ...]
    sink_ahead: tuple[tuple[float, float, float, float], ...]

    @property
    def worth_turning(self) -> bool:
        """True when the end lies beside the target by more than is worth turning a pot for."""
        if self.set_now_mv is None or self.final_mv is None or self.target_mv is None:
            return False
        return abs(self.final_mv - self.target_mv) > max(0.05 * self.target_mv, 0.3)

    @property
    def is_vague(self) -> bool:
        """True while the interval of the end is too wide to turn a pot by: a fifth of the target to either side."""
        if self.final_95_mv is None or self.target_mv is None:
            return True
        return self.final_95_mv[1] - self.final_95_mv[0] > 0.4 * self.target_mv


@dataclass(frozen=True)
class Status:
    """The status of a run.

    Attributes:
        values: channel to (mean, minimum, maximum), SI units.
        why: why the run ended, "" while it goes on.
    """

    run: str
    virtual: bool
    run_type: str
    customer: str
    model: str
    serial: str
    started_at_utc: str
    t_s: float | None
    speed: float
    board: Board | None
    link: str
    phase: str
    prompt: Prompt | None
    relay: Relay
    stage_index: int
    stages: tuple[StageRow, ...]
    values: dict[str, tuple[float, float | None, float | None] | None]
    findings: tuple[FindingRow, ...]
    outlook: tuple[OutlookRow, ...]
    verdict: str
    why: str
    messages: tuple[tuple[float | None, str], ...]
    pdf: str
    csv: str
    error: str

    @property
    def stage(self) -> StageRow | None:
        """The present stage, or None before the first."""
        return self.stages[self.stage_index] if 0 <= self.stage_index < len(self.stages) else None

    @property
    def trips(self) -> tuple[FindingRow, ...]:
        """Findings that opened, or should have opened, the relay."""
        return tuple(f for f in self.findings if f.severity == "trip")

    @property
    def ended(self) -> bool:
        """True when the run is over and nothing more will be written."""
        return self.phase in ENDED_PHASES or (self.phase == "tripped" and bool(self.verdict))


def number(value: object) -> float | None:
    """Return a finite number, or None for anything else."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        found = float(value)
    except OverflowError:
        return None
    return found if math.isfinite(found) else None


def _truth(value: object) -> bool | None:
    return value if isinstance(value, bool) else None


def _whole(value: object, fallback: int = 0) -> int:
    found = number(value)
    return fallback if found is None else int(found)


def _table(value: object) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _tables(value: object) -> list[dict[str, Any]]:
    return [entry for entry in value if isinstance(entry, dict)] if isinstance(value, list) else []


def _prompt(value: object) -> Prompt | None:
    if not isinstance(value, dict):
        return None
    return Prompt(
        id=_whole(value.get("id")),
        text=plain(value.get("text")),
        ask=plain(value.get("ask"), 20),
        act=plain(value.get("act"), 20),
        check=plain(value.get("check")),
        since_t_s=number(value.get("since_t_s")),
        expires_in_s=number(value.get("expires_in_s")),
    )


def _limit(table: dict[str, Any]) -> LimitRow:
    return LimitRow(
        channel=plain(table.get("channel"), 40),
        kind=plain(table.get("kind"), 20),
        low=number(table.get("low")),
        high=number(table.get("high")),
        for_ms=_whole(table.get("for_ms")),
        cause=plain(table.get("cause"), 40),
        why=plain(table.get("why")),
    )


def _expected(value: object) -> tuple[tuple[str, float, float, float], ...]:
    rows = []
    for channel, span in _table(value).items():
        if isinstance(span, (list, tuple)) and len(span) == 3:
            low, nominal, high = (number(part) for part in span)
            if low is not None and nominal is not None and high is not None:
                rows.append((plain(channel, 40), low, nominal, high))
    return tuple(rows)


def _stage(table: dict[str, Any]) -> StageRow:
    return StageRow(
        stage_id=_whole(table.get("stage_id")),
        name=plain(table.get("name"), 120),
        mains_pct=number(table.get("mains_pct")),
        limiter_in=_truth(table.get("limiter_in")),
        drive_on=table.get("drive_on") is True,
        energised=table.get("energised") is not False,
        status=plain(table.get("status"), 20),
        why=plain(table.get("why")),
        elapsed_s=number(table.get("elapsed_s")),
        hold_s=number(table.get("hold_s")),
        expected=_expected(table.get("expected")),
        limits=tuple(_limit(entry) for entry in _tables(table.get("limits"))),
    )


def _board(value: object) -> Board | None:
    if not isinstance(value, dict):
        return None
    selftest = _table(value.get("selftest"))
    parts = _table(selftest.get("parts"))
    reminders = value.get("commissioning")
    state, said = _table(value.get("calibration")).get("state"), plain(value.get("cal"), 160)
    return Board(
        name=plain(value.get("board"), 60),
        firmware=plain(value.get("fw"), 40),
        program=plain(value.get("program"), 20),
        calibration=said or "calibration unknown",
        calibration_is_good=state == "calibrated" and ";" not in said,
        selftest_ok=_truth(selftest.get("ok")),
        failed_parts=tuple(failed_parts({plain(part, 40): plain(said, 120) for part, said in parts.items()})),
        reminders=tuple(plain(words, 400) for words in reminders) if isinstance(reminders, list) else (),
    )


def _value(entry: object) -> tuple[float, float | None, float | None] | None:
    if not isinstance(entry, (list, tuple)) or not entry:
        return None
    mean = number(entry[0])
    if mean is None:
        return None
    return mean, number(entry[1]) if len(entry) > 1 else None, number(entry[2]) if len(entry) > 2 else None


def _pair(value: object) -> tuple[float, float] | None:
    if not isinstance(value, list) or len(value) != 2:
        return None
    low, high = number(value[0]), number(value[1])
    return None if low is None or high is None else (low, high)


def _ahead(value: object) -> tuple[tuple[float, float, float, float], ...]:
    rows = []
    for entry in value[:_MOST_AHEAD] if isinstance(value, list) else ():
        numbers = [number(part) for part in entry] if isinstance(entry, list) and len(entry) == 4 else []
        t_s, middle, low, high = numbers if numbers else (None,) * 4
        if t_s is not None and middle is not None and low is not None and high is not None:
            rows.append((t_s, middle, low, high))
    return tuple(rows)


def _outlook(side: str, entry: object) -> OutlookRow:
    table = _table(entry)
    reaches = table.get("reaches_limit_s")
    return OutlookRow(
        side=plain(side, 20),
        state=plain(table.get("state"), 20),
        why=plain(table.get("why"), 200),
        now_mv=number(table.get("now_mv")),
        target_mv=number(table.get("target_mv")),
        final_mv=number(table.get("final_mv")),
        final_95_mv=_pair(table.get("final_95_mv")),
        tau_s=number(table.get("tau_s")),
        set_now_mv=number(table.get("set_now_mv")),
        loop_gain=number(table.get("loop_gain")),
        loop_gain_95=_pair(table.get("loop_gain_95")),
        reaches_s=number(reaches[1]) if isinstance(reaches, list) and len(reaches) == 3 else None,
        ahead=_ahead(table.get("ahead")),
        sink_ahead=_ahead(table.get("sink_ahead")),
    )


def parse(raw: dict[str, Any]) -> Status:
    """Return the typed status held in a status table; never raises for its content."""
    relay = _table(raw.get("relay"))
    record = _table(raw.get("record"))
    verdict = raw.get("verdict")
    return Status(
        run=plain(raw.get("run"), 120),
        virtual=raw.get("virtual") is True,
        run_type=plain(raw.get("run_type"), 40),
        customer=plain(raw.get("customer"), 120),
        model=plain(raw.get("model"), 120),
        serial=plain(raw.get("serial"), 80),
        started_at_utc=plain(raw.get("started_at_utc"), 40),
        t_s=number(raw.get("t_s")),
        speed=number(raw.get("speed")) or 1.0,
        board=_board(raw.get("board")),
        link=plain(raw.get("link"), 20) or "connecting",
        phase=plain(raw.get("phase"), 30) or "connecting",
        prompt=_prompt(raw.get("prompt")),
        relay=Relay(
            state=plain(relay.get("state"), 20),
            coil=_truth(relay.get("coil")),
            contact=_truth(relay.get("contact")),
            limiter_in=_truth(relay.get("limiter_in")),
            cause=plain(relay.get("cause"), 40),
        ),
        stage_index=_whole(raw.get("stage_index"), -1),
        stages=tuple(_stage(entry) for entry in _tables(raw.get("stages"))),
        values={plain(name, 40): _value(entry) for name, entry in _table(raw.get("values")).items()},
        findings=tuple(
            FindingRow(
                t_s=number(entry.get("t_s")),
                severity=plain(entry.get("severity"), 20),
                cause=plain(entry.get("cause"), 40),
                channel=plain(entry.get("channel"), 40),
                why=plain(entry.get("why")),
            )
            for entry in _tables(raw.get("findings"))
        ),
        outlook=tuple(_outlook(side, entry) for side, entry in _table(raw.get("outlook")).items())[:2],
        verdict=plain(_table(verdict).get("verdict"), 40) if isinstance(verdict, dict) else "",
        why=plain(raw.get("why")),
        messages=tuple(
            (number(entry.get("t_s")), plain(entry.get("text"))) for entry in _tables(raw.get("messages"))[-50:]
        ),
        pdf=plain(record.get("pdf"), 300),
        csv=plain(record.get("csv"), 300),
        error=plain(raw.get("error")),
    )
