"""The seeded corpus on the second model: which run a seed stands for, many played together.

Even seeds are healthy runs, each with a look-alike in turn; odd seeds hold a fault in turn.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchwarden.core.samples import FloatArray
from benchwarden.core.unit import Unit
from benchwarden.corpus.case import HEALTHY, HEALTHY_GAIN, MARGINAL, SIDES, Case, Question, Truth
from benchwarden.corpus.random_unit import random_unit
from benchwarden.corpus.recorder_style import Style, gappy, patchy, usual_style, written
from benchwarden.corpus.safe_limits import unsafe_s
from benchwarden.corpus.second_faults import FAULTS
from benchwarden.corpus.second_look_alikes import LOOK_ALIKES, turned_by, turned_to
from benchwarden.corpus.second_model import STEP_S, ends_at, idle_heat_w, loop_gain, sink_gain, steady
from benchwarden.corpus.second_reading import FLOORS, Reader, Scene, frames
from benchwarden.corpus.second_script import Played, Script, Weather, play
from benchwarden.corpus.second_sets import bearable_share, draw_set, peak_v, target_a

MODEL = "second"
KINDS = (HEALTHY, *FAULTS, MARGINAL)
_LEAVES_BIAS = ("none", "phone", "transmitter", "clicks", "clipping", "gaps", "missing", "coarse meters")
_FEEDS_ITSELF = ("bias creep", "bias high")
_HEALTHY_S = (2400.0, 3600.0, 5400.0)
MEAN_HEALTHY_S = sum(_HEALTHY_S) / len(_HEALTHY_S)
_FAR_TIMES = 4.0
_ASKED_TAUS = (0.5, 1.0, 1.5, 2.0, 3.0)
# Other benches call their stages otherwise.
_NAMES = (
    {"off": "relay open", "half": "limiter 50 %", "full": "limiter 100 %", "idle": "idle", "drive": "driven 1/8"},
    {"off": "aus", "half": "Lampe 50", "full": "Lampe 100", "idle": "Ruhe", "drive": "Sinus"},
    {"off": "S0", "half": "S1", "full": "S2", "idle": "S3", "drive": "S4"},
    {"off": "mains off", "half": "bulb low", "full": "bulb", "idle": "soak test", "drive": "heat run 1 kHz"},
)


def kind_of(seed: int) -> str:
    """Return what a seed stands for."""
    if seed % 2 == 0:
        return HEALTHY
    names = KINDS[1:]
    return names[(seed // 2) % len(names)]


def second_cases(seeds: Sequence[int]) -> Iterator[Case]:
    """Yield the runs of these seeds, in order; played together, which is what makes them cheap."""
    plans = [_plan(seed) for seed in seeds]
    for plan, played in zip(plans, play([p.script for p in plans]), strict=True):
        yield _case(plan, played)


@dataclass(frozen=True)
class _Plan:
    """One run and what is true in it; `asked` is the stretch of which forecasts are asked."""

    script: Script
    style: Style
    truth: Truth
    asked: tuple[float, float] | None


def _reader(rng: np.random.Generator, kind: str) -> Reader:
    floor = "coarse" if kind == "coarse meters" else str(rng.choice(FLOORS, p=(0.08, 0.3, 0.5, 0.12)))
    rate = float(rng.choice((1.0, 2.0, 5.0, 10.0, 20.0), p=(0.15, 0.1, 0.15, 0.5, 0.1)))
    if kind == "coarse meters":
        rate = float(rng.choice((1.0, 2.0)))
    error = rng.normal(0.0, 0.5, 2)
    return Reader(rate, floor, float(rng.choice((0.0, 0.3, 1.0))), (float(error[0]), float(error[1])))


def _weather(rng: np.random.Generator) -> Weather:
    # Heaters and lamps of the house: small steps now and then in every run.
    steps = tuple((float(t), float(rng.normal(0.0, 0.003))) for t in rng.uniform(0.0, 7200.0, int(rng.integers(0, 10))))
    return Weather(
        daily=rng.uniform(0.0, 0.015),
        slow=rng.uniform(0.001, 0.006),
        flicker=rng.uniform(0.0001, 0.0008),
        steps=steps,
        room_wander_k=rng.uniform(0.05, 0.5),
        room_k_per_h=rng.normal(0.0, 0.6),
        bias_v=10.0 ** rng.uniform(-5.3, -4.0),
    )


def _plan(seed: int) -> _Plan:
    kind = kind_of(seed)
    rng = np.random.default_rng((seed, 0))
    draws = random.Random(f"second/{seed}")
    unit = random_unit(draws)
    ambient_c = rng.uniform(17.0, 29.0)
    if kind == HEALTHY:
        return _healthy(seed, rng, draws, unit, ambient_c)
    if kind == MARGINAL:
        return _marginal(seed, rng, draws, unit, ambient_c)
    return _faulty(seed, rng, draws, unit, ambient_c)


def _healthy(seed: int, rng: np.random.Generator, draws: random.Random, unit: Unit, ambient_c: float) -> _Plan:
    names = tuple(LOOK_ALIKES)
    kind = names[(seed // 2) % len(names)]
    also = str(rng.choice(("none", "none", "phone", "transmitter", "clicks")))
    kinds = tuple(dict.fromkeys(k for k in (kind, also) if k != "none")) or ("none",)
    gain = rng.uniform(0.2, 0.78)
    reader = _reader(rng, kind)
    by_hand = kind == "limiter-stages" or rng.random() < 0.1
    unit = replace(unit, sample_rate_hz=reader.rate_hz)
    if by_hand:
        unit = replace(unit, run_type="power-up", load_connected=False)
    sets = draw_set(rng, unit, ambient_c, np.array([gain, gain]))
    true_gain = float(loop_gain(sets, target_a(sets, unit), sets.rail_v, np.array([ambient_c])).max())
    script = Script(seed, unit, sets, ambient_c, float(rng.choice(_HEALTHY_S)), _weather(rng), reader)
    words = _NAMES[int(rng.integers(len(_NAMES)))]
    asked = None
    if by_hand:
        _power_up(script, words, rng, true_gain)
    else:
        asked = _burn_in(script, words, rng, kind)
    for name in kinds:
        LOOK_ALIKES[name](script, rng.uniform(80.0, 400.0), rng)
    if not all(name in _LEAVES_BIAS for name in kinds):
        asked = None
    style = usual_style(draws)
    if kind == "gaps":
        style = gappy(draws, style, script.length_s)
    elif kind == "missing":
        style = patchy(draws, style)
    sound = true_gain < HEALTHY_GAIN
    truth = Truth(
        MODEL,
        HEALTHY if sound else MARGINAL,
        seed,
        look_alikes=kinds,
        causes=frozenset() if sound else frozenset({"thermal-runaway", "bias-unstable"}),
        loop_gain=true_gain,
    )
    return _Plan(script, style, truth, asked)


def _on(script: Script, words: dict[str, str], idle_at_s: float = 40.0) -> None:
    script.stage(0.0, words["off"], 50.0, True, closed=False)
    script.stage(5.0, words["half"], 50.0, True)
    script.stage(20.0, words["full"], 100.0, True)
    script.stage(idle_at_s, words["idle"], 100.0, False)


def _burn_in(script: Script, words: dict[str, str], rng: np.random.Generator, kind: str) -> tuple[float, float]:
    """Write a burn-in and return the stretch of undisturbed idling after switch-on."""
    _on(script, words)
    drive_at = rng.uniform(0.25, 0.8) * script.length_s
    driven_s = rng.uniform(0.2, 0.6) * (script.length_s - drive_at)
    share = bearable_share(script.sets, script.unit, script.ambient_c, rng.uniform(0.4, 1.0))
    volts = peak_v(script.unit, share)
    if kind == "clipping":
        volts, driven_s = 1.1 * script.unit.rail_nominal_v, rng.uniform(20.0, 60.0)
        _corners(script, drive_at, driven_s, rng.uniform(0.05, 1.5))
    script.stage(drive_at, words["drive"], 100.0, False, volts)
    script.stage(drive_at + driven_s, words["idle"] + " 2", 100.0, False)
    script.stage(script.length_s - 30.0, words["off"], 0.0, False, closed=False)
    return 43.0, drive_at


def _corners(script: Script, at_s: float, length_s: float, level_v: float) -> None:
    """Let the corners of a clipped wave show on the HF inputs."""

    def overlay(scene: Scene, t_s: FloatArray, noise: np.random.Generator) -> None:
        on = (t_s > at_s) & (t_s <= at_s + length_s)
        for side in SIDES:
            swing = level_v * noise.uniform(0.8, 1.2, len(t_s))
            scene.add(f"hf_{side}_v", on, swing, 1.3 * swing)

    script.reader = replace(script.reader, overlays=(*script.reader.overlays, overlay))


def _power_up(script: Script, words: dict[str, str], rng: np.random.Generator, gain: float) -> None:
    """Write a first power-up: pots at minimum, raised to a part of the target, trimmed while it warms."""
    # From minimum: far too little voltage for any current.
    script.sets.setting_v[:] -= 0.35
    script.stage(0.0, words["off"], 25.0, True, closed=False)
    t = 10.0
    for percent in (25.0, 50.0, 75.0, 100.0):
        script.stage(t, f"{words['half']} {percent:.0f}", percent, True)
        t += rng.uniform(20.0, 60.0)
    script.stage(t, words["idle"], 100.0, False)
    t += 15.0
    target_v = script.unit.target_bias_drop_mv * 1e-3
    share = min(max(1.0 - gain, 0.3), 0.85)
    for i, part in enumerate((0.3, 0.6, 0.8, 1.0)):
        for side in (0, 1):
            script.happenings.append((t + 5.0 * i + 2.0 * side, turned_to(side, part * share * target_v)))
    for i in range(1, 6):
        for side in (0, 1):
            script.happenings.append((t + 20.0 + 240.0 * i + 3.0 * side, turned_by(side, 1.0, script)))
    script.stage(script.length_s - 30.0, words["off"], 0.0, False, closed=False)


def _marginal(seed: int, rng: np.random.Generator, draws: random.Random, unit: Unit, ambient_c: float) -> _Plan:
    reader = _reader(rng, "")
    unit = replace(unit, sample_rate_hz=reader.rate_hz)
    gain = rng.uniform(0.82, 0.97)
    sets = draw_set(rng, unit, ambient_c, np.array([gain, gain]))
    true_gain = float(loop_gain(sets, target_a(sets, unit), sets.rail_v, np.array([ambient_c])).max())
    script = Script(seed, unit, sets, ambient_c, 5400.0, _weather(rng), reader)
    _on(script, _NAMES[0])
    truth = Truth(
        MODEL, MARGINAL, seed, onset_s=0.0, causes=frozenset({"thermal-runaway", "bias-unstable"}), loop_gain=true_gain
    )
    return _Plan(script, usual_style(draws), truth, (43.0, script.length_s))


def _faulty(seed: int, rng: np.random.Generator, draws: random.Random, unit: Unit, ambient_c: float) -> _Plan:
    name = kind_of(seed)
    fault = FAULTS[name]
    reader = _reader(rng, "")
    unit = replace(unit, sample_rate_hz=reader.rate_hz)
    gain = rng.uniform(0.2, 0.7)
    sets = draw_set(rng, unit, ambient_c, np.array([gain, gain]))
    script = Script(seed, unit, sets, ambient_c, fault.length_s, _weather(rng), reader)
    severity = rng.uniform(0.3, 1.0)
    side = int(rng.integers(2))
    words = _NAMES[int(rng.integers(len(_NAMES)))]
    _on(script, words)
    at_s = rng.uniform(90.0, 0.4 * script.length_s)
    if fault.driven:
        drive_at = rng.uniform(150.0, 300.0)
        share = bearable_share(sets, unit, ambient_c, 1.0)
        script.stage(drive_at, words["drive"], 100.0, False, peak_v(unit, share))
        at_s = drive_at + rng.uniform(30.0, 0.4 * (script.length_s - drive_at))
    fault.put(script, at_s, severity, side, rng)
    truth = Truth(
        MODEL,
        name,
        seed,
        severity=severity,
        onset_s=at_s,
        channel=SIDES[side],
        causes=fault.causes,
        driven=fault.driven,
    )
    return _Plan(script, usual_style(draws), truth, None)


def _case(plan: _Plan, played: Played) -> Case:
    script = plan.script
    unit = replace(script.unit, stage=tuple(script.stages))
    block = frames(played.scene, unit, script.reader, np.random.default_rng((script.seed, 2)))
    causes = plan.truth.causes
    if played.damaged and plan.truth.kind in _FEEDS_ITSELF:
        # Pushed high enough, the loop did the rest: naming that is right too.
        causes |= {"thermal-runaway"}
    questions = _questions(plan, played) if plan.asked is not None and not played.damaged else ()
    truth = replace(
        plan.truth,
        causes=causes,
        damaged=played.damaged,
        unsafe_s=unsafe_s(unit, block) if plan.truth.kind == HEALTHY else math.inf,
        questions=questions,
    )
    return Case(unit, written(block, plan.style, script.seed), truth, plan.style.bits)


def _questions(plan: _Plan, played: Played) -> tuple[Question, ...]:
    """Return what may be asked in the stretch, both channels."""
    assert plan.asked is not None
    since_s, until_s = plan.asked
    found = []

    def means(t_s: float) -> tuple[FloatArray, FloatArray]:
        late = slice(max(0, round((t_s - 60.0) / STEP_S)), round(t_s / STEP_S))
        return np.array([played.rail_v[late].mean()]), np.array([played.room_c[late].mean()])

    sets = played.sets
    start = target_a(sets, plan.script.unit)
    rail, room = means(since_s + 70.0)
    end = ends_at(sets, rail, room, start)
    # Nor is an end so far beyond the target one that anybody would wait for.
    if np.isnan(end).any() or (end > _FAR_TIMES * start).any():
        return ()
    gain = sink_gain(sets, end, rail, room)
    # Capacity times the slope of the rise against the heat at the end, slowed by the loop.
    nudge = 1.001
    warm = steady(sets, idle_heat_w(sets, end, rail), room)
    warmer = steady(sets, nudge * idle_heat_w(sets, end, rail), room)
    per_w = (warmer.fins_c - warm.fins_c) / ((nudge - 1.0) * idle_heat_w(sets, end, rail))
    tau = per_w * (sets.c1 + sets.c2) / (1.0 - gain)
    for side, name in enumerate(SIDES):
        if f"bias_{name}_v" in plan.style.absent or gain[0, side] >= 0.98:
            continue
        for taus in _ASKED_TAUS:
            t_s = since_s + taus * float(tau[0, side])
            if t_s >= until_s:
                break
            end = ends_at(sets, *means(t_s), start)
            load_v = played.load_share_v[side, round((t_s - 10.0) / STEP_S) : round(t_s / STEP_S)].mean()
            # What the meter will show, DC through the load and all.
            final_v = float(end[0, side] * sets.metered_ohm[0, side] + load_v)
            if final_v == final_v:
                found.append(Question(t_s, side, taus, final_v, float(gain[0, side]), float(tau[0, side])))
    return tuple(sorted(found, key=lambda q: q.t_s))
