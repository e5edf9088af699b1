"""Kirchhoff's current law on both rails: what leaves one comes back on the other or through the load.

Closed form throughout: I(+) - I(-) = sum of offset / load + single-supply draw, and
I(rail) = N / Re x (bias left + bias right) + the rest of the set. Amperes of leaks are
common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest
from signals import Bench, unit

from benchwarden.analysis.judge import Judge
from benchwarden.core.channels import INDEX
from benchwarden.core.unit import Unit

Entry = dict[str, object]


def judged(bench: Bench, facts: Unit | None = None) -> dict[str, list[Entry]]:
    judge = Judge(facts or bench.unit)
    judge.feed(bench.block)
    table: dict[str, list[Entry]] = judge.finish()
    return table


def told(entries: list[Entry], cause: str) -> list[Entry]:
    return [e for e in entries if e["cause"] == cause]


def both(bench: Bench, values: np.ndarray | float, start_s: float = 0.0) -> None:
    for name in ("rail_pos_a", "rail_neg_a"):
        bench.add(name, values, start_s)


@pytest.mark.parametrize(("left_v", "right_v"), [(0.2, 0.15), (-0.2, 0.1), (0.05, -0.05)])
def test_dc_through_the_loads_is_no_imbalance(left_v: float, right_v: float) -> None:
    bench = Bench(unit(load_connected=True), 300.0)
    bench.put("offset_left_v", left_v, 20.0)
    bench.put("offset_right_v", right_v, 20.0)
    for volts in (left_v, right_v):
        # The rail of its sign feeds it: Ohm's law.
        bench.add("rail_pos_a" if volts > 0.0 else "rail_neg_a", abs(volts) / 8.0, 20.0)
    assert told(judged(bench)["trips"], "rail-imbalance") == []


def test_a_circuit_on_one_rail_is_learned_and_one_that_switches_on_is_told() -> None:
    bench = Bench(unit(), 400.0)
    bench.add("rail_pos_a", 0.04, 6.0)
    quiet = judged(bench)
    assert told(quiet["trips"], "rail-imbalance") + told(quiet["warnings"], "rail-imbalance") == []
    bench.add("rail_pos_a", 0.025, 200.0)
    table = judged(bench)
    assert told(table["trips"], "rail-imbalance") == []
    (note,) = told(table["warnings"], "rail-imbalance")
    assert note["channel"] == "positive rail"
    assert 200.0 < float(str(note["t_s"])) < 300.0


def test_a_single_supply_draw_may_grow_with_the_rails() -> None:
    facts = unit()
    bench = Bench(facts, 400.0)
    t = bench.block.t_s
    # A resistor to ground on the positive rail: 60 mA at 42 V, and half of that at half the rail.
    low = np.where(t < 150.0, 0.5, 1.0)
    for name in ("rail_pos_v", "rail_neg_v"):
        i = INDEX[name]
        for array in (bench.block.mean, bench.block.minimum, bench.block.maximum):
            array[:, i] *= low.astype(np.float32)
    bench.add("rail_pos_a", 0.06 * low, 6.0)
    table = judged(bench)
    assert told(table["trips"], "rail-imbalance") + told(table["warnings"], "rail-imbalance") == []


def test_a_growing_leak_to_ground_is_told_before_it_is_large() -> None:
    bench = Bench(unit(), 700.0)
    t = bench.block.t_s
    leak = np.maximum(t - 150.0, 0.0) * 1.5e-4
    bench.add("rail_neg_a", leak)
    first = told(judged(bench)["trips"], "rail-imbalance")[0]
    at = float(str(first["t_s"]))
    assert first["channel"] == "negative rail"
    # The fixed rule needs 30 mA and 12 % of some 0.15 A, plus 10 s: reached at about 480 s.
    assert 250.0 < at < 450.0


@pytest.mark.parametrize("ratio", [0.9, 1.0, 1.1])
def test_a_pot_turned_with_a_resistor_ten_percent_off_is_no_excess(ratio: float) -> None:
    bench = Bench(unit(), 500.0)
    t = bench.block.t_s
    turned = np.interp(t, [150.0, 155.0], [0.0, 0.008])
    bench.add("bias_left_v", turned)
    both(bench, turned / 0.22 * ratio)
    table = judged(bench)
    assert told(table["trips"], "rail-imbalance") + told(table["warnings"], "rail-imbalance") == []


def test_current_in_neither_drop_is_told_and_trips_when_it_is_large() -> None:
    bench = Bench(unit(), 500.0)
    both(bench, 0.06, 200.0)
    table = judged(bench)
    assert told(table["trips"], "rail-imbalance") == []
    (note,) = told(table["warnings"], "rail-imbalance")
    assert "not measured" in str(note["why"])
    both(bench, 0.09, 300.0)
    found = told(judged(bench)["trips"], "rail-imbalance")
    assert found
    assert 300.0 < float(str(found[0]["t_s"])) < 330.0


def test_a_drop_that_fell_while_the_current_stayed_is_no_excess() -> None:
    bench = Bench(unit(), 300.0)
    bench.put("bias_left_v", 2e-5, 150.0)
    table = judged(bench)
    assert told(table["trips"], "rail-imbalance") == []
    assert table["trips"][0]["cause"] == "sensor-fault"


def emptied(farad: float, amps: float) -> Bench:
    """The positive rail loses its supply at 100 s: dV/dt = I / C; at 5 V the outputs follow the other."""
    bench = Bench(unit(load_connected=True), 160.0)
    t = bench.block.t_s
    left = np.maximum(42.0 - np.maximum(t - 100.0, 0.0) * amps / farad, 0.3)
    bench.add("rail_pos_v", left - 42.0, 100.0)
    gone = float(t[np.argmax(left < 5.0)])
    for side in ("left", "right"):
        bench.put(f"offset_{side}_v", -30.0, gone)
    bench.put("rail_neg_a", 7.5, gone)
    bench.put("rail_pos_a", 0.0, gone)
    return bench


@pytest.mark.parametrize(("farad", "amps"), [(0.0068, 0.5), (0.010, 0.13), (0.022, 0.1)])
def test_a_rail_that_empties_is_told_before_the_outputs_follow(farad: float, amps: float) -> None:
    bench = emptied(farad, amps)
    first = judged(bench)["trips"][0]
    assert (first["cause"], first["channel"]) == ("rail-missing", "positive rail")
    falls_s = (42.0 - 5.0) * farad / amps
    assert 100.0 < float(str(first["t_s"])) < 100.0 + 0.6 * falls_s + 0.1  # one frame


def test_both_rails_falling_after_switch_off_are_no_missing_rail() -> None:
    # Unequal draws empty them at different speed; no contact column to tell.
    bench = Bench(unit(), 200.0)
    t = np.maximum(bench.block.t_s - 150.0, 0.0)
    for name, tau in (("rail_pos_v", 2.0), ("rail_neg_v", 6.0)):
        i = INDEX[name]
        for array in (bench.block.mean, bench.block.minimum, bench.block.maximum):
            array[:, i] *= np.exp(-t / tau).astype(np.float32)
    judge = Judge(bench.unit, known_bits=())
    judge.feed(bench.block)
    assert judge.finish()["trips"] == []
