"""What can happen to a run, as plain data for the stage machine."""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.core.findings import Finding


@dataclass(frozen=True)
class Readings:
    """One frame: board time, channel means (NaN when missing), what the relay does."""

    t_s: float
    values: dict[str, float]
    board_state: int
    contact_closed: bool
    stage_id: int


@dataclass(frozen=True)
class Reply:
    """The board's answer to a command of `kind`."""

    kind: int
    refusal: int
    text: str


@dataclass(frozen=True)
class BoardEvent:
    """An event the board reported."""

    t_s: float
    event: int
    cause: str
    channel: str
    value: float
    limit: float
    text: str


@dataclass(frozen=True)
class Connected:
    """The board answered hello."""

    board_state: int
    cause: str
    same_boot: bool
    selftest: str


@dataclass(frozen=True)
class Disconnected:
    """Nothing is heard of the board."""

    why: str


@dataclass(frozen=True)
class Confirm:
    """A person says the prompt is done."""

    prompt_id: int
    by: str


@dataclass(frozen=True)
class Stop:
    """A person wants the relay open, or the whole run ended."""

    by: str
    end_run: bool


@dataclass(frozen=True)
class GiveUp:
    """The host cannot go on supervising; `cause` is one of the fixed causes."""

    cause: str
    why: str


@dataclass(frozen=True)
class Acknowledge:
    """A person acknowledges a latched trip."""

    by: str


@dataclass(frozen=True)
class Judged:
    """The analysis found something that must open the relay."""

    finding: Finding


Event = Readings | Reply | BoardEvent | Connected | Disconnected | Confirm | Stop | GiveUp | Acknowledge | Judged
