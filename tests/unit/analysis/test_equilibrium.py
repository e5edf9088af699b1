"""Where heat and the junction law let the bias settle: against chains of heat integrated here and their exact ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import optimize

from benchwarden.analysis.equilibrium import Equilibrium, equilibrium
from benchwarden.analysis.pot_advice import set_now_v, shift_to_target_v
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


def asked(columns: tuple[FloatArray, ...], room: bool = True, target_v: float = 0.015) -> Equilibrium:
    n = len(columns[0]) - 15
    per = max(n // 64, 1)
    t, drop, sink, room_c, rail = (c[-(n // per) * per :].reshape(-1, per).mean(axis=1) for c in columns)
    found = equilibrium(t, drop, sink, room_c if room else np.full(len(t), math.nan), rail, target_v)
    assert found is not None
    return found


@pytest.mark.parametrize("power", [1.0, 1.25])
@pytest.mark.parametrize("gain", [-0.2, 0.1, 0.4, 0.6])
def test_the_end_of_a_chain_of_heat(gain: float, power: float) -> None:
    chain = Chain(gain, power)
    own_s = 300.0 * chain.rise_k / chain.full_w / power
    tau_s = own_s / (1.0 - gain)
    columns = chain.run(int(1.5 * tau_s))
    found = asked(columns)
    assert found.final_v == pytest.approx(chain.end_v(), abs=max(0.03 * chain.target_v, 3e-4))
    assert abs(found.final_v - chain.end_v()) < 1.96 * found.final_sd_v
    assert found.loop_gain == pytest.approx(gain, abs=0.12)
    assert abs(math.log(found.tau_s / tau_s)) < max(1.96 * found.tau_log_sd, 0.25)


def test_a_room_without_a_sensor_makes_it_less_sure_and_not_wrong() -> None:
    chain = Chain(0.3)
    columns = chain.run(900)
    with_room, without = asked(columns), asked(columns, room=False)
    assert without.final_sd_v > 0.9 * with_room.final_sd_v
    assert abs(without.final_v - chain.end_v()) < 1.96 * without.final_sd_v


def test_a_loop_beyond_one_has_no_end() -> None:
    chain = Chain(1.6, power=1.0)
    chain.pot_v = chain.law(0.012)
    found = asked(chain.run(200), target_v=0.01)
    assert math.isnan(found.final_v)
    assert found.loop_gain > 1.0
    # There is still a setting to come down to: less than flows now.
    assert found.shift_v < 0.0


def test_a_cold_sink_tells_nothing() -> None:
    t = np.arange(64.0)
    flat = np.full(64, 25.0)
    assert equilibrium(t, np.full(64, 0.011), flat, flat, np.full(64, 42.0), 0.011) is None


@pytest.mark.parametrize("gain", [0.1, 0.4])
@pytest.mark.parametrize("share", [0.8, 1.25])
def test_a_pot_turned_as_advised_settles_at_the_target(gain: float, share: float) -> None:
    # Set wrong by a fifth or a quarter, warmed up for ten minutes, turned once.
    wanted_v = 0.015 * share
    before = Chain(gain)
    found = asked(before.run(600), target_v=wanted_v)
    now_v = float(Chain(gain).run(600)[1][-10:].mean())
    advice = set_now_v(now_v, found.shift_v)
    after = Chain(gain).run(600 + 6000, turn_at=600, turn_to_v=advice)
    # One turn takes more than half of the error away; what it leaves, a second one finds.
    left = abs(float(after[1][-200:].mean()) - wanted_v)
    assert left < max(0.03 * wanted_v, 0.45 * abs(wanted_v - before.end_v()))


def test_advice_needs_an_end() -> None:
    assert math.isnan(set_now_v(0.01, shift_to_target_v(math.nan, 0.011)))
    # Nothing to correct: set what it reads now.
    assert set_now_v(0.009, shift_to_target_v(0.011, 0.011)) == pytest.approx(0.009, rel=1e-9)
