"""A chain of heat integrated here, whose end is known exactly: no amplifier model, nothing of the analysis."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from benchwarden.core.samples import FloatArray

VT = 8.617333262e-5 * 325.0


@dataclass
class Chain:
    """Die, sink core and fins, the fins giving heat to the room by rise to a power; bias by the junction law.

    A spreader on the fins lags; the sensor sits on the core. Nothing of it is the
    analysis' own model but the exponential law.
    """

    gain: float
    power: float = 1.25
    target_v: float = 0.015
    rail_v: float = 42.0
    room_c: float = 23.0
    rise_k: float = 18.0
    at_first: float = 1.0
    seed: int = 1

    def __post_init__(self) -> None:
        self.amps_per_v = 1.0 / 0.22
        self.full_w = 2.0 * self.rail_v * self.target_v * self.amps_per_v
        self.fins_w = self.full_w / self.rise_k**self.power
        steep = 1.0 + VT / self.target_v
        # dT/dy of the fins at the target, and the volts per kelvin that make this loop gain there.
        per_v = self.rise_k / self.power / self.target_v
        self.per_k = self.gain * steep / per_v
        self.pot_v = self.law(self.target_v) - self.per_k * self.rise_k

    @staticmethod
    def law(y: float) -> float:
        return y + VT * math.log(y)

    def end_v(self) -> float:
        """The exact crossing, by bracketing."""

        def over(y: float) -> float:
            fins_k = (self.full_w * y / self.target_v / self.fins_w) ** (1.0 / self.power)
            return self.law(y) - self.pot_v - self.per_k * fins_k

        return float(optimize.brentq(over, 0.5 * self.target_v, 1.5 * self.target_v, xtol=1e-12))

    def run(self, seconds: int, turn_at: int = 0, turn_to_v: float = 0.0) -> tuple[FloatArray, ...]:
        """Return t_s, drop, sink, room and rail, one value a second, with sensor noise."""
        rng = np.random.default_rng(self.seed)
        die = core = fins = felt = self.room_c
        out = np.empty((4, seconds))
        x = math.log(self.target_v)
        for i in range(seconds):
            wanted = self.pot_v + self.per_k * (felt - self.room_c)
            for _ in range(8):
                y = math.exp(x)
                x -= (y + VT * x - wanted) / (y + VT)
            if turn_at and i == turn_at:
                self.pot_v += self.law(turn_to_v) - self.law(math.exp(x))
            y = math.exp(x)
            rail = self.rail_v * (1.0 + 0.003 * math.sin(i / 170.0))
            heat = 2.0 * rail * y * self.amps_per_v
            to_core, to_fins = (die - core) / 0.8, (core - fins) / 0.15
            away = self.fins_w * max(fins - self.room_c, 0.0) ** self.power
            die += (heat - to_core) / 8.0
            core += (to_core - to_fins) / 120.0
            fins += (to_fins - away) / 180.0
            felt += (fins - felt) / 30.0
            out[:, i] = y, core, self.room_c, rail
        noise = rng.standard_normal((3, seconds))
        drop = out[0] + 8e-6 * noise[0]
        sink = np.round((out[1] + 0.04 * noise[1]) / 0.05) * 0.05
        return np.arange(seconds) + 1.0, drop, sink, out[2] + 0.04 * noise[2], out[3]
