"""What on the virtual bench looks like a fault and is none.

Overlays change the scans (what reaches the sense leads from outside the amplifier),
tweaks change the model once a second (what people, rooms and mains do to it).
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchwarden.core.channels import INDEX
from benchwarden.core.samples import FloatArray
from benchwarden.core.unit import Unit
from benchwarden.corpus.bench_play import Overlay, Tweak
from benchwarden.virtual.dut import Dut

_HF = (INDEX["hf_left_v"], INDEX["hf_right_v"])
_OFFSET = (INDEX["offset_left_v"], INDEX["offset_right_v"])
# One time slot in eight of a 4.615 ms frame (GSM 05.02, from memory), and a scan
# whose HF input is looked at for 1.2 ms of each.
_SLOT_SHARE = 1.0 / 8.0 + 0.0012 / 0.004615


@dataclass(frozen=True)
class Additions:
    """What one look-alike adds to a run."""

    overlays: tuple[Overlay, ...] = ()
    tweaks: tuple[Tweak, ...] = ()


def _shares(rng: random.Random) -> tuple[float, float]:
    """Return how much of an outside field each output picks up: alike, unequal, or almost one-sided."""
    weak = rng.choice((rng.uniform(0.7, 1.0), rng.uniform(0.2, 0.7), rng.uniform(0.03, 0.1)))
    return (1.0, weak) if rng.random() < 0.5 else (weak, 1.0)


def phone(rng: random.Random, start_s: float) -> Additions:
    """Return a telephone beside the bench: four calls or messages, bursts for seconds."""
    overlays = []
    for i in range(4):
        overlays.append(_one_call(start_s + 40.0 * i, rng.uniform(0.5, 8.0), rng.uniform(0.3, 6.0), _shares(rng)))
    return Additions(overlays=tuple(overlays))


def _one_call(start_s: float, length_s: float, level_v: float, shares: tuple[float, float]) -> Overlay:
    def overlay(t_s: FloatArray, values: FloatArray, noise: np.random.Generator) -> None:
        on = (t_s >= start_s) & (t_s < start_s + length_s)
        hit = on & (noise.random(len(t_s)) < _SLOT_SHARE)
        strength = level_v * noise.uniform(0.3, 1.0, len(t_s))
        for i, share in zip(_HF, shares, strict=True):
            values[i] += np.where(hit, share * strength, 0.0)

    return overlay


def transmitter(rng: random.Random, start_s: float) -> Additions:
    """Return a transmitter that keys for minutes, twice."""
    calls = []
    for _ in range(2):
        length_s = rng.uniform(60.0, 300.0)
        calls.append((start_s, length_s, rng.uniform(0.2, 4.0), _shares(rng), rng.choice((0.0, 0.2))))
        start_s += length_s + rng.uniform(20.0, 200.0)

    def overlay(t_s: FloatArray, values: FloatArray, noise: np.random.Generator) -> None:
        for at_s, length_s, level_v, shares, fading in calls:
            on = (t_s >= at_s) & (t_s < at_s + length_s)
            strength = level_v * (1.0 + fading * np.sin(2.0 * np.pi * t_s / 17.0))
            for i, share in zip(_HF, shares, strict=True):
                values[i] += np.where(on, share * strength, 0.0)

    return Additions(overlays=(overlay,))


def clicks(rng: random.Random, start_s: float) -> Additions:
    """Return switch clicks: single scans on HF and offset, now and then."""
    times = [start_s + rng.uniform(0.0, 400.0) for _ in range(12)]

    def overlay(t_s: FloatArray, values: FloatArray, noise: np.random.Generator) -> None:
        for at in times:
            i = int(np.searchsorted(t_s, at))
            if i < len(t_s):
                for channel in _HF:
                    values[channel, i] += noise.uniform(1.0, 15.0)
                for channel in _OFFSET:
                    values[channel, i] += noise.uniform(-2.0, 2.0)

    return Additions(overlays=(overlay,))


def _mains_on(dut: Dut) -> bool:
    return dut.mains_closed and dut.variac_pct > 80.0


def mains_steps(rng: random.Random, start_s: float) -> Additions:
    """Return mains that step by up to 6 % every few minutes."""
    moves = [(start_s + rng.uniform(0.0, 900.0), rng.uniform(-6.0, 6.0)) for _ in range(4)]
    return Additions(tweaks=(_mains(sorted(moves)),))


def _mains(moves: Sequence[tuple[float, float]]) -> Tweak:
    """Return mains that lie off by each percentage from its time on."""
    left = list(moves)

    def tweak(dut: Dut, t_s: float) -> None:
        while left and t_s >= left[0][0]:
            _, percent = left.pop(0)
            dut.wander.dip = 1.0 + 0.01 * percent

    return tweak


def mains_dips(rng: random.Random, start_s: float) -> Additions:
    """Return three sags of 5 to 30 % that last one to three seconds."""
    moves: list[tuple[float, float]] = []
    for _ in range(3):
        start_s += rng.uniform(20.0, 250.0)
        moves += [(start_s, -rng.uniform(5.0, 30.0)), (start_s + rng.choice((1.0, 1.0, 2.0, 3.0)), 0.0)]
    return Additions(tweaks=(_mains(moves),))


def draught(rng: random.Random, start_s: float) -> Additions:
    """Return a window that opens and is closed again: the room falls by 2 to 8 K within seconds."""
    fall_k, closed_s = rng.uniform(2.0, 8.0), start_s + rng.uniform(60.0, 600.0)
    left = [(start_s, -fall_k), (closed_s, 0.8 * fall_k)]

    def tweak(dut: Dut, t_s: float) -> None:
        if left and t_s >= left[0][0]:
            dut.wander.shift_ambient(left.pop(0)[1])

    return Additions(tweaks=(tweak,))


def pot_turns(rng: random.Random, start_s: float, unit: Unit, gain: float) -> Additions:
    """Return a person who trims both biases: in several goes, sometimes the wrong way first.

    What a turn adds grows by 1 / (1 - gain) while the set warms; the turns are as much smaller.
    """
    goes = []
    for side in ("left", "right"):
        t = start_s + rng.uniform(0.0, 30.0)
        shares = [rng.uniform(0.7, 1.3)] if rng.random() < 0.5 else []
        shares += [rng.uniform(0.85, 1.15) for _ in range(rng.randint(1, 3))]
        for share in shares:
            goes.append((t, side, 1.0 + (share - 1.0) * (1.0 - gain)))
            t += rng.uniform(3.0, 40.0)
    goes.sort()

    def tweak(dut: Dut, t_s: float) -> None:
        while goes and t_s >= goes[0][0]:
            _, side, share = goes.pop(0)
            if _mains_on(dut):
                dut.pot(side, min(share * dut.stage(side).drop_v * 1e3, 1.3 * unit.target_bias_drop_mv))

    return Additions(tweaks=(tweak,))


def trimming(start_s: float, unit: Unit, gain: float, every_s: float = 240.0, times: int = 5) -> Tweak:
    """Return a technician who sets both pots low by what the warm-up will add, then trims to the target.

    With a loop of gain g a cold setting of (1 - g) of the target ends near the target.
    """
    share = min(max(1.0 - gain, 0.3), 0.85)
    steps = [(start_s + 4.0 * i, part * share) for i, part in enumerate((0.3, 0.6, 0.8, 1.0))]
    trims = [start_s + 16.0 + every_s * i for i in range(1, times + 1)]

    def tweak(dut: Dut, t_s: float) -> None:
        if steps and t_s >= steps[0][0]:
            drop_mv = steps.pop(0)[1] * unit.target_bias_drop_mv
            for side in ("left", "right"):
                dut.pot(side, drop_mv)
        if not steps and trims and t_s >= trims[0]:
            trims.pop(0)
            for side in ("left", "right"):
                now_mv = dut.stage(side).drop_v * 1e3
                # Too high is turned down; too low is left to warm up, but for half of what is missing at the end.
                if now_mv > unit.target_bias_drop_mv:
                    dut.pot(side, 0.95 * unit.target_bias_drop_mv)
                elif not trims and now_mv < 0.9 * unit.target_bias_drop_mv:
                    dut.pot(side, now_mv + (1.0 - gain) * 0.5 * (unit.target_bias_drop_mv - now_mv))

    return tweak


def fan(rng: random.Random) -> Additions:
    """Return a thermostatic fan on both sinks: from 8 to 20 K above the room on, off 4 K lower."""
    on_k, better = rng.uniform(8.0, 20.0), rng.uniform(0.35, 0.7)
    running = [False]

    def tweak(dut: Dut, t_s: float) -> None:
        rise_k = max(dut.sink_left_c, dut.sink_right_c) - dut.ambient_c
        wanted = rise_k > (on_k - 4.0 if running[0] else on_k)
        if wanted == running[0]:
            return
        running[0] = wanted
        factor = better if wanted else 1.0 / better
        for side in ("left", "right"):
            stage = dut.stage(side)
            stage.heat.rth_sa *= factor
            stage.params = replace(stage.params, rth_sa=stage.heat.rth_sa)
            stage.changed()

    return Additions(tweaks=(tweak,))


def load_switching(rng: random.Random, start_s: float) -> Additions:
    """Return dummy loads that are unplugged and plugged in again while idle."""
    times = sorted(start_s + rng.uniform(0.0, 500.0) for _ in range(4))

    def tweak(dut: Dut, t_s: float) -> None:
        if times and t_s >= times[0]:
            times.pop(0)
            if dut.drive_level == 0.0:
                dut.load_connected = not dut.load_connected

    return Additions(tweaks=(tweak,))
