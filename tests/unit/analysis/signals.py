"""Plain synthetic signals for judge tests: no amplifier model, only what a test puts in."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import Unit, UnitStage

NOISE = {"a": 0.0005, "v": 0.01, "offset": 0.003, "bias": 4e-5, "c": 0.03, "hf": 0.002}


def unit(**changes: object) -> Unit:
    """Return the facts of an invented 60 W set with its stages: off, on at 5 s through the lamp, direct from 30 s."""
    facts = Unit(
        rated_power_w=60,
        load_ohm=8,
        rail_nominal_v=42.0,
        emitter_resistor_ohm=0.22,
        target_bias_drop_mv=11.0,
        limiter_lamp_w=100,
        package="metal-can",
        reservoir_uf=10000,
        stage=(
            UnitStage(0.0, "limiter 100 %", 100.0, True, False),
            UnitStage(30.0, "direct", 100.0, False, False),
        ),
    )
    return replace(facts, **changes)  # type: ignore[arg-type]


def noise_of(name: str) -> float:
    """Return the standard deviation of a frame's mean."""
    for key in ("offset", "bias", "hf"):
        if name.startswith(key):
            return NOISE[key]
    return NOISE[name.rsplit("_", 1)[1]]


@dataclass
class Bench:
    """A healthy idle run at 10 Hz that a test then spoils; mean, minimum and maximum move together."""

    unit: Unit
    length_s: float
    seed: int = 1
    rate_hz: float = 10.0
    on_s: float = 5.0
    bias_mv: float = 11.0
    block: SampleBlock = field(init=False)

    def __post_init__(self) -> None:
        n = int(self.length_s * self.rate_hz)
        rng = np.random.default_rng(self.seed)
        t = np.round((np.arange(n) + 1) / self.rate_hz, 6)
        on = t >= self.on_s
        charge = np.where(on, 1.0 - np.exp(-np.maximum(t - self.on_s, 0.0) / 0.4), 0.0)
        rail = self.unit.rail_nominal_v * charge
        warm = np.where(on, 1.0 - np.exp(-np.maximum(t - self.on_s, 0.0) / 300.0), 0.0)
        bias = self.bias_mv * 1e-3 * np.where(on, charge**2, 0.0) * (0.9 + 0.1 * warm)
        amps = 2.0 * bias * self.unit.output_pairs / self.unit.emitter_resistor_ohm + 0.03 * charge
        true = {
            "rail_pos_a": amps,
            "rail_neg_a": amps,
            "rail_pos_v": rail,
            "rail_neg_v": -rail,
            "offset_left_v": np.full(n, 0.01),
            "offset_right_v": np.full(n, -0.015),
            "bias_left_v": bias,
            "bias_right_v": bias * 1.03,
            "sink_left_c": 22.0 + 8.0 * warm,
            "sink_right_c": 22.0 + 8.5 * warm,
            "ambient_c": np.full(n, 22.0),
            "hf_left_v": np.full(n, 0.015),
            "hf_right_v": np.full(n, 0.018),
        }
        mean = np.empty((n, len(CHANNELS)), dtype=np.float32)
        low, high = np.empty_like(mean), np.empty_like(mean)
        for name, values in true.items():
            i, sigma = INDEX[name], noise_of(name)
            mean[:, i] = values + sigma * rng.standard_normal(n)
            spread = 3.0 * sigma * (1.0 + 0.3 * rng.random((n, 2)))
            low[:, i], high[:, i] = mean[:, i] - spread[:, 0], mean[:, i] + spread[:, 1]
        self.block = SampleBlock(t, mean, low, high, on.copy(), t < 30.0, np.zeros(n, dtype=np.bool_))

    def _where(self, start_s: float, stop_s: float) -> np.ndarray:
        return (self.block.t_s >= start_s) & (self.block.t_s < stop_s)

    def add(self, name: str, values: np.ndarray | float, start_s: float = 0.0, stop_s: float = math.inf) -> None:
        """Add to mean, minimum and maximum of a channel between two times."""
        at = self._where(start_s, stop_s)
        for array in (self.block.mean, self.block.minimum, self.block.maximum):
            array[at, INDEX[name]] += values[at] if isinstance(values, np.ndarray) else values

    def bump(self, name: str, start_s: float, stop_s: float, by: float) -> None:
        """Add a constant between two times."""
        self.add(name, by, start_s, stop_s)

    def put(self, name: str, value: float, start_s: float = 0.0, stop_s: float = math.inf) -> None:
        """Replace a channel by a constant, NaN included."""
        at = self._where(start_s, stop_s)
        for array in (self.block.mean, self.block.minimum, self.block.maximum):
            array[at, INDEX[name]] = value

    def peaks(self, name: str, value: np.ndarray, share: float) -> None:
        """Let a channel's maximum reach `value` in frames where that is above it, its mean by `share` of it."""
        i = INDEX[name]
        hit = value > self.block.maximum[:, i]
        self.block.maximum[hit, i] = value[hit]
        self.block.mean[hit, i] += share * value[hit]

    def grow(self, side: str, start_s: float, tau_s: float, most_v: float = 0.2, sink_k_per_v: float = 60.0) -> None:
        """Let a bias drop grow exponentially, with the rail currents and the sink that go along."""
        t = self.block.t_s
        side = side.removeprefix("bias_").removesuffix("_v")
        rise = 0.002 * np.expm1(np.clip((t - start_s) / tau_s, 0.0, 20.0))
        rise = np.minimum(rise, most_v)
        self.add(f"bias_{side}_v", rise)
        amps = rise * self.unit.output_pairs / self.unit.emitter_resistor_ohm
        self.add("rail_pos_a", amps)
        self.add("rail_neg_a", amps)
        self.add(f"sink_{side}_c", rise * sink_k_per_v)
