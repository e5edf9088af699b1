"""What analysis finds: a trip or a warning, with its time, cause and reason."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """One finding.

    Attributes:
        t_s: when it was established, seconds since run start.
        severity: "trip" or "warning".
        cause: one of the fixed causes.
        channel: "left", "right", "positive rail", a channel name, or "".
        why: one sentence with what was seen and what was expected.
    """

    t_s: float
    severity: str
    cause: str
    channel: str
    why: str
