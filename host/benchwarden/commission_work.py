"""What the commissioning procedure has its driver do: one plain step each, and what is sent back."""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.core.commissioning import Rig, TestResult

# Lease of a run (supervisor.LEASE_MS), so that what is proven is what a run relies on.
LEASE_MS = 3000


@dataclass(frozen=True)
class Command:
    """Send a command; sent back: its link.messages.Reply."""

    kind: int
    payload: bytes = b""


@dataclass(frozen=True)
class SelfTest:
    """Have the board test itself; sent back: {part: "ok" or what is wrong}."""


@dataclass(frozen=True)
class Read:
    """Take readings for some seconds; sent back: Readings, means over that time."""

    seconds: float


@dataclass(frozen=True)
class AwaitEvent:
    """Wait for an event of the board since the last Command; sent back: Told, None when it does not come."""

    event: int
    timeout_s: float


@dataclass(frozen=True)
class AwaitOpening:
    """Wait until the relay is open; sent back: Opening, None when it stays closed."""

    timeout_s: float


@dataclass(frozen=True)
class FallSilent:
    """Acknowledge nothing more until the relay is open; sent back: (Opening or None, board ms of the last frame
    acknowledged)."""

    timeout_s: float


@dataclass(frozen=True)
class AwaitLoss:
    """Wait until the board is gone; sent back: whether it went."""

    timeout_s: float


@dataclass(frozen=True)
class AwaitRestart:
    """Wait for the board's next start; sent back: Told of it, None when it does not come."""

    timeout_s: float


@dataclass(frozen=True)
class Now:
    """Sent back: the wall clock's label."""


@dataclass(frozen=True)
class UsesRig:
    """The person has described the rig; nothing is sent back."""

    rig: Rig


@dataclass(frozen=True)
class Began:
    """A test begins, by name."""

    test: str


@dataclass(frozen=True)
class Ended:
    """A test has ended; nothing is sent back."""

    result: TestResult


@dataclass(frozen=True)
class MakeOpen:
    """Ask for the relay to open; sent back: whether its contact then reads open."""
