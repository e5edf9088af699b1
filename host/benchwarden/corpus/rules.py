"""Two ways to watch a run that the analysis is compared with: fixed thresholds, and plain CUSUM.

Both get what a person could give them: the unit's facts, the stages, the frames. Both
were set once, from the facts and from run lengths, and are not tuned on any seed.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from benchwarden.analysis import cusum
from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import BoolArray, FloatArray, SampleBlock
from benchwarden.core.unit import Unit
from benchwarden.corpus.case import SIDES, Case

# A false alarm of any of the channels once in 1000 h, one value a second, if readings were
# independent, normal and of known mean: what this scheme promises on paper. A baseline learned
# from a minute is not known, and readings drift; what is left of the promise is what is shown.
CUSUM_K = 0.5
CUSUM_ARL0 = 1000.0 * 3600.0 * len(CHANNELS)
CUSUM_LEARN_S = 60
CUSUM_SKIP_S = 10
_CUSUM_CAUSE = {
    "rail_pos_a": "over-current",
    "rail_neg_a": "over-current",
    "rail_pos_v": "rail-imbalance",
    "rail_neg_v": "rail-imbalance",
    "offset_left_v": "dc-offset",
    "offset_right_v": "dc-offset",
    "bias_left_v": "bias-unstable",
    "bias_right_v": "bias-unstable",
    "sink_left_c": "over-temperature",
    "sink_right_c": "over-temperature",
    "ambient_c": "sensor-fault",
    "hf_left_v": "oscillation",
    "hf_right_v": "oscillation",
}


@dataclass(frozen=True)
class Trip:
    """When a rule would open the relay, and what it calls it."""

    t_s: float
    cause: str
    channel: str = ""


def _held(t_s: FloatArray, over: BoolArray, hold_s: float) -> float:
    """Return the first time at which `over` has held for hold_s without a break, infinite if never."""
    if not over.any():
        return math.inf
    # Time of the last frame that was not over, carried forward.
    calm = np.where(over, -math.inf, t_s)
    since = np.maximum.accumulate(np.concatenate([[t_s[0]], calm])[:-1])
    done = over & (t_s - np.where(np.isinf(since), t_s[0], since) >= hold_s - 1e-9)
    return float(t_s[np.argmax(done)]) if done.any() else math.inf


def fixed_thresholds(case: Case) -> Trip | None:
    """Return the first trip of one set of limits on what a bench has meters for today.

    Set from the unit's facts, generously: rail current twice the idle figure (idle) or
    twice idle plus the mean of an eighth of the rated power (driven) for 2 s, five times
    that at once; offset 0.1 V for 3 s, 2 V at once; sink 80 C (can) or 70 C (plastic);
    bias drop twice its target for 10 s; HF level 0.5 V for 2 s, idle or driven below
    clipping; rails more than a fifth apart for 3 s; a sink reading that goes missing for
    5 s. Source: common practice, no source.
    """
    unit, block = case.unit, case.block
    t_s = block.t_s
    value = {name: block.mean[:, i].astype(np.float64) for name, i in INDEX.items()}
    drive = _drive(case)
    idle_a = 2.0 * unit.target_bias_drop_mv * 1e-3 / unit.emitter_resistor_ohm * unit.output_pairs
    idle_a += unit.quiescent_other_a
    eighth_a = 2.0 * math.sqrt(2.0 * unit.rated_power_w / 8.0 / unit.load_ohm) / math.pi
    limit_a = np.where(drive, 2.0 * (idle_a + eighth_a), 2.0 * idle_a)
    sink_c = 80.0 if unit.package == "metal-can" else 70.0
    found: list[Trip] = []

    def watch(over: BoolArray, hold_s: float, cause: str, channel: str = "") -> None:
        at = _held(t_s, over, hold_s)
        if math.isfinite(at):
            found.append(Trip(at, cause, channel))

    with np.errstate(invalid="ignore"):
        for name in ("rail_pos_a", "rail_neg_a"):
            watch(value[name] > limit_a, 2.0, "over-current")
            watch(value[name] > 5.0 * limit_a, 0.0, "over-current")
        for side in SIDES:
            offset = np.abs(value[f"offset_{side}_v"])
            watch(offset > 0.1, 3.0, "dc-offset", side)
            watch(offset > 2.0, 0.0, "dc-offset", side)
            watch(value[f"sink_{side}_c"] > sink_c, 1.0, "over-temperature", side)
            bias = value[f"bias_{side}_v"]
            watch(~drive & (bias > 2e-3 * unit.target_bias_drop_mv), 10.0, "bias-unstable", side)
            watch(value[f"hf_{side}_v"] > 0.5, 2.0, "oscillation", side)
            gone = np.isnan(value[f"sink_{side}_c"])
            if not gone.all():
                watch(gone, 5.0, "sensor-fault", side)
        pos, neg = value["rail_pos_v"], -value["rail_neg_v"]
        apart = np.abs(pos - neg) > 0.2 * unit.rail_nominal_v
        watch(apart, 3.0, "rail-missing")
    return min(found, key=lambda trip: trip.t_s, default=None)


def _drive(case: Case) -> BoolArray:
    if "drive_on" in case.known_bits:
        return case.block.drive_on
    stages = case.unit.stage
    on = np.array([False, *(s.drive_on for s in stages)])
    found: BoolArray = on[np.searchsorted([s.t_start_s for s in stages], case.block.t_s, side="right")]
    return found


def plain_cusum(case: Case, limit: float) -> Trip | None:
    """Return the first alarm of a two-sided CUSUM on each channel's means of one second.

    Each stage starts anew: CUSUM_SKIP_S are passed over, the next CUSUM_LEARN_S give mean and
    standard deviation (sample, at least a millionth of the mean), the rest is watched.

    Args:
        limit: h, standard deviations.
    """
    return _cusum_from(case, limit, -math.inf)


def plain_cusum_after(case: Case, limit: float, onset_s: float) -> Trip | None:
    """Return the first alarm after onset_s if every earlier one is forgiven.

    Whoever forgives an alarm lets the scheme learn its baseline anew: here as late as can be,
    in the seconds just before the onset, which no real watcher could choose.
    """
    return _cusum_from(case, limit, onset_s)


def _cusum_from(case: Case, limit: float, onset_s: float) -> Trip | None:
    seconds, means = _second_means(case.block)
    fresh = onset_s - CUSUM_SKIP_S - CUSUM_LEARN_S - 1.0
    found: list[Trip] = []
    for start, stop in _stretches(case.unit, seconds, fresh):
        learn = slice(start + CUSUM_SKIP_S, start + CUSUM_SKIP_S + CUSUM_LEARN_S)
        watch = slice(learn.stop, stop)
        if watch.start >= stop or seconds[stop - 1] < onset_s:
            continue
        for i, name in enumerate(CHANNELS):
            base = means[learn, i]
            base = base[~np.isnan(base)]
            if len(base) < CUSUM_LEARN_S // 2:
                continue
            spread = max(float(base.std(ddof=1)), 1e-6 * abs(float(base.mean())), 1e-9)
            z = (means[watch, i] - base.mean()) / spread
            there = np.flatnonzero(~np.isnan(z))
            at = cusum.first_alarm(z[there], CUSUM_K, limit)
            if at is not None:
                channel = next((side for side in SIDES if f"_{side}_" in name), "")
                found.append(Trip(float(seconds[watch][there[at]]) + 1.0, _CUSUM_CAUSE[name], channel))
        if found:
            break
    return min(found, key=lambda trip: trip.t_s, default=None)


def _second_means(block: SampleBlock) -> tuple[FloatArray, FloatArray]:
    """Return the seconds (n,) and the means of the values there in each, shape (n, channels)."""
    second = np.floor(block.t_s)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(second)) + 1])
    there = ~np.isnan(block.mean)
    total = np.add.reduceat(np.where(there, block.mean, 0.0), starts, axis=0, dtype=np.float64)
    count = np.add.reduceat(there, starts, axis=0, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        return second[starts], total / count


def _stretches(unit: Unit, seconds: FloatArray, fresh_s: float) -> list[tuple[int, int]]:
    """Return first and last index of each stage within the seconds; fresh_s begins a stretch too."""
    starts = sorted([s.t_start_s for s in unit.stage] + ([fresh_s] if math.isfinite(fresh_s) else []))
    edges = [0, *(int(np.searchsorted(seconds, t)) for t in starts), len(seconds)]
    return [(a, b) for a, b in itertools.pairwise(edges) if b > a]
