"""The benchmark's figures as lines of text and as a plain table."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from benchwarden.corpus import scoring
from benchwarden.corpus.case import HEALTHY, MARGINAL
from benchwarden.corpus.judging import ANALYSIS, FORGIVEN, RULES, Row

_TAUS = (0.5, 1.0, 1.5, 2.0, 3.0)


def lines(rows: Sequence[Row]) -> list[str]:
    """Return everything the benchmark prints of one model's runs."""
    found = _runs(rows)
    for rule in (*RULES, FORGIVEN):
        found += ["", f"Faults, {rule}:", *_kinds(scoring.by_kind(rows, rule))]
    found += ["", "Trips while nothing was wrong:", *_false(rows)]
    found += ["", "Forecast:", *_forecasts(rows)]
    found += ["", "Side by side:", *_side_by_side(rows)]
    frames = sum(row.frames for row in rows)
    seconds = sum(row.judge_s for row in rows)
    if frames:
        found += ["", f"Judging took {1e6 * seconds / frames:.1f} us of one core per frame, {frames} frames."]
    return found


def _runs(rows: Sequence[Row]) -> list[str]:
    healthy = [row for row in rows if row.truth.kind == HEALTHY]
    marginal = [row for row in rows if row.truth.kind == MARGINAL]
    hours = sum(row.end_s for row in healthy) / 3600.0
    text = f"{len(rows)} runs: {len(healthy)} healthy ({hours:.1f} h), {len(marginal)} marginal"
    return [f"{text} (loop gain 0.8 to 1: neither a trip nor silence is wrong), {_faulty(rows)} with a fault."]


def _faulty(rows: Sequence[Row]) -> int:
    return sum(row.truth.kind not in (HEALTHY, MARGINAL) for row in rows)


def _kinds(scores: dict[str, scoring.KindScore]) -> list[str]:
    head = (
        f"{'kind':28s}{'runs':>5s}{'destroy':>8s}{'before':>7s}{'after':>6s}{'missed':>7s}{'silent':>7s}{'early':>6s}"
        f"{'right':>6s}{'wrong':>6s}{'delay s (5 %)':>16s}{'lead s (5 %)':>18s}  wrong causes"
    )
    found = [head]
    for kind, s in scores.items():
        wrong = ", ".join(f"{cause} {n}" for cause, n in sorted(s.wrong.items()))
        found.append(
            f"{kind:28s}{s.runs:5d}{s.destroyed:8d}{s.before:7d}{s.after:6d}{s.missed:7d}{s.silent:7d}{s.early:6d}"
            f"{s.right:6d}{sum(s.wrong.values()):6d}{_pair(s.delays_s):>16s}{_pair(s.leads_s):>18s}  {wrong}".rstrip()
        )
    return found


def _pair(values: Sequence[float]) -> str:
    if not values:
        return "-"
    middle, low = scoring.median_and_5(values)
    return f"{middle:.1f} ({low:.1f})"


def _share(hits: int, of: int) -> str:
    if not of:
        return "none there"
    low, high = scoring.binomial_interval(hits, of)
    return f"{hits}/{of} = {100.0 * hits / of:.1f} % ({100.0 * low:.1f} to {100.0 * high:.1f})"


def _false(rows: Sequence[Row]) -> list[str]:
    found = []
    for rule in RULES:
        score = scoring.false_trips(rows, rule)
        low, high = score.per_1000_h_95
        rate = f"{score.per_1000_h:.2f} per 1000 h (95 %: {low:.2f} to {high:.2f})"
        found.append(f"{rule}: {score.trips} in {score.hours:.1f} h, {rate}")
        parts = [f"{name} {n} in {h:.1f} h" for name, (h, n) in score.by_look_alike.items() if n or rule == ANALYSIS]
        hours, early = score.before_onset
        if early or rule == ANALYSIS:
            parts.append(f"before a fault's onset {early} in {hours:.1f} h")
        if parts:
            found.append("  by look-alike: " + "; ".join(parts))
        if rule == ANALYSIS and score.seeds:
            found.append("  seeds: " + ", ".join(str(seed) for seed in score.seeds))
        if rule == ANALYSIS and score.apart:
            words = ", ".join(str(seed) for seed in score.apart)
            why = "destroyed, past their safe sink limit or idling far beyond target"
            found.append(f"  not counted, sets {why}: seeds {words}")
    return found


def _forecasts(rows: Sequence[Row]) -> list[str]:
    answers = [a for row in rows for a in row.answers]
    if not answers:
        return ["not yet known: the analysis gave no outlook, or no run asked for one"]
    found = []
    for name, of, unit in (("final bias", scoring.final_bias, 100.0), ("loop gain", scoring.loop_gain, 1.0)):
        what = "%" if unit > 1.0 else ""
        aim = "3 % or 0.3 mV" if unit > 1.0 else "0.1 (true gain 0.3 to 1.2)"
        for taus in _TAUS:
            f = of(answers, taus)
            if not f.asked:
                continue
            middle, high = f.error
            found.append(
                f"{name} after {taus:g} tau: {f.answered} of {f.asked} answered; "
                f"within {aim}: {_share(f.within, f.answered)}; "
                f"error median {unit * middle:.2f}{what}, 95th percentile {unit * high:.2f}{what}; "
                f"95 % interval covers {_share(f.covering, f.intervals)}, median width {unit * f.width:.2f}{what}"
            )
    return found


def _side_by_side(rows: Sequence[Row]) -> list[str]:
    rules = (*RULES, FORGIVEN)
    found = [f"{'':40s}" + "".join(f"{rule:>34s}" for rule in rules)]
    columns = []
    for rule in rules:
        s = scoring.summary(scoring.by_kind(rows, rule))
        false = scoring.false_trips(rows, rule)
        low, high = false.per_1000_h_95
        lead = "none there" if math.isnan(s.slow_lead_s) else f"{s.slow_lead_s:.0f} s"
        columns.append(
            (
                _share(s.saved, s.destroyed),
                _share(s.later_saved, s.later),
                lead,
                _share(s.fast_saved, s.fast_destroyed),
                _share(s.right, s.tripped),
                "forgiven" if rule == FORGIVEN else f"{false.per_1000_h:.2f} ({low:.2f} to {high:.2f})",
            )
        )
    names = (
        "damaging faults tripped before damage",
        f"  of what took {scoring.SUDDEN_S:g} s or more",
        "slow runaway, median lead",
        "fast runaways tripped before damage",
        "cause right",
        "false trips per 1000 healthy hours",
    )
    for name, cells in zip(names, zip(*columns, strict=True), strict=True):
        found.append(f"{name:40s}" + "".join(f"{cell:>34s}" for cell in cells))
    return found


def table(rows: Sequence[Row]) -> dict[str, Any]:
    """Return the same figures in plain values, None where there is none."""
    answers = [a for row in rows for a in row.answers]
    rules = {}
    for rule in (*RULES, FORGIVEN):
        scores = scoring.by_kind(rows, rule)
        false = scoring.false_trips(rows, rule)
        rules[rule] = {
            # A Counter taken apart and put together counts its pairs.
            "kinds": {kind: asdict(score) | {"wrong": dict(score.wrong)} for kind, score in scores.items()},
            "summary": asdict(scoring.summary(scores)),
            "false_trips": asdict(false) | {"per_1000_h": false.per_1000_h, "per_1000_h_95": list(false.per_1000_h_95)},
        }
    forecast = {
        f"{taus:g} tau": {
            "final_bias": asdict(scoring.final_bias(answers, taus)),
            "loop_gain": asdict(scoring.loop_gain(answers, taus)),
        }
        for taus in _TAUS
    }
    runs = [
        {
            "seed": row.truth.seed,
            "kind": row.truth.kind,
            "look_alikes": row.truth.look_alikes,
            "severity": row.truth.severity,
            "onset_s": row.truth.onset_s,
            "damaged": row.truth.damaged,
            "loop_gain": row.truth.loop_gain,
            "end_s": row.end_s,
            "trips": {rule: asdict(trip) if trip else None for rule, trip in row.trips.items()},
            "why": row.why,
        }
        for row in rows
    ]
    judge_us = 1e6 * sum(r.judge_s for r in rows) / max(1, sum(r.frames for r in rows))
    plain: dict[str, Any] = _plain({"rules": rules, "forecast": forecast, "judge_us_per_frame": judge_us, "runs": runs})
    return plain


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _plain(entry) for key, entry in value.items()}
    return [_plain(entry) for entry in value] if isinstance(value, (list, tuple)) else value


def row_line(row: Row) -> str:
    """Return one run in one line."""
    truth = row.truth
    told = row.trips[ANALYSIS]
    words = "silent" if told is None else f"{told.cause} {told.channel} at {told.t_s:.1f} s: {row.why}"
    what = ", ".join(truth.look_alikes) if truth.kind == HEALTHY else f"severity {truth.severity:.2f}"
    onset = f", onset {truth.onset_s:.1f} s" if math.isfinite(truth.onset_s) else ""
    damage = f", {truth.damaged[0][1]} at {truth.damaged[0][0]:.1f} s" if truth.damaged else ""
    gain = f", gain {truth.loop_gain:.2f}" if truth.loop_gain == truth.loop_gain else ""
    return f"seed {truth.seed} {truth.kind} ({what}{gain}{onset}{damage}, {row.end_s:.0f} s): {words}"


def worth_a_line(row: Row) -> bool:
    """Return whether the analysis was wrong, or silent about a fault."""
    truth, told = row.truth, row.trips[ANALYSIS]
    if truth.kind == MARGINAL:
        return False
    if truth.kind == HEALTHY:
        return told is not None
    return told is None or told.cause not in truth.causes or not truth.onset_s <= told.t_s < truth.damage_s
