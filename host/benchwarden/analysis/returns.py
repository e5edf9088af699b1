"""A set that comes back: its earlier runs side by side, what moved, and which parts are in it now.

A change counts as a move when it is larger than what two measurements of the same thing
may differ by: both expanded uncertainties of a board without calibration, and what the
difference in heatsink temperature explains by the measured tempco, each in quadrature.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from benchwarden.core.calibration import uncertainty
from benchwarden.core.job import FittedPart, Job, JobRun

SIDES = ("left", "right")
# Runs shown at most, the newest.
MOST_RUNS = 12


@dataclass(frozen=True)
class Figure:
    """One figure of every run.

    Attributes:
        quantity: in words; `side` is "left" or "right".
        values: one a run, oldest first; None where that run does not tell.
        change: the newest less the newest earlier one of the same kind of run; None where there is none.
        may_differ: by how much two readings of the same may differ, same unit; None with `change`.
        moved: whether the change is larger than that; None with `change`.
        words: what the change is, in a sentence; "" without one.
    """

    quantity: str
    side: str
    unit: str
    decimals: int
    values: tuple[float | None, ...]
    change: float | None
    may_differ: float | None
    moved: bool | None
    words: str


@dataclass(frozen=True)
class PartThenNow:
    """What sits, or sat, at one place.

    Attributes:
        markings: one a job, oldest first; "" where that job says nothing of the place.
        changed: whether the newest job fitted another marking than the one before that names the place.
    """

    position: str
    side: str
    role: str
    markings: tuple[str, ...]
    changed: bool


@dataclass(frozen=True)
class Comparison:
    """Earlier runs of a set beside the newest.

    Attributes:
        jobs: number of the job of each run; `runs` the runs, oldest first.
        against: index of the run that the newest is held against; None where no earlier one is of its kind.
        sentences: what moved, the most telling first; says so where nothing did.
        parts: place by place over the jobs in `part_jobs`, oldest first.
    """

    jobs: tuple[str, ...]
    runs: tuple[JobRun, ...]
    against: int | None
    figures: tuple[Figure, ...]
    sentences: tuple[str, ...]
    part_jobs: tuple[str, ...]
    parts: tuple[PartThenNow, ...]


@dataclass(frozen=True)
class _Kind:
    quantity: str
    key: str
    unit: str
    decimals: int


_BIAS_END = _Kind("Bias drop at the end", "bias_end_mv", "mV", 2)
_KINDS = (
    _BIAS_END,
    _Kind("Bias drift", "drift_mv_per_h", "mV/h", 2),
    _Kind("Bias per kelvin of heatsink", "tempco_mv_per_k", "mV/K", 3),
    _Kind("Thermal loop gain", "loop_gain", "", 2),
    _Kind("Heatsink above the room at the end", "sink_rise_k", "K", 1),
    _Kind("Worst DC offset", "offset_worst_v", "V", 3),
    _Kind("Worst HF level", "hf_worst_v", "V", 2),
)
# Figures that come with their own 95 % interval.
_INTERVALS = {
    "drift_mv_per_h": "drift_95_mv_per_h",
    "tempco_mv_per_k": "tempco_95_mv_per_k",
    "loop_gain": "loop_gain_95",
}


def compared(jobs: Sequence[Job]) -> Comparison:
    """Return the runs of one set over all its jobs, and its parts then and now.

    Args:
        jobs: of the same set, in any order.
    """
    ordered = sorted(jobs, key=lambda job: (job.opened_at_utc, job.number))
    pairs = sorted(((run, job.number) for job in ordered for run in job.runs), key=lambda pair: pair[0].started_at_utc)
    pairs = [pair for pair in pairs if not pair[0].virtual] or pairs
    pairs = pairs[-MOST_RUNS:]
    runs = tuple(run for run, _ in pairs)
    against = _against(runs)
    figures = tuple(_figure(kind, side, runs, against) for kind in _KINDS for side in SIDES)
    figures = tuple(figure for figure in figures if any(value is not None for value in figure.values))
    told = [job for job in ordered if job.parts_fitted]
    return Comparison(
        tuple(number for _, number in pairs),
        runs,
        against,
        figures,
        _sentences(runs, against, figures),
        tuple(job.number for job in told),
        _parts(told),
    )


def _against(runs: Sequence[JobRun]) -> int | None:
    if not runs:
        return None
    kind = runs[-1].run_type
    return next((k for k in range(len(runs) - 2, -1, -1) if runs[k].run_type == kind), None)


def _figure(kind: _Kind, side: str, runs: Sequence[JobRun], against: int | None) -> Figure:
    values = tuple(_value(run, side, kind.key) for run in runs)
    if against is None or values[-1] is None or (before := values[against]) is None:
        return Figure(kind.quantity, side, kind.unit, kind.decimals, values, None, None, None, "")
    now = values[-1]
    change = now - before
    may_differ, explained = _may_differ(kind.key, side, runs[against], runs[-1])
    rest = change - explained
    moved = abs(rest) > may_differ
    unit = f" {kind.unit}" if kind.unit else ""
    shown = f"{kind.quantity}, {side}: {before:.{kind.decimals}f} then, {now:.{kind.decimals}f}{unit} now"
    if explained:
        shown += f"; {explained:+.{kind.decimals}f} of it is the heatsink's temperature"
    how = "more than" if moved else "within"
    words = f"{shown}; {how} the {may_differ:.{kind.decimals}f} that two readings may differ by."
    return Figure(kind.quantity, side, kind.unit, kind.decimals, values, change, may_differ, moved, words)


def _may_differ(key: str, side: str, before: JobRun, now: JobRun) -> tuple[float, float]:
    """Return what two readings of the same may differ by, and how much of the change temperature explains."""
    pair = (before, now)
    if key in _INTERVALS:
        return math.hypot(*(_half(run, side, _INTERVALS[key]) for run in pair)), 0.0
    values = [_value(run, side, key) or 0.0 for run in pair]
    if key == "bias_end_mv":
        u = [uncertainty(f"bias_{side}_v", value / 1e3).half_width * 1e3 for value in values]
        tempco = _value(now, side, "tempco_mv_per_k")
        sinks = [_value(run, side, "sink_end_c") for run in pair]
        if tempco is None or sinks[0] is None or sinks[1] is None:
            return math.hypot(*u), 0.0
        warmer_k = sinks[1] - sinks[0]
        return math.hypot(*u, _half(now, side, "tempco_95_mv_per_k") * warmer_k), tempco * warmer_k
    if key == "sink_rise_k":
        # Two sensors a run, and the room around a bench is not one temperature.
        u = [uncertainty(f"sink_{side}_c", 40.0).half_width] * 4
        return math.hypot(*u, 2.0), 0.0
    channel = "offset" if key == "offset_worst_v" else "hf"
    return math.hypot(*(uncertainty(f"{channel}_{side}_v", value).half_width for value in values)), 0.0


def _value(run: JobRun, side: str, key: str) -> float | None:
    if key == "sink_rise_k":
        sink, room = _value(run, side, "sink_end_c"), _number(run.metrics.get("ambient_c_worst"))
        return None if sink is None or room is None else sink - room
    found = run.metrics.get(side)
    return _number(found.get(key)) if isinstance(found, dict) else None


def _half(run: JobRun, side: str, key: str) -> float:
    """Half of a 95 % interval; without one nothing can be told, so everything is within it."""
    found: Any = run.metrics.get(side)
    span = found.get(key) if isinstance(found, dict) else None
    if not isinstance(span, (list, tuple)) or len(span) != 2:
        return math.inf
    low, high = _number(span[0]), _number(span[1])
    return math.inf if low is None or high is None else abs(high - low) / 2.0


def _number(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)


def _sentences(runs: Sequence[JobRun], against: int | None, figures: Sequence[Figure]) -> tuple[str, ...]:
    if len(runs) < 2:
        return ("There is no earlier run of this set.",)
    if against is None:
        return (f"No earlier run of this set is a {runs[-1].run_type or 'run of this kind'}; nothing is compared.",)
    moved = [figure for figure in figures if figure.moved]
    moved.sort(key=lambda figure: -abs(figure.change or 0.0) / (figure.may_differ or 1.0))
    if not moved:
        return ("Nothing moved by more than two readings of the same may differ by.",)
    return tuple(figure.words for figure in moved)


def _parts(jobs: Sequence[Job]) -> tuple[PartThenNow, ...]:
    places: dict[str, list[FittedPart | None]] = {}
    for k, job in enumerate(jobs):
        for part in job.parts_fitted:
            row = places.setdefault(part.position.strip(), [None] * len(jobs))
            row[k] = part
    found = []
    for position, row in sorted(places.items()):
        known = [part for part in row if part is not None]
        before = known[-2].marking if len(known) > 1 else known[-1].replaced
        changed = (
            row[-1] is not None and bool(before) and before.strip().casefold() != known[-1].marking.strip().casefold()
        )
        markings = tuple(part.marking if part else "" for part in row)
        found.append(PartThenNow(position, known[-1].side, known[-1].role, markings, changed))
    return tuple(found)
