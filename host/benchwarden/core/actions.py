"""What the stage machine asks for, as plain data for the supervisor."""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.core.plan import PlanStage


@dataclass(frozen=True)
class SendStage:
    stage: PlanStage


@dataclass(frozen=True)
class Arm:
    pass


@dataclass(frozen=True)
class Go:
    challenge: int


@dataclass(frozen=True)
class OpenRelay:
    cause: str
    text: str


@dataclass(frozen=True)
class ResetTrip:
    pass


@dataclass(frozen=True)
class Say:
    """A sentence for the person and the record."""

    text: str


@dataclass(frozen=True)
class MarkStage:
    """The run is now in this stage; `status` as in the status file."""

    index: int
    status: str
    why: str


Action = SendStage | Arm | Go | OpenRelay | ResetTrip | Say | MarkStage
