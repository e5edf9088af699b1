"""A class-AB channel as a textbook draws it, by none of the program's own formulas.

One pair without bias compensation: half the bias voltage stands over one junction
(2 mV/K) and its emitter resistor; junction over sink by its own resistance, sink over
room by R and tau. Source of the stability condition dP/dT < 1/Rth and of its figures
(35 V, 0.22 ohm, 26 mV over the resistor, Rth below 6.27 K/W): textbook relation, worked
by computation from kT/q at 300 K.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import Unit

FloatArray = npt.NDArray[np.float64]
VT_V = 0.0258520  # kT/q at 26.85 C
TEMPCO_V_PER_K = 0.002
RAIL_V, EMITTER_OHM, TARGET_V = 35.0, 0.22, 0.026
CRITICAL_K_PER_W = 6.27
JUNCTION_K_PER_W = 1.7
ROOM_C = 25.0


def unit(**changes: object) -> Unit:
    facts = {
        "rated_power_w": 50.0,
        "load_ohm": 8.0,
        "rail_nominal_v": RAIL_V,
        "emitter_resistor_ohm": EMITTER_OHM,
        "target_bias_drop_mv": TARGET_V * 1e3,
        "limiter_lamp_w": 100.0,
        "rth_jc_k_per_w": 1.2,
        "rth_cs_k_per_w": 0.5,
        "run_type": "burn-in",
    }
    return Unit(**(facts | changes))  # type: ignore[arg-type]


def gain_at(drop_v: float, device_k_per_w: float) -> float:
    """Return V dI/dT Rth of one device."""
    per_k = TEMPCO_V_PER_K / (EMITTER_OHM + VT_V * EMITTER_OHM / drop_v)
    return RAIL_V * per_k * device_k_per_w


@dataclass(frozen=True)
class Track:
    """Seconds of one idling channel, shape (n,) each."""

    t_s: FloatArray
    drop_v: FloatArray
    sink_c: FloatArray
    rail_v: FloatArray


def idle(
    sink_k_per_w: float,
    seconds: int,
    *,
    start_v: float = 0.7 * TARGET_V,
    tau_s: float = 300.0,
    seed: int = 1,
    noise_v: float = 5e-6,
    noise_k: float = 0.02,
    mains: bool = False,
    line_v: float = 0.01,
    driver_k: float = 0.0,
    driver_s: float = 80.0,
    creep_v: float = 0.0,
) -> Track:
    """Run from cold with the pot where it gives start_v cold.

    Args:
        mains: let the rails wander by some percent, and the bias with them by line_v per unit.
        driver_k, driver_s: how far a driver warms by itself, and how fast; it asks for as much less as a junction.
        creep_v: what the pot's setting gains until the end, faster and faster.
    """
    rng = np.random.default_rng(seed)
    t_s = np.arange(1.0, seconds + 1.0)
    rail = np.full(seconds, RAIL_V)
    if mains:
        rail *= 1.0 + 0.015 * np.sin(t_s / 47.0) + 0.01 * (np.floor(t_s / 130.0) % 2)
    asked = start_v + VT_V * math.log(start_v)
    drop, sink = np.empty(seconds), np.empty(seconds)
    b, warm = start_v, ROOM_C
    keep = math.exp(-1.0 / tau_s)
    for i in range(seconds):
        for _ in range(30):
            heat = TEMPCO_V_PER_K * (warm - ROOM_C + JUNCTION_K_PER_W * rail[i] * b / EMITTER_OHM)
            goal = asked + heat + line_v * (rail[i] / RAIL_V - 1.0)
            goal += TEMPCO_V_PER_K * driver_k * (1.0 - math.exp(-t_s[i] / driver_s))
            goal += creep_v * (t_s[i] / seconds) ** 3
            step = (b + VT_V * math.log(b) - goal) / (1.0 + VT_V / b)
            b = min(max(b - step, 0.2 * b), 1.5 * b, 0.5)
            if abs(step) < 1e-9:
                break
        drop[i], sink[i] = b, warm
        end = ROOM_C + sink_k_per_w * 2.0 * rail[i] * b / EMITTER_OHM
        warm = end + (warm - end) * keep
    return Track(
        t_s, drop + noise_v * rng.standard_normal(seconds), sink + noise_k * rng.standard_normal(seconds), rail
    )


def frames(left: Track, right: Track) -> SampleBlock:
    """Return both channels as ten frames a second, the mains on from the start."""
    n = 10 * len(left.t_s)
    rng = np.random.default_rng(7)
    mean = np.zeros((n, len(CHANNELS)))
    for name, values in (
        ("bias_left_v", left.drop_v),
        ("bias_right_v", right.drop_v),
        ("sink_left_c", left.sink_c),
        ("sink_right_c", right.sink_c),
        ("rail_pos_v", left.rail_v),
        ("rail_neg_v", -left.rail_v),
    ):
        mean[:, INDEX[name]] = np.repeat(values, 10)
    current = np.repeat(0.03 + (left.drop_v + right.drop_v) / EMITTER_OHM, 10)
    for name in ("rail_pos_a", "rail_neg_a"):
        mean[:, INDEX[name]] = current + 1e-4 * rng.standard_normal(n)
    mean[:, INDEX["ambient_c"]] = ROOM_C + 0.02 * rng.standard_normal(n)
    for name in ("offset_left_v", "offset_right_v"):
        mean[:, INDEX[name]] = 0.004 + 0.001 * rng.standard_normal(n)
    for name in ("hf_left_v", "hf_right_v"):
        mean[:, INDEX[name]] = 0.012 + 0.001 * rng.standard_normal(n)
    held = mean.astype(np.float32)
    on = np.ones(n, dtype=np.bool_)
    off = np.zeros(n, dtype=np.bool_)
    return SampleBlock(np.arange(1, n + 1) / 10.0, held, held, held, on, off, off)
