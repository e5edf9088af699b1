"""What proves that a person did what was asked: the readings the stage waits for, one by one."""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.core.channels import CHANNEL, CHANNELS
from benchwarden.dashboard.margins import scale
from benchwarden.dashboard.status import StageRow, Status

# While the person's act is asked for or waited for; a stage that is held has been proven.
_PHASES = ("prompt", "waiting-reading", "settling", "cold-check", "closing")
# What a hand sets; any other reading is named only where it does not hold.
_BY_HAND = ("rail voltage",)


@dataclass(frozen=True)
class Proof:
    """One reading that has to be somewhere.

    Attributes:
        what: the reading, in words.
        reads: what it says now.
        needs: what it has to say.
        holds: whether it does.
    """

    what: str
    reads: str
    needs: str
    holds: bool


def proofs(status: Status) -> tuple[Proof, ...]:
    """Return what proves the act that is asked for, or waited for, now."""
    stage = status.stage
    if stage is None or status.ended or status.phase not in _PHASES:
        return ()
    return (*_relay(status, stage), *_readings(status, stage))


def _relay(status: Status, stage: StageRow) -> list[Proof]:
    out = []
    contact = status.relay.contact
    if status.phase != "prompt":
        reads = "not known" if contact is None else "CLOSED" if contact else "OPEN"
        out.append(
            Proof("Mains contact", reads, "CLOSED" if stage.energised else "OPEN", contact is bool(stage.energised))
        )
    if stage.energised and stage.limiter_in is not None:
        lamp = status.relay.limiter_in
        reads = "not known" if lamp is None else "in circuit" if lamp else "bypassed"
        needs = "in circuit" if stage.limiter_in else "bypassed"
        out.append(Proof("Limiter lamp, read back", reads, needs, lamp is stage.limiter_in))
    return out


def _readings(status: Status, stage: StageRow) -> list[Proof]:
    if status.phase == "prompt" and (stage.energised or status.prompt is None or status.prompt.act != "other"):
        # Nothing can be there before the relay closes or the lamp is out.
        return []
    spans = {name: (low, high) for name, low, _, high in stage.expected}
    out = []
    for channel in CHANNELS:
        if channel not in spans:
            continue
        low, high = spans[channel]
        reading = status.values.get(channel)
        holds = reading is not None and low <= reading[0] <= high
        # A bias that must not be zero is what its stage is about.
        asked = CHANNEL[channel].group in _BY_HAND or (CHANNEL[channel].group == "bias" and low > 0.0)
        if holds and not asked:
            continue
        written = scale(channel)
        reads = f"{written.text(reading[0])} {written.unit}" if reading else "no reading"
        out.append(
            Proof(CHANNEL[channel].label, reads, f"{written.text(low)} to {written.text(high)} {written.unit}", holds)
        )
    return out
