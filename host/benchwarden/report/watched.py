"""What was watched and for how long, and what the record lacks."""

from __future__ import annotations

from typing import Any

import numpy as np

from benchwarden.core.calibration import Calibration
from benchwarden.core.channels import CHANNELS
from benchwarden.report.identity import half_width_text
from benchwarden.report.printable import channel_label, channel_text, clock_text, number_text, span_text
from benchwarden.report.source import Material
from benchwarden.report.wording import Wording

Row = tuple[str, ...]
_MOST_GAPS = 40


def watched_words(material: Material, unit: dict[str, Any], say: Wording) -> str:
    """Return for how long the set was watched, in sentences."""
    env = material.envelope
    if not env.frames:
        return say("The record holds no readings.")
    load = say("A load was connected.") if unit.get("load_connected") else say("No load was connected.")
    words = say(
        "Watched for {length}, of which {power} under power; {frames} frames, each with mean, minimum and maximum "
        "since the last. Times are run time by the board's clock, h:mm:ss, from the first frame.",
        length=span_text(env.last_t_s - env.first_t_s, say),
        power=span_text(env.mains_on_s, say),
        frames=str(env.frames),
    )
    return f"{words} {load}"


def watched_rows(material: Material, calibration: Calibration | None, say: Wording) -> tuple[Row, ...]:
    """Return (quantity, lowest, highest, U, frames without it) of every channel."""
    env = material.envelope
    if not env.frames:
        return ()
    rows: list[Row] = []
    for k, name in enumerate(CHANNELS):
        low, high = float(np.fmin.reduce(env.low[:, k])), float(np.fmax.reduce(env.high[:, k]))
        lost = env.frames - int(env.values[k])
        share = number_text(100 * lost / env.frames, 1, say)
        missing = say("none") if lost == 0 else (say("all") if lost == env.frames else f"{lost} ({share}\u00a0%)")
        half = half_width_text(calibration, name, low, high, say=say)
        rows.append(
            (
                channel_label(name, say),
                channel_text(name, low, say=say),
                channel_text(name, high, say=say),
                half,
                missing,
            )
        )
    return tuple(rows)


def losses(material: Material, verdict: dict[str, Any] | None, say: Wording) -> list[str]:
    """Return what the record lacks, in sentences."""
    env = material.envelope
    out = list(material.lost)
    if verdict is None:
        out.append(say("The journal holds no verdict: the run was cut off, or is still going on."))
    if not env.frames:
        out.append(say("The journal holds no readings."))
    if env.gap_count:
        length = span_text(env.gap_s, say)
        out.append(
            say.plural(
                "Readings are missing in {n} place, {length} in all; the plots are blank there.",
                "Readings are missing in {n} places, {length} in all; the plots are blank there.",
                env.gap_count,
                length=length,
            )
        )
    gone = [channel_label(n, say) for k, n in enumerate(CHANNELS) if env.frames and not env.values[k]]
    if gone:
        out.append(say("Never seen in this run: {names}.", names=", ".join(gone)))
    if env.backwards:
        out.append(
            say(
                "{n} frames carry a time that does not follow on (the board was restarted); "
                "they are in the journal but not in the plots.",
                n=str(env.backwards),
            )
        )
    if not material.stages:
        out.append(say("The journal holds no plan."))
    return out


def gap_rows(material: Material, say: Wording) -> tuple[Row, ...]:
    """Return (from, to, length) of the first gaps."""
    gaps = material.envelope.gaps[:_MOST_GAPS]
    return tuple((clock_text(a, say), clock_text(b, say), span_text(b - a, say)) for a, b in gaps)
