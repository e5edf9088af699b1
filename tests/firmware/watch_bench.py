"""A guard with a stage, fed one frame after the other with what its channels read, in SI units."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from firmware_bench import NAN, value_limits

from wardenfw import scale, stage, wire
from wardenfw.guard import Guard
from wardenfw.watch import PIECES

INDEX = {name: i for i, name in enumerate(wire.CHANNELS)}
FRAME_S = 0.1
TARGET_V, LIMIT_V = 0.011, 0.022
LIMIT_A = 1.0
EMITTER_OHM = 0.22
# One channel's idle current shows in both rails; so does the rest of the set.
OTHER_A = 0.04
RUNAWAY, OSCILLATION = wire.CAUSES.index("thermal-runaway"), wire.CAUSES.index("oscillation")
Reading = float | Callable[[float], float]
QUIET: dict[str, float] = {
    "rail_pos_v": 42.0,
    "rail_neg_v": -42.0,
    "offset_left_v": 0.0,
    "offset_right_v": 0.0,
    "bias_left_v": TARGET_V,
    "bias_right_v": TARGET_V,
    "sink_left_c": 35.0,
    "sink_right_c": 35.0,
    "ambient_c": 23.0,
    "hf_left_v": 0.015,
    "hf_right_v": 0.015,
}


def payload(hands: bool = False, drive_on: bool = False, **changed: tuple[float, float]) -> bytes:
    """Return a stage with a bias limit of twice the target; with `hands` the pots may be turned in it."""
    bounds = {
        "rail_pos_a": (NAN, LIMIT_A),
        "rail_neg_a": (NAN, LIMIT_A),
        "bias_left_v": (NAN, LIMIT_V),
        "bias_right_v": (NAN, LIMIT_V),
        "hf_left_v": (NAN, 1.0),
        "hf_right_v": (NAN, 1.0),
    }
    limits: list[Any] = value_limits(**(bounds | changed))
    slope = 1.2 * LIMIT_V if hands else 0.3 * TARGET_V + 0.001
    limits += [
        (INDEX[name], wire.RATE, RUNAWAY, NAN, slope / 10.0, 0, 10_000) for name in ("bias_left_v", "bias_right_v")
    ]
    return wire.pack_stage(7, False, drive_on, limits, 6.0, 6.0)


def guard_of(data: bytes) -> Guard:
    answer, made = stage.load(data)
    assert answer == wire.DONE
    guard = Guard()
    guard.load(made)
    guard.restart()
    return guard


def fine(name: str, value: float) -> int:
    """Return a reading in the fine units of the history, MISSING for NaN."""
    if math.isnan(value):
        return scale.MISSING
    channel = INDEX[name]
    return round((value - scale.OFFSET[channel]) * scale.fine_per_si(channel))


def rails_a(bias_left_v: float, bias_right_v: float) -> float:
    return OTHER_A + (bias_left_v + bias_right_v) / EMITTER_OHM


def feed(
    guard: Guard,
    until_s: float,
    hf_low: dict[str, Reading] | None = None,
    begin_s: float = 0.0,
    **readings: Reading,
) -> tuple[float, tuple[Any, ...]] | None:
    """Push frames until a rule finds something; return (t_s, finding).

    Args:
        hf_low: least HF reading of a frame, volts; the mean where it is not given.
        readings: by channel, or `rails_a` for both rail currents; what is not given is quiet,
            and the rail currents follow the bias.
    """

    def at(reading: Reading, t_s: float) -> float:
        return reading(t_s) if callable(reading) else reading

    for n in range(round((until_s - begin_s) / FRAME_S)):
        t_s = begin_s + n * FRAME_S
        si = {name: at(readings.get(name, quiet), t_s) for name, quiet in QUIET.items()}
        amps = at(readings["rails_a"], t_s) if "rails_a" in readings else rails_a(si["bias_left_v"], si["bias_right_v"])
        si["rail_pos_a"] = si["rail_neg_a"] = amps
        means = [fine(name, si[name]) for name in wire.CHANNELS]
        guard.push(means)
        low = {name: at((hf_low or {}).get(name, si[name]), t_s) for name in ("hf_left_v", "hf_right_v")}
        guard.watch.frame(means, [fine(name, low[name]) for name in ("hf_left_v", "hf_right_v")])
        for piece in range(PIECES):
            found = guard.watch.step(piece)
            if found is not None:
                return t_s, found
    return None
