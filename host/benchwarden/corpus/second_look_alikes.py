"""What on the second model looks like a fault and is none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchwarden.core.channels import INDEX
from benchwarden.core.samples import BoolArray, FloatArray
from benchwarden.corpus.case import SIDES
from benchwarden.corpus.second_model import Lockstep, needed_v
from benchwarden.corpus.second_reading import Overlay, Scene
from benchwarden.corpus.second_script import Happening, Script

Add = Callable[[Script, float, np.random.Generator], None]


def _hear(script: Script, overlay: Overlay) -> None:
    script.reader = replace(script.reader, overlays=(*script.reader.overlays, overlay))


def _coupling(rng: np.random.Generator) -> dict[str, float]:
    """Return what each output picks up: alike, unequal, or almost nothing on one of them."""
    weak = float(rng.choice((rng.uniform(0.6, 1.0), rng.uniform(0.15, 0.6), rng.uniform(0.03, 0.1))))
    first = int(rng.integers(2))
    return {SIDES[first]: 1.0, SIDES[1 - first]: weak}


def _phone(script: Script, at_s: float, rng: np.random.Generator) -> None:
    calls = [(at_s + 70.0 * i, rng.uniform(1.0, 12.0), rng.uniform(0.2, 5.0), _coupling(rng)) for i in range(4)]

    def overlay(scene: Scene, t_s: FloatArray, noise: np.random.Generator) -> None:
        for start_s, length_s, level, coupling in calls:
            # Slots meet some scans of a step, not others: its mean is ragged, its highest scan nearly full.
            on = (t_s > start_s) & (t_s <= start_s + length_s) & (noise.random(len(t_s)) < 0.9)
            peak = level * noise.uniform(0.6, 1.0, len(t_s))
            for side, share in coupling.items():
                scene.add(f"hf_{side}_v", on, share * peak * noise.uniform(0.1, 0.5, len(t_s)), share * peak)

    _hear(script, overlay)


def _transmitter(script: Script, at_s: float, rng: np.random.Generator) -> None:
    calls = []
    for _ in range(int(rng.integers(1, 4))):
        length_s = rng.uniform(40.0, 360.0)
        speech = rng.random() < 0.4
        calls.append((at_s, length_s, rng.uniform(0.1, 5.0), _coupling(rng), speech))
        at_s += length_s + rng.uniform(20.0, 300.0)

    def overlay(scene: Scene, t_s: FloatArray, noise: np.random.Generator) -> None:
        for start_s, length_s, level, coupling, speech in calls:
            on = (t_s > start_s) & (t_s <= start_s + length_s)
            # A carrier stands; single-sideband speech comes in syllables.
            swing = noise.uniform(0.0, 1.0, len(t_s)) if speech else 1.0 + 0.02 * noise.standard_normal(len(t_s))
            for side, share in coupling.items():
                scene.add(f"hf_{side}_v", on, share * level * swing, share * level * swing)
                if not speech:
                    scene.low[INDEX[f"hf_{side}_v"]] += np.where(on, share * level * swing, 0.0)

    _hear(script, overlay)


def _clicks(script: Script, at_s: float, rng: np.random.Generator) -> None:
    times = at_s + rng.uniform(0.0, 0.7 * script.length_s, 15)

    def overlay(scene: Scene, t_s: FloatArray, noise: np.random.Generator) -> None:
        for at in times:
            on: BoolArray = np.zeros(len(t_s), dtype=np.bool_)
            on[min(int(np.searchsorted(t_s, at)), len(t_s) - 1)] = True
            level = noise.uniform(0.5, 12.0)
            jolt = noise.uniform(-1.5, 1.5)
            for side in SIDES:
                # One scan of ten.
                scene.add(f"hf_{side}_v", on, np.full(len(t_s), 0.1 * level), np.full(len(t_s), level))
                scene.add(f"offset_{side}_v", on, np.full(len(t_s), 0.1 * jolt), np.full(len(t_s), max(jolt, 0.0)))

    _hear(script, overlay)


def _mains_steps(script: Script, at_s: float, rng: np.random.Generator) -> None:
    times = at_s + np.sort(rng.uniform(0.0, 2400.0, 5))
    steps = [(float(t), float(rng.choice((-0.05, -0.025, 0.025, 0.04)))) for t in times]
    total, kept = 0.0, []
    for t, change in steps:
        # A tap changer keeps the mains within its band.
        change = -change if abs(total + change) > 0.06 else change
        total += change
        kept.append((t, change))
    script.weather = replace(script.weather, steps=tuple(kept))


def _mains_dips(script: Script, at_s: float, rng: np.random.Generator) -> None:
    dips = [(at_s + float(t), rng.uniform(0.1, 3.0), rng.uniform(0.05, 0.35)) for t in rng.uniform(0.0, 1500.0, 4)]
    script.weather = replace(script.weather, dips=tuple(dips))


def _mains_wander(script: Script, at_s: float, rng: np.random.Generator) -> None:
    script.weather = replace(script.weather, daily=0.03, slow=0.015, flicker=0.0015)


def _draught(script: Script, at_s: float, rng: np.random.Generator) -> None:
    fall = rng.uniform(2.0, 8.0)
    steps = ((at_s, -fall), (at_s + rng.uniform(60.0, 900.0), 0.9 * fall))
    script.weather = replace(script.weather, room_steps=steps)


def _pot_turns(script: Script, at_s: float, rng: np.random.Generator) -> None:
    for side in (0, 1):
        t = at_s + rng.uniform(0.0, 30.0)
        for _ in range(int(rng.integers(2, 5))):
            script.happenings.append((t, turned_by(side, rng.uniform(0.9, 1.1), script)))
            t += rng.uniform(3.0, 60.0)


def turned_by(side: int, share: float, script: Script) -> Happening:
    """Return a hand that changes the present bias of a channel by a share, to 1.3 times the target at most."""

    def turn(bench: Lockstep, run: int) -> None:
        now = float(bench.drop_v[run, side])
        turned_to(side, min(share * now, 1.3e-3 * script.unit.target_bias_drop_mv))(bench, run)

    return turn


def turned_to(side: int, drop_v: float) -> Happening:
    """Return a hand that turns the pot of a channel until its meter reads drop_v."""

    def turn(bench: Lockstep, run: int) -> None:
        rail = np.maximum(bench.rail_v.min(axis=1), 1.0)
        if rail[run] < 10.0:
            return
        wanted = np.array(bench.current_a)
        wanted[run, side] = max(drop_v, 1e-6) / bench.sets.metered_ohm[run, side]
        need = needed_v(bench.sets, wanted, bench.heat, rail)
        bench.sets.setting_v[run, side] = need[run, side] - bench.bias_shift_v[run, side]

    return turn


def _fan(script: Script, at_s: float, rng: np.random.Generator) -> None:
    on_k, better = rng.uniform(5.0, 18.0), rng.uniform(1.5, 3.0)

    def thermostat(bench: Lockstep, run: int) -> None:
        rise = float(bench.heat.fins_c[run].max()) - script.ambient_c
        running = bench.cooling[run, 0] > 1.2
        if rise > on_k or (running and rise > on_k - 4.0):
            bench.cooling[run] = better
        else:
            bench.cooling[run] = 1.0

    script.happenings += [(float(t), thermostat) for t in np.arange(5.0, script.length_s, 2.0)]


def _load_switching(script: Script, at_s: float, rng: np.random.Generator) -> None:
    def toggle(bench: Lockstep, run: int) -> None:
        if bench.peak_v[run] == 0.0:
            bench.load_on[run] = not bench.load_on[run]

    script.happenings += [(at_s + float(t), toggle) for t in rng.uniform(0.0, 600.0, 4)]


def _none(script: Script, at_s: float, rng: np.random.Generator) -> None:
    """Add nothing: the run's own shape, or its reader's, is the look-alike."""


LOOK_ALIKES: dict[str, Add] = {
    "none": _none,
    "phone": _phone,
    "transmitter": _transmitter,
    "clicks": _clicks,
    "clipping": _none,
    "mains-steps": _mains_steps,
    "mains-dips": _mains_dips,
    "mains-wander": _mains_wander,
    "draught": _draught,
    "pot-turns": _pot_turns,
    "limiter-stages": _none,
    "gaps": _none,
    "missing": _none,
    "fan": _fan,
    "load-switching": _load_switching,
    "coarse meters": _none,
}
