"""Play seeded runs past the board's own rules, as a silent host leaves them, and print how often they are right.

    python tests/bench_board_rules.py --model second --first-seed 7000 --runs 96

The rules are the firmware's, fed the frames of the corpus with the limits of each stage's
plan; beside them stand that plan's bias limits. Only runs of ten frames a second that hold
every channel the rules go by count: that is what the board itself makes. Settings were
chosen on seeds below 6000; report figures of seeds from 7000 on.
"""

from __future__ import annotations

import argparse
import math
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import stats

from benchwarden.analysis.plan_check import to_wire
from benchwarden.analysis.stage_limits import stage_figures
from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.plan import PlanStage
from benchwarden.core.unit import UnitStage
from benchwarden.corpus import bench_cases, second_cases
from benchwarden.corpus.case import HEALTHY, Case
from wardenfw import scale, stage, wire
from wardenfw.guard import Guard
from wardenfw.watch import PIECES

FRAME_S = 0.1
BIAS = (INDEX["bias_left_v"], INDEX["bias_right_v"])
HF = (INDEX["hf_left_v"], INDEX["hf_right_v"])
NEEDED = [INDEX[name] for name in CHANNELS if name.startswith(("rail", "bias", "hf"))]
BATCH = 24
"""Runs that the second model plays together."""


@dataclass(frozen=True)
class Seen:
    """When something first spoke, infinite if never: the board's rule, its words, and the plain bias limits."""

    rule_s: float
    words: str
    plain_s: float


def cases(model: str, seeds: list[int]) -> Iterator[Case]:
    if model == bench_cases.MODEL:
        yield from map(bench_cases.bench_case, seeds)
        return
    for i in range(0, len(seeds), BATCH):
        yield from second_cases.second_cases(seeds[i : i + BATCH])


def is_the_boards(case: Case) -> bool:
    block = case.block
    steady = abs(float(np.median(np.diff(block.t_s))) - FRAME_S) < 0.002
    present = np.isfinite(block.mean[:, NEEDED]).any(axis=0).all()
    return bool(steady and present and np.isfinite(block.minimum[:, HF]).any())


def stage_of(case: Case, at: UnitStage, hot: bool) -> stage.Stage:
    """Return the stage a plan would have loaded; pots are turned by hand in a power-up only."""
    hands_off = not at.limiter_in and case.unit.run_type != "power-up"
    figures = stage_figures(case.unit, at.mains_pct, at.limiter_in, at.drive_on, hands_off=hands_off, hot=hot)
    planned = PlanStage(
        *(1, at.name, at.mains_pct, at.limiter_in, at.drive_on, True, "", False, 0.0, 0.0, 0.0), figures=figures
    )
    answer, made = stage.load(wire.pack_stage(*to_wire(planned)))
    if answer != wire.DONE:
        raise SystemExit(f"seed {case.truth.seed}: the board refuses a stage: {wire.REFUSALS[answer]}")
    return made


def fine(values: np.ndarray, channels: list[int]) -> list[list[int]]:
    """Return readings, shape (n, channels), in the fine units of the firmware."""
    scaled = values.astype(float) * np.array([scale.fine_per_si(c) for c in channels])
    whole = np.where(np.isfinite(scaled), np.rint(np.nan_to_num(scaled)), scale.MISSING).astype(int)
    rows: list[list[int]] = whole.tolist()
    return rows


def watched(case: Case) -> Seen:
    block, guard = case.block, Guard()
    means, lows = fine(block.mean, list(range(len(CHANNELS)))), fine(block.minimum[:, HF], list(HF))
    waiting = list(case.unit.stage)
    tops, closed, hot = [scale.UNBOUNDED] * len(CHANNELS), False, False
    rule_s, words, plain_s = math.inf, "", math.inf
    for n, t_s in enumerate(block.t_s.tolist()):
        while waiting and t_s >= waiting[0].t_start_s - 1e-9:
            now = waiting.pop(0)
            hot = hot or now.drive_on
            made = stage_of(case, now, hot and not now.drive_on)
            guard.load(made)
            tops = made.tops
        if not block.mains_on[n]:
            closed = False
            continue
        if not closed:
            closed = True
            guard.restart()
        guard.push(means[n])
        guard.watch.frame(means[n], lows[n])
        if plain_s == math.inf and any(means[n][c] > tops[c] * scale.FINE_PER_COUNT for c in BIAS):
            plain_s = t_s
        for piece in range(PIECES):
            found = guard.watch.step(piece)
            if found is not None and rule_s == math.inf:
                rule_s, words = t_s, f"{wire.CAUSES[found[0]]} {CHANNELS[found[1]]}: {found[4]}"
        if rule_s < math.inf and plain_s < math.inf:
            break
    return Seen(rule_s, words, plain_s)


def rate(trips: int, hours: float) -> str:
    """Return the rate with its exact 95 % Poisson interval (Garwood 1936)."""
    low = float(stats.chi2.ppf(0.025, 2 * trips)) / 2.0 if trips else 0.0
    high = float(stats.chi2.ppf(0.975, 2 * trips + 2)) / 2.0
    return f"{1e3 * trips / hours:.0f} per 1000 h (95 %: {1e3 * low / hours:.0f} to {1e3 * high / hours:.0f})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--model", choices=(bench_cases.MODEL, second_cases.MODEL), default=second_cases.MODEL)
    parser.add_argument("--first-seed", type=int, default=7000)
    parser.add_argument("--runs", type=int, default=96)
    parser.add_argument("--only", default="", help="kinds, with commas")
    given = parser.parse_args()
    kind_of = bench_cases.kind_of if given.model == bench_cases.MODEL else second_cases.kind_of
    wanted = set(filter(None, given.only.split(",")))
    seeds = [s for s in range(given.first_seed, given.first_seed + given.runs) if not wanted or kind_of(s) in wanted]
    hours, false = 0.0, 0
    rows: dict[str, list[tuple[Seen, float, float]]] = defaultdict(list)
    for case in cases(given.model, seeds):
        truth = case.truth
        if not is_the_boards(case):
            continue
        seen = watched(case)
        if truth.sound:
            hours += len(case.block) * FRAME_S / 3600.0
            if seen.rule_s < math.inf:
                false += 1
                print(f"  seed {truth.seed} healthy {truth.look_alikes}: {seen.rule_s:.1f} s {seen.words}", flush=True)
        elif truth.kind != HEALTHY:
            rows[truth.kind + (" driven" if truth.driven else "")].append((seen, truth.onset_s, truth.damage_s))
    for kind, found in sorted(rows.items()):
        spoke = [row for row in found if row[0].rule_s < math.inf]
        damaging = [row for row in found if row[2] < math.inf]
        leads = [damage_s - seen.rule_s for seen, _, damage_s in damaging if seen.rule_s < damage_s]
        plain = sum(seen.plain_s < damage_s for seen, _, damage_s in damaging)
        first = sum(seen.rule_s < seen.plain_s for seen, _, _ in spoke)
        text = f"{kind:28s} {len(found):3d} runs, rule spoke in {len(spoke)}, {first} before the bias limit; "
        text += f"{len(damaging)} damaging: rule before damage {len(leads)}, bias limit {plain}"
        if leads:
            text += f"; lead of the rule median {np.median(leads):.1f} s, least {min(leads):.1f} s"
        print(text)
    print(f"healthy: {hours:.1f} h, {false} false trips" + (f", {rate(false, hours)}" if hours else ""))


if __name__ == "__main__":
    main()
