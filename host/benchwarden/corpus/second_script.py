"""Play scripted runs on the second model in lockstep, and hand over what reached the sense leads."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import FloatArray
from benchwarden.core.unit import Unit, UnitStage
from benchwarden.corpus import second_physics as law
from benchwarden.corpus.second_model import STEP_S, Lockstep, Sets
from benchwarden.corpus.second_reading import Reader, Scene

Happening = Callable[[Lockstep, int], None]
# The transformer is turned in this many steps, one a second.
_TURN_STEPS = 4
_PAIRS = (
    ("rail_a", ("rail_pos_a", "rail_neg_a")),
    ("rail_v", ("rail_pos_v", "rail_neg_v")),
    ("offset_v", ("offset_left_v", "offset_right_v")),
    ("drop_v", ("bias_left_v", "bias_right_v")),
    ("sensor_c", ("sink_left_c", "sink_right_c")),
    ("oscillation_v", ("hf_left_v", "hf_right_v")),
)


@dataclass(frozen=True)
class Weather:
    """What mains, room and bias noise do in one run.

    Attributes:
        daily: amplitude of the mains' daily wave, relative; slow: of its wander; flicker:
            from one step to the next. steps: (t_s, relative change that stays).
        dips: (t_s, length_s, depth).
        room_wander_k, room_k_per_h, room_steps: (t_s, kelvin that stay).
        bias_v: of the spreader's own noise, half of it 1/f and half a wander of minutes.
    """

    daily: float = 0.01
    slow: float = 0.004
    flicker: float = 0.0004
    steps: tuple[tuple[float, float], ...] = ()
    dips: tuple[tuple[float, float, float], ...] = ()
    room_wander_k: float = 0.3
    room_k_per_h: float = 0.0
    room_steps: tuple[tuple[float, float], ...] = ()
    bias_v: float = 2e-5


@dataclass
class Script:
    """One run before it is played.

    Attributes:
        happenings: (t_s, what) in any order.
        stages: as the recording tells them; with the true mains contact of each.
    """

    seed: int
    unit: Unit
    sets: Sets
    ambient_c: float
    length_s: float
    weather: Weather
    reader: Reader
    happenings: list[tuple[float, Happening]] = field(default_factory=list)
    stages: list[UnitStage] = field(default_factory=list)

    def stage(
        self, t_s: float, name: str, percent: float, limiter: bool, peak_v: float = 0.0, closed: bool = True
    ) -> None:
        """From t_s on the mains side is set like this; the transformer takes some seconds."""
        before = self.stages[-1].mains_pct if self.stages else percent
        self.stages.append(UnitStage(t_s, name, percent, limiter, peak_v > 0.0))

        def begin(bench: Lockstep, run: int) -> None:
            bench.mains_on[run] = closed
            bench.limiter_in[run] = limiter
            bench.peak_v[run] = peak_v
            if peak_v > 0.0:
                bench.load_on[run] = True

        self.happenings.append((t_s, begin))
        for i in range(1, _TURN_STEPS + 1):
            part = before + (percent - before) * i / _TURN_STEPS
            self.happenings.append((t_s + i - 1.0, _turned(part)))


def _turned(percent: float) -> Happening:
    def turn(bench: Lockstep, run: int) -> None:
        bench.percent[run] = percent

    return turn


@dataclass(frozen=True)
class Played:
    """One run after it was played.

    Attributes:
        rail_v, room_c, load_share_v (of both bias drops, shape (2, n)): every STEP_S, for questions
            about the end of the bias.
        sets: as they were at the end, for the same.
    """

    script: Script
    scene: Scene
    rail_v: FloatArray
    room_c: FloatArray
    load_share_v: FloatArray
    sets: Sets
    damaged: tuple[tuple[float, str], ...]


def play(scripts: Sequence[Script]) -> Iterator[Played]:
    """Play runs together and yield them in order; each is cut at its own length."""
    runs = len(scripts)
    counts = [round(s.length_s / STEP_S) for s in scripts]
    most = max(counts)
    mains, room, bias = _weather(scripts, most)
    bench = Lockstep(Sets.joined([s.sets for s in scripts]), np.array([s.ambient_c for s in scripts]))
    bench.load_on[:] = [s.unit.load_connected for s in scripts]
    rows = np.zeros((most, len(CHANNELS), runs), dtype=np.float32)
    shares = np.zeros((most, 2, runs), dtype=np.float32)
    bits = np.zeros((most, 3, runs), dtype=np.bool_)
    order = sorted(
        ((t_s, run, n, what) for run, s in enumerate(scripts) for n, (t_s, what) in enumerate(s.happenings)),
        key=lambda item: item[:3],
    )
    at = 0
    for i in range(most):
        t_s = i * STEP_S
        while at < len(order) and order[at][0] <= t_s + 1e-9:
            order[at][3](bench, order[at][1])
            at += 1
        bench.step(t_s + STEP_S, mains[i], room[i], bias[i])
        for name, channels in _PAIRS:
            first = INDEX[channels[0]]
            rows[i, first : first + 2] = getattr(bench, name).T
        rows[i, INDEX["rail_neg_v"]] *= -1.0
        rows[i, INDEX["ambient_c"]] = room[i]
        shares[i] = bench.load_share_v.T
        bits[i, 0], bits[i, 1] = bench.mains_on, bench.limiter_in
        bits[i, 2] = bench.peak_v > 0.0
    for run, script in enumerate(scripts):
        n = counts[run]
        mean = rows[:n, :, run].T.astype(np.float64)
        volts = 0.5 * (mean[INDEX["rail_pos_v"]] - mean[INDEX["rail_neg_v"]])
        end_s = script.length_s
        yield Played(
            script,
            Scene(mean, mean.copy(), mean.copy(), bits[:n, :, run].T.copy()),
            volts,
            mean[INDEX["ambient_c"]].copy(),
            shares[:n, :, run].T.astype(np.float64),
            bench.sets.one(run),
            tuple(item for item in bench.damaged[run] if item[0] <= end_s),
        )


def _weather(scripts: Sequence[Script], count: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mains (n, R), room (n, R) and bias noise (n, R, 2)."""
    t_s = np.arange(count) * STEP_S
    mains = np.ones((count, len(scripts)))
    room = np.zeros((count, len(scripts)))
    bias = np.zeros((count, len(scripts), 2))
    for run, script in enumerate(scripts):
        n = round(script.length_s / STEP_S)
        rng = np.random.default_rng((script.seed, 1))
        w, t = script.weather, t_s[:n]
        phase = rng.uniform(0.0, 2.0 * math.pi)
        wave = w.daily * np.sin(2.0 * math.pi * t / 86400.0 + phase)
        wave += w.slow * law.wander(rng, n, STEP_S, rng.uniform(300.0, 2000.0))
        wave += w.flicker * rng.standard_normal(n)
        air = w.room_wander_k * law.wander(rng, n, STEP_S, rng.uniform(600.0, 3000.0)) + w.room_k_per_h * t / 3600.0
        for at_s, change in w.steps:
            wave[t >= at_s] += change
        for at_s, length_s, depth in w.dips:
            wave[(t >= at_s) & (t < at_s + length_s)] -= depth
        for at_s, change in w.room_steps:
            # A room takes a while to notice.
            air += np.where(t >= at_s, change * (1.0 - np.exp(-np.maximum(t - at_s, 0.0) / 20.0)), 0.0)
        mains[:n, run] += wave
        room[:n, run] = script.ambient_c + air
        room[n:, run] = script.ambient_c
        for side in (0, 1):
            noise = law.pink(rng, n, STEP_S) + law.wander(rng, n, STEP_S, 200.0)
            bias[:n, run, side] = w.bias_v * math.sqrt(0.5) * noise
    return mains, room, bias
