"""Scripted runs on the virtual bench's amplifier model, sampled the way the board sends frames.

A run is a list of acts on the mains side; the model is read at 100 Hz, sensor noise
and converter steps are added, and every ten scans become one frame. Nothing of this
is a measurement.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import BoolArray, FloatArray, SampleBlock
from benchwarden.core.unit import Unit, UnitStage
from benchwarden.virtual.dut import Dut, DutParams

SCAN_S = 0.01
SCANS_PER_FRAME = 10
# What follows the first damage tells nothing about an earlier warning.
AFTERMATH_S = 20.0
# Standard deviation of one scan and step of the converter, per channel: INA228 at
# 10 mohm, ADS1115 at its ranges behind the attenuators, a 12-bit NTC reading.
NOISE = {
    "rail_pos_a": (3e-4, 3.05e-5),
    "rail_neg_a": (3e-4, 3.05e-5),
    "rail_pos_v": (3e-3, 1.95e-4),
    "rail_neg_v": (3e-3, 1.95e-4),
    "offset_left_v": (5e-3, 6.5e-3),
    "offset_right_v": (5e-3, 6.5e-3),
    "bias_left_v": (1.2e-5, 7.8e-6),
    "bias_right_v": (1.2e-5, 7.8e-6),
    "sink_left_c": (0.06, 0.03),
    "sink_right_c": (0.06, 0.03),
    "ambient_c": (0.06, 0.03),
    "hf_left_v": (2.5e-3, 2.5e-3),
    "hf_right_v": (2.5e-3, 2.5e-3),
}


@dataclass(frozen=True)
class Act:
    """From at_s on the bench is set like this; `turn_s` is how long the transformer is being turned."""

    at_s: float
    name: str
    mains_pct: float
    limiter_in: bool
    drive: float = 0.0
    closed: bool = True
    turn_s: float = 3.0


@dataclass(frozen=True)
class Run:
    """What a scripted run gave.

    Attributes:
        damaged: (t_s, what) in the model, in order.
        scans: true values per scan are not kept; only frames.
    """

    unit: Unit
    block: SampleBlock
    damaged: tuple[tuple[float, str], ...]


Tweak = Callable[[Dut, float], None]
Overlay = Callable[[FloatArray, FloatArray, np.random.Generator], None]


def power_up(soak_s: float = 600.0) -> list[Act]:
    """Return the acts of a first power-up through the limiter."""
    return [
        Act(0.0, "relay open", 25, True, closed=False),
        Act(10.0, "limiter 25 %", 25, True),
        Act(40.0, "limiter 50 %", 50, True),
        Act(70.0, "limiter 75 %", 75, True),
        Act(100.0, "limiter 100 %", 100, True),
        Act(140.0, "direct 100 %", 100, False),
        Act(140.0 + soak_s, "relay open again", 0, False, closed=False, turn_s=0.0),
    ]


def burn_in(idle_s: float = 600.0, driven_s: float = 600.0, after_s: float = 600.0, drive: float = 0.35) -> list[Act]:
    """Return the acts of a burn-in: idle, driven, idle again."""
    t = 40.0 + idle_s
    return [
        Act(0.0, "relay open", 50, True, closed=False),
        Act(5.0, "limiter 50 %", 50, True),
        Act(20.0, "limiter 100 %", 100, True),
        Act(40.0, "idle", 100, False),
        Act(t, "driven 1/8", 100, False, drive=drive),
        Act(t + driven_s, "idle after drive", 100, False),
        Act(t + driven_s + after_s, "relay open again", 0, False, closed=False, turn_s=0.0),
    ]


def with_stages(unit: Unit, acts: list[Act]) -> Unit:
    """Return the unit facts with the stages that these acts are."""
    return replace(
        unit, stage=tuple(UnitStage(a.at_s, a.name, float(a.mains_pct), a.limiter_in, a.drive > 0.0) for a in acts)
    )


def set_pots(at_s: float, unit: Unit, share: float = 1.0) -> Tweak:
    """Return a technician who, from at_s on, brings both pots from minimum to `share` of the target in steps."""
    done: set[int] = set()

    def tweak(dut: Dut, t_s: float) -> None:
        step = int((t_s - at_s) // 4.0)
        if 0 <= step < 6 and step not in done:
            done.add(step)
            for side in ("left", "right"):
                if dut.stage(side).drop_v < 0.95 * share * unit.target_bias_drop_mv * 1e-3:
                    dut.pot(side, share * unit.target_bias_drop_mv * (0.3, 0.6, 0.8, 0.9, 1.0, 1.0)[step])

    return tweak


def play(
    unit: Unit,
    acts: list[Act],
    seed: int,
    faults: tuple[tuple[str, float, float, str], ...] = (),
    tweaks: tuple[Tweak, ...] = (),
    overlays: tuple[Overlay, ...] = (),
    end_s: float | None = None,
    params: DutParams | None = None,
    scans_per_frame: int = SCANS_PER_FRAME,
    damage_ends: bool = False,
) -> Run:
    """Play a run on the model.

    Args:
        faults: (name, severity, at_s, channel).
        tweaks: called once a second with the model and the time.
        overlays: change the scans, shape (channels, n), in place.
        end_s: last time; 30 s after the last act if None.
        scans_per_frame: 10 as the board sends, 100 for one frame a second.
        damage_ends: a run in which something is destroyed ends AFTERMATH_S later.
    """
    dut = Dut(params or DutParams.from_unit(unit, seed), seed)
    for name, severity, at_s, channel in faults:
        dut.inject(name, severity, at_s, channel)
    stop_s = acts[-1].at_s + 30.0 if end_s is None else end_s
    scans = round(stop_s / SCAN_S)
    out = np.empty((scans, len(CHANNELS)))
    bits = np.zeros((scans, 3), dtype=np.bool_)
    at, now, pct, rate = 0, acts[0], 0.0, 1e9
    for i in range(scans):
        t = i * SCAN_S
        while at < len(acts) and t >= acts[at].at_s - 1e-9:
            now = acts[at]
            rate = abs(now.mains_pct - pct) / max(now.turn_s, SCAN_S)
            at += 1
        if pct != now.mains_pct:
            pct += max(-rate * SCAN_S, min(rate * SCAN_S, now.mains_pct - pct))
            dut.variac_pct = pct
        dut.mains_closed = now.closed
        dut.bypass_closed = not now.limiter_in
        dut.drive_level = now.drive
        if now.drive and not dut.load_connected:
            dut.load_connected = True
        if i % 100 == 0:
            if damage_ends and dut.damaged and t > dut.damaged[0][0] + AFTERMATH_S:
                scans, out, bits = i, out[:i], bits[:i]
                break
            for tweak in tweaks:
                tweak(dut, t)
        dut.step(SCAN_S)
        out[i] = (
            dut.rail_pos_a, dut.rail_neg_a, dut.rail_pos_v, dut.rail_neg_v, dut.offset_left_v, dut.offset_right_v,
            dut.bias_left_v, dut.bias_right_v, dut.sink_left_c, dut.sink_right_c, dut.ambient_c,
            dut.hf_left_v, dut.hf_right_v,
        )  # fmt: skip
        for name, seen in dut.sensor.items():
            value = float(out[i, INDEX[name]])
            out[i, INDEX[name]] = seen(value) if callable(seen) else math.nan
        bits[i] = (now.closed, now.limiter_in, now.drive > 0.0)
    rng = np.random.default_rng(seed)
    values = np.ascontiguousarray(out.T)
    t_s: FloatArray = np.arange(scans, dtype=np.float64) * SCAN_S
    for overlay in overlays:
        overlay(t_s, values, rng)
    for name, (sigma, step) in NOISE.items():
        row = values[INDEX[name]]
        row += sigma * rng.standard_normal(scans)
        np.round(row / step, out=row)
        row *= step
    values[INDEX["hf_left_v"] :] = np.maximum(values[INDEX["hf_left_v"] :], 0.0)
    return Run(
        with_stages(unit, acts), _frames(values, bits, scans_per_frame), tuple((round(t, 3), w) for t, w in dut.damaged)
    )


def _frames(values: FloatArray, bits: BoolArray, per: int) -> SampleBlock:
    n = values.shape[1] // per
    grouped = values[:, : n * per].reshape(len(CHANNELS), n, per)
    last = bits[per - 1 : n * per : per]
    return SampleBlock(
        np.round(np.arange(1, n + 1) * SCAN_S * per, 6),
        grouped.mean(axis=2).T.astype(np.float32),
        grouped.min(axis=2).T.astype(np.float32),
        grouped.max(axis=2).T.astype(np.float32),
        last[:, 0].copy(),
        last[:, 1].copy(),
        last[:, 2].copy(),
    )
