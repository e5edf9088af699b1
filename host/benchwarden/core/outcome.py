"""How a run ended: the verdict of the analysis together with what the board and people did."""

from __future__ import annotations

from typing import Any

from benchwarden.core.stages import State


def combined_verdict(judged: dict[str, Any], state: State) -> dict[str, Any]:
    """Return the verdict of a run: what the analysis says, and how the run ended.

    A trip the board made on its own is a trip of the run even where the
    analysis had not asked for it; a run that did not finish cannot pass.
    """
    verdict = dict(judged)
    if state.outcome == "tripped":
        trips = list(verdict["trips"])
        known = [t for t in trips if not t.get("after_open")]
        if not any(t["cause"] == state.cause for t in known):
            for trip in known:
                if trip["t_s"] >= state.ended_s:
                    trip["after_open"] = True
            trips.insert(0, {"t_s": state.ended_s, "cause": state.cause, "channel": state.channel, "why": state.why})
            where = f", {state.channel}" if state.channel else ""
            _retell(verdict, f"Stopped by the board at {state.ended_s:.0f} s: {state.cause}{where}, {state.why}")
        verdict["trips"] = trips
        verdict["verdict"] = "trip"
    elif state.outcome == "aborted" and verdict["verdict"] == "pass":
        verdict["verdict"] = "incomplete"
        _retell(verdict, f"Ended before its time at {state.ended_s:.0f} s: {state.why}")
    if state.outcome == "aborted":
        ended = {"t_s": state.ended_s, "cause": state.cause, "channel": "", "why": state.why}
        verdict["warnings"] = [*verdict["warnings"], ended]
    return verdict


def _retell(verdict: dict[str, Any], sentence: str) -> None:
    """Put what happened in place of the analysis' own sentence, which is kept as the first reason."""
    metrics = dict(verdict["metrics"])
    own = metrics.get("sentence")
    if own:
        metrics["sentence"] = f"{sentence.rstrip('.')}."
        metrics["reasons"] = [f"The analysis of the readings alone: {own}", *metrics.get("reasons", [])]
        verdict["metrics"] = metrics
