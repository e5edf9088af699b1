"""What the tests of a commissioning share: stages for the rig, closing after a person's yes, opening, coming to rest.

The relay closes only by `close_relay`: a person's yes to a question that says
so, then stage, arming and the challenge given back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Any

from benchwarden.analysis import commissioning as judge
from benchwarden.commission_work import (
    AwaitEvent,
    AwaitOpening,
    Command,
    MakeOpen,
    Read,
)
from benchwarden.core.channels import CHANNELS
from benchwarden.core.commissioning import (
    Finding,
    Hand,
    NotDone,
    Opening,
    Readings,
    Requirement,
    Rig,
    Told,
)
from benchwarden.core.procedure import YES, Ask
from wardenfw import wire

# The rig is no amplifier: nothing is near these, and they end what goes astray.
MOST_RAIL_V = 33.0
MOST_OFFSET_V = 20.0
TRIPPED_OR_WORSE = (wire.TRIPPED, wire.FAULT)


class Failed(Exception):
    """A test cannot go on: what it found so far says why."""

    def __init__(self, why: str, part: str, seen: tuple[str, ...] = ()) -> None:
        super().__init__(why)
        self.finding = Finding(False, why=why, part=part, seen=seen)


Steps = Generator[Any, Any, Finding]


@dataclass(frozen=True)
class Test:
    """One test of the procedure.

    Attributes:
        run: makes its steps from the rig and its id.
        gate: when it does not pass, nothing after it is tried.
    """

    __test__ = False  # not one of pytest's

    id: str
    title: str
    requirement: Requirement
    run: Callable[[Rig, Test], Steps]
    gate: bool = False


@dataclass(frozen=True)
class Bound:
    """The one tight limit of a stage."""

    channel: str
    low: float
    high: float
    cause: str


def stage_payload(
    rig: Rig, bound: Bound | None = None, alert_a: tuple[float, float] | None = None, limiter_in: bool = False
) -> bytes:
    """Return a STAGE payload for the rig: every limit wide but the one that is tested.

    Args:
        alert_a: thresholds of the positive and the negative monitor; by default
            twice what the rig can draw.
    """
    wide_a = 2.0 * rig.amps
    nan = math.nan
    limits = {
        "rail_pos_a": (nan, wide_a, "over-current"),
        "rail_neg_a": (nan, wide_a, "over-current"),
        "rail_pos_v": (nan, MOST_RAIL_V, "rail-imbalance"),
        "rail_neg_v": (-MOST_RAIL_V, nan, "rail-imbalance"),
        "offset_left_v": (-MOST_OFFSET_V, MOST_OFFSET_V, "dc-offset"),
        "offset_right_v": (-MOST_OFFSET_V, MOST_OFFSET_V, "dc-offset"),
        "bias_left_v": (nan, 0.25, "bias-unstable"),
        "bias_right_v": (nan, 0.25, "bias-unstable"),
        "sink_left_c": (nan, 100.0, "over-temperature"),
        "sink_right_c": (nan, 100.0, "over-temperature"),
    }
    if bound is not None:
        limits[bound.channel] = (bound.low, bound.high, bound.cause)
    rows = [
        (CHANNELS.index(name), wire.VALUE, wire.CAUSES.index(cause), low, high, 0, 0)
        for name, (low, high, cause) in limits.items()
    ]
    alert_pos_a, alert_neg_a = alert_a or (wide_a, wide_a)
    payload: bytes = wire.pack_stage(wire.COMMISSION_STAGE, limiter_in, False, rows, alert_pos_a, alert_neg_a)
    return payload


def with_limit(payload: bytes, channel: str, low: float, high: float) -> bytes:
    stage_id, limiter_in, drive_on, limits, alert_pos_a, alert_neg_a = wire.unpack_stage(payload)
    number_of = CHANNELS.index(channel)
    rows = [(c, kind, cause, low, high, *rest) if c == number_of else (c, kind, cause, was_low, was_high, *rest)
            for c, kind, cause, was_low, was_high, *rest in limits]  # fmt: skip
    changed: bytes = wire.pack_stage(stage_id, limiter_in, drive_on, rows, alert_pos_a, alert_neg_a)
    return changed


def agreed(ask: Ask) -> Generator[Any, Any, None]:
    if (yield ask) != YES:
        raise NotDone("the person said no")


def done(kind: int, payload: bytes = b"", part: str = "") -> Generator[Any, Any, Any]:
    reply = yield Command(kind, payload)
    if not reply.done:
        raise Failed(f"the board refuses {wire.KIND_NAMES[kind]}: {reply.why}", part or _part_of(reply.text))
    return reply


def _part_of(text: str) -> str:
    """Return the part a refusal names, as far as it does."""
    return text.removeprefix("self-test: ").split(",")[0].split(" reads ")[0] or "board"


def close_relay(rig: Rig, test: Test, payload: bytes, volts: float, words: str = "") -> Generator[Any, Any, Readings]:
    """Close the relay after a person's yes, and return what flows.

    Args:
        volts: what the supply is set to; the currents have to fit it unless 0.

    Raises:
        Failed: the board does not close, or what flows is not what the rig should draw.
        NotDone: the person said no.
    """
    before: Readings = yield Read(0.5)
    if before.contact_closed:
        raise Failed("the mirror contact reads closed before closing, expected open", "mains relay or mirror contact")
    lost = [name for name in CHANNELS if math.isnan(before.values[name]) and name in wire.MUST_LIMIT]
    if lost:
        raise Failed(f"no reading from {', '.join(lost)}", lost[0])
    for name in ("rail_pos_a", "rail_neg_a"):
        if abs(before.values[name]) > 0.05 * rig.low_amps + 0.01:
            why = f"{name} reads {before.values[name]:.3f} A with the relay open, expected none"
            raise Failed(why, "mains relay contact, or the rig's wiring around it")
    text = f"{words} Hands off the rig, then confirm: the mains relay will close.".strip()
    yield from agreed(Ask(f"{test.id}.close", text, "confirm"))
    yield from done(wire.STAGE, payload)
    armed = yield from done(wire.ARM)
    if not armed.text.isdigit():
        raise Failed(f"arming was answered without a challenge: {armed.text!r}", "board firmware")
    yield from done(wire.GO, wire.pack_u32(int(armed.text)))
    closed: Told | None = yield AwaitEvent(wire.EV_CLOSED, 2.0)
    if closed is None:
        raise Failed("the mirror contact did not read closed after the coil was driven", "mains relay or coil supply")
    readings: Readings = yield Read(0.5)
    if readings.state != wire.CLOSED:
        raise Failed(f"the board is {readings.state_name} right after closing, expected closed", "see the events")
    if volts:
        why, part = judge.wrong_currents(readings.values, volts / rig.ohms)
        if why:
            raise Failed(why, part)
    return readings


def opened(timeout_s: float, what: str, part: str) -> Generator[Any, Any, Opening]:
    opening: Opening | None = yield AwaitOpening(timeout_s)
    if opening is None:
        yield MakeOpen()
        acted = yield Ask("did-act", f"Nothing opened the relay within {timeout_s:.0f} s. Did you do it?", "confirm")
        if acted != YES:
            raise NotDone(f"{what}: not done by the person")
        raise Failed(f"{what}: the relay stayed closed for {timeout_s:.0f} s", part)
    return opening


def _rest(test: Test, hand: Hand | None) -> Generator[Any, Any, str]:
    """Have the person undo and reset; return what is wrong with the relay's staying open, "" when nothing is."""
    before: Readings = yield Read(0.5)
    if hand is not None:
        yield hand
    words = "Put it back as described, then confirm" if hand is not None else "Confirm"
    yield from agreed(Ask(f"{test.id}.reset", f"{words}: the trip will be reset. The relay stays open.", "confirm"))
    between: Readings = yield Read(0.5)
    if between.state in TRIPPED_OR_WORSE:
        reply = yield Command(wire.RESET)
        if not reply.done:
            return f"the board refuses the reset: {reply.why}"
    after: Readings = yield Read(1.0)
    for readings, when in ((before, "after the trip"), (between, "with the cause gone"), (after, "after the reset")):
        if readings.contact_closed:
            return f"the mirror contact reads closed {when}, expected open"
    if after.state != wire.SAFE:
        return f"the board is {after.state_name} after the reset, expected safe"
    return ""


def and_rest(test: Test, found: Finding, hand: Hand | None = None) -> Steps:
    wrong = yield from _rest(test, hand)
    if wrong and found.ok:
        return Finding(False, found.measures, found.seen, wrong, "mains relay, or what holds it")
    return found
