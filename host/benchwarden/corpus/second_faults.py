"""What goes wrong on the second model: when, how badly, and which causes are right."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from benchwarden.core.channels import INDEX
from benchwarden.core.samples import FloatArray
from benchwarden.corpus import second_physics as law
from benchwarden.corpus.case import SIDES
from benchwarden.corpus.second_model import Lockstep, compensate
from benchwarden.corpus.second_reading import Scene
from benchwarden.corpus.second_script import Happening, Script


@dataclass(frozen=True)
class Fault:
    """One kind of fault.

    Attributes:
        causes: right causes of a trip.
        put: adds it to a script: (script, onset, severity 0..1, side, rng).
        driven: the onset is while the test signal is on.
        length_s: of a run with it.
    """

    causes: frozenset[str]
    put: Callable[[Script, float, float, int, np.random.Generator], None]
    driven: bool = False
    length_s: float = 1500.0


def _every(script: Script, start_s: float, step_s: float, what: Callable[[int], Happening]) -> None:
    """Let something happen again and again from start_s on; the count is handed over."""
    count = int((script.length_s - start_s) / step_s)
    script.happenings += [(start_s + i * step_s, what(i)) for i in range(count)]


def _set_gain(bench: Lockstep, run: int, side: int, gain: float, room_c: float) -> None:
    """Change one spreader so that its channel has this loop gain where it is, without a step."""
    one = bench.sets.one(run)
    current = np.maximum(bench.current_a[run : run + 1], 1e-4)
    rail = np.maximum(bench.rail_v[run : run + 1].mean(axis=1), 5.0)
    room = np.array([room_c])
    slope = compensate(one, np.full((1, 2), gain), current, rail, room)[0, side]
    slope = float(np.clip(slope, -0.03, 0.018))
    felt = float(bench.heat.spreader_c[run, side]) - 25.0
    bench.sets.setting_v[run, side] += (slope - bench.sets.spreader_k[run, side]) * felt
    bench.sets.spreader_k[run, side] = slope


def _slow_runaway(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    def begin(bench: Lockstep, run: int) -> None:
        _set_gain(bench, run, side, 1.1 + 0.9 * severity, script.ambient_c)

    script.happenings.append((at_s, begin))


def _fast_runaway(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    loose = rng.choice((0, 1, 2))

    def begin(bench: Lockstep, run: int) -> None:
        s = bench.sets
        halves = (0, 1) if loose == 2 else (loose,)
        target = script.unit.target_bias_drop_mv * 1e-3 / float(s.metered_ohm[run, side])
        current = max(float(bench.current_a[run, side]), 0.3 * target)
        volts = float(bench.rail_v[run].mean())
        vt = law.thermal_voltage_v(bench.heat.junction_c[run, side])
        # How the loop answers a kelvin of one junction: 2 mV over both halves' resistances.
        ohm = 2.0 * (s.emitter_ohm[run, side] + s.inner_ohm[run, side]) + vt.sum() / current
        wanted = (1.15 + 1.3 * severity) * ohm / (0.002 * volts * len(halves))
        for half in halves:
            s.rcs[run, side, half] = max(s.rcs[run, side, half], wanted - s.rjc[run, side, half])
        bench.changed()

    script.happenings.append((at_s, begin))


def _creep(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    # A voltage that would double a small current within 20 to 3 minutes, and goes on.
    per_s = 0.018 / (1200.0 - 1000.0 * severity)

    def more(i: int) -> Happening:
        def turn(bench: Lockstep, run: int) -> None:
            bench.bias_shift_v[run, side] += per_s

        return turn

    _every(script, at_s, 1.0, more)


def _high(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    def begin(bench: Lockstep, run: int) -> None:
        s = bench.sets
        current = float(bench.current_a[run, side])
        times = 2.0 + 5.0 * severity
        ohm = 2.0 * (s.emitter_ohm[run, side] + s.inner_ohm[run, side])
        bench.bias_shift_v[run, side] += 0.052 * np.log(times) + ohm * current * (times - 1.0)

    script.happenings.append((at_s, begin))


def _intermittent(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    t = at_s
    while t < script.length_s:
        size = (0.003 + 0.03 * severity) * rng.uniform(0.4, 1.0) * rng.choice((-1.0, 1.0))
        for when, shift in ((t, size), (t + rng.exponential(0.6) + 0.1, 0.0)):
            script.happenings.append((when, _shifted(side, float(shift))))
        t += 1.0 + rng.exponential(22.0 - 16.0 * severity)


def _shifted(side: int, shift_v: float) -> Happening:
    def jump(bench: Lockstep, run: int) -> None:
        bench.bias_shift_v[run, side] = shift_v

    return jump


def _oscillating(low_v: float, high_v: float, share_on: float) -> Callable[..., None]:
    """Return an oscillation of low_v to high_v (by severity, evenly in its logarithm), on for share_on of the time."""

    def put(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
        level = low_v * (high_v / low_v) ** severity
        # Some rectify in the driver and draw a lot, some show on no current at all.
        crowd = float(rng.choice((0.0, rng.uniform(0.002, 0.01), rng.uniform(0.01, 0.04))))
        if level > 5.0:
            crowd = rng.uniform(0.01, 0.04)
        warm_k = rng.uniform(5.0, 30.0) if rng.random() < 0.3 else np.inf
        if share_on >= 1.0:
            _every(script, at_s, 0.5, lambda i: _level(side, level * rng.uniform(0.9, 1.1), crowd, warm_k))
            return
        t = at_s
        while t < script.length_s:
            script.happenings.append((t, _level(side, level * rng.uniform(0.6, 1.0), crowd, np.inf)))
            t += rng.uniform(0.1, 1.5)
            script.happenings.append((t, _level(side, 0.0, 0.0, np.inf)))
            t += rng.exponential(1.0 / share_on)

    return put


def _level(side: int, level_v: float, crowd_a_per_v: float, grows_per_k: float) -> Happening:
    def now(bench: Lockstep, run: int) -> None:
        rise = float(bench.heat.mount_c[run, side]) - 25.0
        level = level_v * (1.0 + (max(rise, 0.0) / grows_per_k if np.isfinite(grows_per_k) else 0.0))
        level = min(level, 0.7 * float(bench.rail_v[run].min()))
        bench.oscillation_v[run, side] = level
        bench.crowd_a[run, side] = crowd_a_per_v * level

    return now


def _offset_jump(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    size = 0.15 * 200.0**severity * rng.choice((-1.0, 1.0))

    def begin(bench: Lockstep, run: int) -> None:
        bench.offset_shift_v[run, side] += size

    script.happenings.append((at_s, begin))


def _offset_creep(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    per_s = 1.5e-4 * 40.0**severity * rng.choice((-1.0, 1.0))

    def more(i: int) -> Happening:
        def turn(bench: Lockstep, run: int) -> None:
            bench.offset_shift_v[run, side] += per_s

        return turn

    _every(script, at_s, 1.0, more)


def _rail(share: tuple[float, float]) -> Callable[..., None]:
    """Return a rail that falls to a share of its voltage, `share` at severity 0 and 1."""

    def put(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
        left = share[0] + (share[1] - share[0]) * severity

        def begin(bench: Lockstep, run: int) -> None:
            bench.rail_share[run, side] = left

        script.happenings.append((at_s, begin))

    return put


def _leak(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    def begin(bench: Lockstep, run: int) -> None:
        bench.leak_a[run] = 0.05 + 0.4 * severity

    script.happenings.append((at_s, begin))


def _short(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    def begin(bench: Lockstep, run: int) -> None:
        bench.short_s[run] = 0.05 * 20.0**severity

    script.happenings.append((at_s, begin))


def _weak(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    def begin(bench: Lockstep, run: int) -> None:
        bench.sets.rjc[run, side] *= 1.0 + 4.0 * severity
        bench.sets.cj[run, side] *= 0.4
        bench.sets.tj_max_c[run, side] -= 25.0
        bench.changed()

    script.happenings.append((at_s, begin))


def _interface(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    def begin(bench: Lockstep, run: int) -> None:
        bench.sets.rcs[run, side] *= 1.0 + 9.0 * severity
        bench.changed()

    script.happenings.append((at_s, begin))


def _blocked(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
    def begin(bench: Lockstep, run: int) -> None:
        bench.cooling[run, side] = 1.0 - 0.85 * severity

    script.happenings.append((at_s, begin))


def _sensor(how: str) -> Callable[..., None]:
    """Return a heatsink sensor that is off, open, short, stuck, or swapped with the other."""

    def put(script: Script, at_s: float, severity: float, side: int, rng: np.random.Generator) -> None:
        def overlay(scene: Scene, t_s: FloatArray, noise: np.random.Generator) -> None:
            on = t_s >= at_s
            this = INDEX[f"sink_{SIDES[side]}_c"]
            for rows in (scene.mean, scene.low, scene.high):
                row = rows[this]
                start = int(np.argmax(on))
                if how == "off":
                    air = rows[INDEX["ambient_c"]]
                    fall = np.exp(-(t_s - at_s) / 25.0)
                    feels = 0.2 * (1.0 - severity)
                    seen = air + feels * (row - air) + (row[start] - air) * (1.0 - feels) * fall
                elif how == "open":
                    seen = np.full(len(t_s), np.nan)
                elif how == "short":
                    # A logger that converts whatever it sees shows the end of its table.
                    seen = np.full(len(t_s), np.nan if severity < 0.6 else 300.0)
                elif how == "stuck":
                    seen = np.full(len(t_s), row[start])
                else:
                    other = INDEX[f"sink_{SIDES[1 - side]}_c"]
                    kept = row.copy()
                    row[on] = rows[other][on]
                    rows[other][on] = kept[on]
                    continue
                row[on] = seen[on]

        script.reader = replace(script.reader, overlays=(*script.reader.overlays, overlay))

    return put


def _causes(*names: str) -> frozenset[str]:
    return frozenset(names)


_HEAT = _causes("thermal-runaway", "bias-unstable", "over-temperature")
_OSCILLATION = _causes("oscillation")
_SENSOR = _causes("sensor-fault")
FAULTS: dict[str, Fault] = {
    "slow runaway": Fault(_causes("thermal-runaway"), _slow_runaway, length_s=2400.0),
    "fast runaway": Fault(_causes("thermal-runaway"), _fast_runaway),
    "slow runaway driven": Fault(_HEAT, _slow_runaway, driven=True, length_s=2400.0),
    "bias creep": Fault(_causes("bias-unstable", "over-current", "over-temperature"), _creep),
    "bias high": Fault(_causes("bias-unstable", "over-current", "over-temperature"), _high),
    "bias intermittent": Fault(_causes("bias-unstable"), _intermittent, length_s=900.0),
    "oscillation continuous": Fault(_OSCILLATION, _oscillating(0.3, 6.0, 1.0), length_s=900.0),
    "oscillation small": Fault(_OSCILLATION, _oscillating(0.1, 0.6, 1.0), length_s=900.0),
    "oscillation burst": Fault(_OSCILLATION, _oscillating(0.8, 9.0, 0.15), length_s=900.0),
    "oscillation gross": Fault(_OSCILLATION, _oscillating(9.0, 40.0, 1.0), length_s=600.0),
    "offset jump": Fault(_causes("dc-offset"), _offset_jump, length_s=600.0),
    "offset creep": Fault(_causes("dc-offset"), _offset_creep),
    "rail imbalance": Fault(_causes("rail-imbalance"), _rail((0.92, 0.6)), length_s=600.0),
    "rail missing": Fault(_causes("rail-missing"), _rail((0.0, 0.0)), length_s=500.0),
    "rail leak": Fault(_causes("rail-imbalance", "over-current"), _leak, length_s=900.0),
    "over-current": Fault(_causes("over-current"), _short, length_s=500.0),
    "weak device driven": Fault(_HEAT, _weak, driven=True),
    "poor interface driven": Fault(_HEAT, _interface, driven=True),
    "air blocked driven": Fault(_HEAT, _blocked, driven=True, length_s=2400.0),
    "sensor off": Fault(_SENSOR, _sensor("off")),
    "sensor off driven": Fault(_SENSOR, _sensor("off"), driven=True),
    "sensor open": Fault(_SENSOR, _sensor("open"), length_s=600.0),
    "sensor short": Fault(_SENSOR, _sensor("short"), length_s=600.0),
    "sensor stuck driven": Fault(_SENSOR, _sensor("stuck"), driven=True),
    "sensors swapped driven": Fault(_SENSOR, _sensor("swapped"), driven=True),
}
