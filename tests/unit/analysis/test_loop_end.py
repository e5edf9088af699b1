"""Where the fitted loop comes to rest: against chains of heat integrated in `heat_chain` and their exact ends."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from heat_chain import Chain
from signals import unit

from benchwarden.analysis.forecast import Forecast, forecast
from benchwarden.analysis.loop_end import LoopEnd, loop_end
from benchwarden.analysis.pot_advice import set_now_v, shift_to_target_v
from benchwarden.analysis.situation import Facts
from benchwarden.analysis.thermal_loop import LoopFit, Record, fit_loop, usual_sink
from benchwarden.core.channels import BITS
from benchwarden.core.samples import FloatArray

TARGET_V = 0.015
FACTS = Facts.of(replace(unit(), target_bias_drop_mv=1e3 * TARGET_V), BITS)


def fitted(columns: tuple[FloatArray, ...], room: bool = True) -> tuple[LoopFit, Forecast]:
    per = max(len(columns[0]) // 90, 1)
    n = len(columns[0]) // per
    _, drop, sink, room_c, rail = (c[-n * per :].reshape(n, per).mean(axis=1) for c in columns)
    fit = fit_loop(
        Record(float(per), drop, sink, room_c if room else np.full(n, math.nan), rail, 0.5, 0.0),
        FACTS,
        usual_sink(FACTS),
    )
    assert fit is not None
    return fit, forecast(fit, FACTS, 5.0 * TARGET_V, 600.0, 0.0)


def asked(columns: tuple[FloatArray, ...], room: bool = True, target_v: float = TARGET_V) -> LoopEnd:
    found = loop_end(*fitted(columns, room), FACTS, target_v)
    assert found is not None
    return found


@pytest.mark.parametrize("power", [1.0, 1.25])
@pytest.mark.parametrize("gain", [-0.2, 0.1, 0.4, 0.6])
def test_the_end_of_a_chain_of_heat(gain: float, power: float) -> None:
    chain = Chain(gain, power)
    own_s = 300.0 * chain.rise_k / chain.full_w / power
    tau_s = own_s / (1.0 - gain)
    found = asked(chain.run(int(1.5 * tau_s)))
    assert found.final_v == pytest.approx(chain.end_v(), abs=max(0.03 * chain.target_v, 3e-4))
    assert found.final_95_v[0] < chain.end_v() < found.final_95_v[1]
    low, high = found.loop_gain_95
    assert low < gain < high
    assert found.loop_gain == pytest.approx(gain, abs=0.2)
    assert found.tau_95_s[0] < tau_s < found.tau_95_s[1]
    assert 0.6 < found.tau_s / tau_s < 1.7


def test_a_room_without_a_sensor_makes_it_less_sure_and_not_wrong() -> None:
    chain = Chain(0.3)
    columns = chain.run(900)
    with_room, without = asked(columns), asked(columns, room=False)
    assert np.ptp(without.final_95_v) > 0.9 * np.ptp(with_room.final_95_v)
    assert without.final_95_v[0] < chain.end_v() < without.final_95_v[1]


def test_a_loop_beyond_one_has_no_end() -> None:
    chain = Chain(1.6, power=1.0)
    chain.pot_v = chain.law(0.012)
    fit, told = fitted(chain.run(300))
    assert fit.gain > 1.0
    assert told.runaway_p > 0.8
    assert loop_end(fit, told, FACTS, 0.01) is None


@pytest.mark.parametrize("gain", [0.1, 0.4])
@pytest.mark.parametrize("share", [0.8, 1.25])
def test_a_pot_turned_as_advised_settles_at_the_target(gain: float, share: float) -> None:
    # Set wrong by a fifth or a quarter, warmed up for ten minutes, turned once.
    wanted_v = TARGET_V * share
    before = Chain(gain)
    advice = asked(before.run(600), target_v=wanted_v).set_now_v
    after = Chain(gain).run(600 + 6000, turn_at=600, turn_to_v=advice)
    # One turn takes more than half of the error away; what it leaves, a second one finds.
    left = abs(float(after[1][-200:].mean()) - wanted_v)
    assert left < max(0.03 * wanted_v, 0.45 * abs(wanted_v - before.end_v()))


def test_advice_without_a_loop_needs_an_end() -> None:
    assert math.isnan(set_now_v(0.01, shift_to_target_v(math.nan, 0.011)))
    # Nothing to correct: set what it reads now.
    assert set_now_v(0.009, shift_to_target_v(0.011, 0.011)) == pytest.approx(0.009, rel=1e-9)
