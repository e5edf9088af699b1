"""What detectors hand to the judge, before the judge decides what is new."""

from __future__ import annotations

from benchwarden.core.findings import Finding


def trip(t_s: float, cause: str, channel: str, why: str) -> Finding:
    """Return a finding that must open the relay."""
    return Finding(t_s, "trip", cause, channel, why)


def warning(t_s: float, cause: str, channel: str, why: str) -> Finding:
    """Return a finding that a person should know of."""
    return Finding(t_s, "warning", cause, channel, why)
