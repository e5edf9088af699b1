"""What somebody's logger makes of the second model: noise, steps, rates, extremes, bits.

The model's states come every tenth of a second; scans between them are not played,
their scatter is drawn instead.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import norm

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import BoolArray, FloatArray, SampleBlock
from benchwarden.core.unit import Unit
from benchwarden.corpus import second_physics as law
from benchwarden.corpus.second_model import STEP_S

SCANS_HZ = 100.0
# Scatter of one scan and step of the reading, per kind of channel: a good logger, a
# plain one, hand meters on a wire. Invented, and wide apart on purpose.
_FLOORS: dict[str, dict[str, tuple[float, float]]] = {
    "none": dict.fromkeys(("a", "v", "offset", "bias", "c", "hf"), (0.0, 0.0)),
    "fine": {"a": (1e-4, 1e-5), "v": (1e-3, 1e-4), "offset": (1e-3, 1e-4), "bias": (5e-6, 1e-6), "c": (0.02, 0.01),
             "hf": (1e-3, 1e-3)},
    "usual": {"a": (5e-4, 1e-4), "v": (5e-3, 1e-3), "offset": (4e-3, 2e-3), "bias": (2e-5, 1e-5), "c": (0.1, 0.05),
              "hf": (4e-3, 2e-3)},
    "coarse": {"a": (1e-3, 5e-3), "v": (2e-2, 5e-2), "offset": (5e-3, 5e-3), "bias": (3e-5, 1e-4), "c": (0.2, 0.5),
               "hf": (1e-2, 2e-2)},
}  # fmt: skip
FLOORS = tuple(_FLOORS)
_KIND = {
    name: "bias" if name.startswith("bias") else "offset" if name.startswith("offset") else name.rsplit("_", 1)[1]
    for name in CHANNELS
}
_KIND |= {"hf_left_v": "hf", "hf_right_v": "hf"}


@dataclass
class Scene:
    """What reaches the sense leads of one run, every STEP_S.

    Attributes:
        mean, low, high: shape (channels, n): over the step, and the extremes of its scans.
        bits: shape (3, n): mains_on, limiter_in, drive_on.
    """

    mean: FloatArray
    low: FloatArray
    high: FloatArray
    bits: BoolArray

    def add(self, channel: str, on: BoolArray, mean: FloatArray, high: FloatArray) -> None:
        """Add a level where `on` to a channel: its mean, and what the highest scan sees of it."""
        i = INDEX[channel]
        self.mean[i] += np.where(on, mean, 0.0)
        self.high[i] += np.where(on, high, 0.0)


Overlay = Callable[[Scene, FloatArray, np.random.Generator], None]


@dataclass(frozen=True)
class Reader:
    """How a logger reads.

    Attributes:
        rate_hz: 1, 2, 5, 10 or 20.
        floor: one of FLOORS.
        flicker: share of the bias scatter that is 1/f and does not average out.
        sink_error_k: of the two sink sensors.
        overlays: what is added to the scene first.
    """

    rate_hz: float = 10.0
    floor: str = "usual"
    flicker: float = 0.0
    sink_error_k: tuple[float, float] = (0.0, 0.0)
    overlays: tuple[Overlay, ...] = field(default=())


def frames(scene: Scene, unit: Unit, reader: Reader, rng: np.random.Generator) -> SampleBlock:
    """Return the frames that the reader makes of a scene."""
    count = scene.mean.shape[1]
    t_s: FloatArray = np.arange(1, count + 1) * STEP_S
    for overlay in reader.overlays:
        overlay(scene, t_s, rng)
    mean, low, high, t_s, bits = _binned(scene, reader.rate_hz)
    n = len(t_s)
    scans = SCANS_HZ / reader.rate_hz
    reach = float(norm.ppf((scans - 0.375) / (scans + 0.25)))
    pulsed = unit.shunt_position == "before-reservoir"
    ripple_s = 1.0 / (4.0 * unit.mains_hz * unit.reservoir_uf * 1e-6)
    for name, i in INDEX.items():
        sigma, step = _FLOORS[reader.floor][_KIND[name]]
        scatter = np.full(n, sigma)
        if name in ("rail_pos_v", "rail_neg_v"):
            ripple = ripple_s * np.abs(mean[INDEX[name.replace("_v", "_a")]])
            low[i] -= ripple
            high[i] += ripple
        if pulsed and name in ("rail_pos_a", "rail_neg_a"):
            scatter = scatter + 0.12 * np.abs(mean[i])
            high[i] += 3.0 * np.abs(mean[i])
            low[i] -= 0.9 * np.abs(mean[i])
        if name.startswith("sink"):
            for values in (mean, low, high):
                values[i] += reader.sink_error_k[name == "sink_right_c"]
        if (scatter > 0.0).any():
            mean[i] += scatter / np.sqrt(scans) * rng.standard_normal(n)
            if reader.flicker and name.startswith("bias"):
                mean[i] += reader.flicker * scatter * law.pink(rng, n, 1.0 / reader.rate_hz)
            high[i] = np.maximum(high[i] + scatter * (reach + 0.35 * np.abs(rng.standard_normal(n))), mean[i])
            low[i] = np.minimum(low[i] - scatter * (reach + 0.35 * np.abs(rng.standard_normal(n))), mean[i])
        if name.startswith("hf"):
            for values in (mean, low, high):
                np.maximum(values[i], 0.0, out=values[i])
        if step:
            for values in (mean, low, high):
                values[i] = np.round(values[i] / step) * step
    return SampleBlock(
        np.round(t_s, 6),
        np.ascontiguousarray(mean.T, dtype=np.float32),
        np.ascontiguousarray(low.T, dtype=np.float32),
        np.ascontiguousarray(high.T, dtype=np.float32),
        bits[0],
        bits[1],
        bits[2],
    )


def _binned(scene: Scene, rate_hz: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, BoolArray]:
    """Return mean, low, high, time and bits at the reader's rate."""
    count = scene.mean.shape[1]
    per = 1.0 / (rate_hz * STEP_S)
    if per < 1.0:
        twice = round(1.0 / per)
        t_s: FloatArray = np.arange(1, count * twice + 1) * STEP_S / twice
        steps: FloatArray = np.arange(1, count + 1) * STEP_S

        def between(rows: FloatArray) -> FloatArray:
            return np.stack([np.interp(t_s, steps, row) for row in rows])

        bits = np.repeat(scene.bits, twice, axis=1)
        return between(scene.mean), between(scene.low), between(scene.high), t_s, bits
    whole = round(per)
    n = count // whole

    def grouped(rows: FloatArray) -> FloatArray:
        return rows[:, : n * whole].reshape(len(rows), n, whole)

    t_s = np.arange(1, n + 1) * STEP_S * whole
    bits = scene.bits[:, whole - 1 : n * whole : whole].copy()
    return (
        grouped(scene.mean).mean(axis=2),
        grouped(scene.low).min(axis=2),
        grouped(scene.high).max(axis=2),
        t_s,
        bits,
    )
