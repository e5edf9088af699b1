"""Each fault, put into plain signals by hand, is named; each look-alike is left alone.

No amplifier model here: what a fault looks like is written down in the test. Levels
are common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from signals import Bench, unit

from benchwarden.analysis.judge import Judge
from benchwarden.core.channels import INDEX
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import Unit, UnitStage

Spoil = Callable[[Bench], None]


def trips_of(bench: Bench, facts: Unit | None = None, known: tuple[str, ...] | None = None) -> list[dict[str, object]]:
    judge = Judge(facts or bench.unit) if known is None else Judge(facts or bench.unit, known_bits=known)
    judge.feed(bench.block)
    trips: list[dict[str, object]] = judge.finish()["trips"]
    return trips


def both_rails(bench: Bench, start_s: float, stop_s: float, by: float) -> None:
    bench.bump("rail_pos_a", start_s, stop_s, by)
    bench.bump("rail_neg_a", start_s, stop_s, by)


def short_across_rails(bench: Bench) -> None:
    both_rails(bench, 100.0, 130.0, 6.0)
    bench.bump("rail_pos_v", 100.0, 130.0, -12.0)
    bench.bump("rail_neg_v", 100.0, 130.0, 12.0)


def oscillation_in_bursts(bench: Bench) -> None:
    for start in np.arange(100.0, 160.0, 4.0):
        bench.bump("hf_left_v", start, start + 0.3, 3.0)
        both_rails(bench, start, start + 0.3, 0.08)


def crackling_pot(bench: Bench) -> None:
    rng = np.random.default_rng(2)
    for start in 100.0 + np.cumsum(rng.uniform(2.0, 8.0, 15)):
        by = rng.choice([-0.006, 0.008])
        bench.bump("bias_left_v", start, start + 0.3, by)
        both_rails(bench, start, start + 0.3, by / 0.22)


def shunt_reversed(bench: Bench) -> None:
    bench.add("rail_pos_a", -2.0 * bench.block.mean[:, INDEX["rail_pos_a"]])


def sensor_came_off(bench: Bench) -> None:
    t = bench.block.t_s
    bench.bump("sink_left_c", 0.0, 1e9, 12.0)
    bench.bump("sink_right_c", 0.0, 1e9, 12.0)
    i = INDEX["sink_left_c"]
    warm = bench.block.mean[:, i] - 22.0
    off = np.where(t > 150.0, warm * (1.0 - np.exp(-(t - 150.0) / 15.0)), 0.0)
    bench.add("sink_left_c", -off)


def sink_never_warms(bench: Bench) -> None:
    t = bench.block.t_s
    bench.add("sink_right_c", np.minimum(t * 0.05, 12.0))
    bench.put("sink_left_c", 22.0)
    noise = np.random.default_rng(4).normal(0.0, 0.03, len(t))
    bench.add("sink_left_c", noise)


def rail_gone(bench: Bench) -> None:
    bench.put("rail_pos_v", 0.3, 100.0)
    bench.put("rail_pos_a", 0.0, 100.0)
    bench.put("rail_neg_a", 0.05, 100.0)
    for side in ("left", "right"):
        bench.put(f"offset_{side}_v", -38.0, 100.3)
        bench.put(f"bias_{side}_v", 0.0, 100.0)


def blocked_air(bench: Bench) -> None:
    bench.add("sink_left_c", bench.block.t_s * 0.25)
    bench.add("sink_right_c", bench.block.t_s * 0.2)


def welded(bench: Bench) -> None:
    bench.block.mains_on[bench.block.t_s > 100.0] = False


FAULTS: list[tuple[str, Spoil, str, str, float, float]] = [
    ("short", short_across_rails, "over-current", "positive rail", 100.0, 0.3),
    ("offset jumps", lambda b: b.bump("offset_right_v", 100.0, 1e9, 2.5), "dc-offset", "right", 100.0, 1.0),
    ("small offset jump", lambda b: b.bump("offset_left_v", 100.0, 1e9, 0.4), "dc-offset", "left", 100.0, 8.0),
    ("offset creeps", lambda b: b.add("offset_left_v", b.block.t_s * 8e-4), "dc-offset", "left", 0.0, 330.0),
    ("sink too hot", blocked_air, "over-temperature", "left", 0.0, 330.0),
    ("slow runaway", lambda b: b.grow("left", 60.0, 60.0), "thermal-runaway", "left", 60.0, 150.0),
    ("fast runaway", lambda b: b.grow("right", 100.0, 4.0, 0.2, 2.0), "thermal-runaway", "right", 100.0, 20.0),
    ("oscillation with current", lambda b: (b.bump("hf_left_v", 100, 400, 0.6), both_rails(b, 100, 400, 0.03)),  # type: ignore[func-returns-value,list-item]
     "oscillation", "left", 100.0, 4.0),
    ("oscillation over the rail", lambda b: (b.bump("hf_left_v", 100, 400, 15.0), both_rails(b, 100, 400, 0.4)),  # type: ignore[func-returns-value,list-item]
     "oscillation", "left", 100.0, 0.5),
    ("oscillation in bursts", oscillation_in_bursts, "oscillation", "left", 100.0, 25.0),
    ("bias crackles", crackling_pot, "bias-unstable", "left", 100.0, 60.0),
    ("bias far too high", lambda b: b.bump("bias_left_v", 60.0, 1e9, 0.046), "bias-unstable", "left", 60.0, 15.0),
    ("bias three times", lambda b: b.bump("bias_left_v", 60.0, 1e9, 0.023), "bias-unstable", "left", 60.0, 95.0),
    ("sensor came off", sensor_came_off, "sensor-fault", "left", 150.0, 60.0),
    ("sensor never on", sink_never_warms, "sensor-fault", "left", 0.0, 330.0),
    ("sensor open", lambda b: b.put("sink_left_c", -48.0, 100.0), "sensor-fault", "left", 100.0, 2.0),
    ("sensor shorted", lambda b: b.put("sink_right_c", 190.0, 100.0), "sensor-fault", "right", 100.0, 2.0),
    ("sensor gives nothing", lambda b: b.put("sink_left_c", np.nan, 100.0), "sensor-fault", "left", 100.0, 25.0),
    ("bias clip off", lambda b: b.put("bias_left_v", 2e-5, 100.0), "sensor-fault", "left", 100.0, 8.0),
    ("bias reading stuck", lambda b: b.put("bias_left_v", 0.0109, 150.0), "sensor-fault", "left", 150.0, 40.0),
    ("rail reading gone", lambda b: b.put("rail_neg_v", 0.0, 100.0), "sensor-fault", "negative rail", 100.0, 5.0),
    ("current reading gone", lambda b: b.put("rail_neg_a", 0.0, 100.0), "sensor-fault", "negative rail", 100.0, 20.0),
    ("shunt reversed", shunt_reversed, "sensor-fault", "positive rail", 0.0, 45.0),
    ("rail missing", rail_gone, "rail-missing", "positive rail", 100.0, 4.0),
    ("leak", lambda b: b.bump("rail_pos_a", 100.0, 1e9, 0.15), "rail-imbalance", "positive rail", 100.0, 20.0),
    ("rail halves", lambda b: b.bump("rail_neg_v", 100.0, 1e9, 20.0), "rail-imbalance", "negative rail", 100.0, 20.0),
    ("relay welded", welded, "relay-fault", "", 100.0, 40.0),
    ("transformer far too high", lambda b: (b.bump("rail_pos_v", 100, 999, 14), b.bump("rail_neg_v", 100, 999, -14)),  # type: ignore[func-returns-value,list-item]
     "operator", "", 100.0, 6.0),
]  # fmt: skip


@pytest.mark.parametrize(
    ("spoil", "cause", "channel", "at_s", "within_s"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS]
)
def test_a_fault_is_named_in_time(spoil: Spoil, cause: str, channel: str, at_s: float, within_s: float) -> None:
    bench = Bench(unit(), 400.0)
    spoil(bench)
    trips = trips_of(bench)
    assert trips, "nothing found"
    first = trips[0]
    assert (first["cause"], first["channel"]) == (cause, channel), trips
    assert at_s - 1.0 <= float(str(first["t_s"])) <= at_s + within_s
    assert "after_open" not in first
    assert all(t["after_open"] for t in trips if float(str(t["t_s"])) > float(str(first["t_s"])))


def phone(bench: Bench) -> None:
    """GSM: one slot in eight, bursts for seconds; a 10 Hz frame's maximum sees it, its minimum does not."""
    t = bench.block.t_s
    rng = np.random.default_rng(6)
    for start in (80.0, 120.0, 200.0, 260.0):
        on = (t > start) & (t < start + 5.0)
        level = np.where(on, rng.uniform(1.0, 6.0, len(t)), 0.0)
        bench.peaks("hf_left_v", level, 0.2)


def transmitter(bench: Bench) -> None:
    t = bench.block.t_s
    fade = 1.0 + 0.2 * np.sin(t / 3.0)
    on = (t > 100.0) & (t < 260.0)
    bench.add("hf_left_v", np.where(on, 1.5 * fade, 0.0))
    bench.add("hf_right_v", np.where(on, 0.8 * fade, 0.0))


def clicks(bench: Bench) -> None:
    for at in (80.0, 90.0, 97.0, 150.0, 151.0, 200.0):
        for name, by in (("hf_left_v", 3.0), ("hf_right_v", 2.0), ("offset_left_v", 0.6), ("bias_left_v", 0.004)):
            bench.bump(name, at, at + 0.1, by)


def mains_step(bench: Bench) -> None:
    for at, share in ((100.0, 0.05), (180.0, -0.08), (250.0, 0.1)):
        for name, sign in (("rail_pos_v", 1.0), ("rail_neg_v", -1.0)):
            bench.bump(name, at, at + 60.0, sign * share * 42.0)
        both_rails(bench, at, at + 60.0, share * 0.13 * 2.0)
        for side in ("left", "right"):
            bench.bump(f"bias_{side}_v", at, at + 60.0, share * 0.011 * 2.0)


def hand_on_the_pot(bench: Bench) -> None:
    t = bench.block.t_s
    turned = np.interp(t, [0, 100, 103, 110, 112, 120, 123, 130], [-8e-3, -8e-3, -5e-3, -5e-3, 0, 0, 1.5e-3, 0])
    turned = np.where(t > 6.0, turned, 0.0)
    bench.add("bias_left_v", turned)
    for name in ("rail_pos_a", "rail_neg_a"):
        bench.add(name, turned / 0.22)


def concave_warm_up(bench: Bench) -> None:
    t = np.maximum(bench.block.t_s - 10.0, 0.0)
    rise = 0.008 * (1.0 - np.exp(-t / 40.0)) - 0.004
    bench.add("bias_left_v", np.where(bench.block.t_s > 6.0, rise, 0.0))
    bench.add("sink_left_c", 15.0 * (1.0 - np.exp(-t / 200.0)))


def slow_mains_wander(bench: Bench) -> None:
    t = bench.block.t_s
    wander = 0.03 * np.sin(t / 60.0) * np.minimum(t / 30.0, 1.0)
    bench.add("rail_pos_v", 42.0 * wander)
    bench.add("rail_neg_v", -42.0 * wander)
    bench.add("bias_left_v", np.where(t > 6.0, 0.011 * 2.0 * wander, 0.0))


def thump_at_switch_on(bench: Bench) -> None:
    t = bench.block.t_s - bench.on_s
    bench.add("offset_left_v", np.where(t > 0.0, 4.0 * np.exp(-np.maximum(t, 0.0) / 0.8), 0.0))
    bench.add("offset_right_v", np.where(t > 0.0, -2.0 * np.exp(-np.maximum(t, 0.0) / 1.5), 0.0))


def inrush(bench: Bench) -> None:
    t = bench.block.t_s - bench.on_s
    for name in ("rail_pos_a", "rail_neg_a"):
        bench.add(name, np.where(t > 0.0, 1.0 * np.exp(-np.maximum(t, 0.0) / 0.4), 0.0))


def missing_fields(bench: Bench) -> None:
    rng = np.random.default_rng(8)
    hole = rng.random(bench.block.mean.shape) < 0.1
    for array in (bench.block.mean, bench.block.minimum, bench.block.maximum):
        array[hole] = np.nan


LOOK_ALIKES: list[tuple[str, Spoil]] = [
    ("healthy", lambda b: None),
    ("HF on one side that takes no current", lambda b: b.bump("hf_right_v", 100, 400, 0.5)),
    ("telephone", phone),
    ("transmitter keyed for minutes", transmitter),
    ("switch clicks", clicks),
    ("mains steps", mains_step),
    ("hand on the pot", hand_on_the_pot),
    ("warm-up that slows down", concave_warm_up),
    ("mains wanders", slow_mains_wander),
    ("switch-on thump", thump_at_switch_on),
    ("reservoirs charge through the shunt", inrush),
    ("a tenth of all fields missing", missing_fields),
]


@pytest.mark.parametrize("spoil", [s for _, s in LOOK_ALIKES], ids=[n for n, _ in LOOK_ALIKES])
def test_a_look_alike_does_not_trip(spoil: Spoil) -> None:
    for seed in (1, 2, 3):
        bench = Bench(unit(), 330.0, seed=seed)
        spoil(bench)
        assert trips_of(bench) == []


def driven(level: float, **changes: object) -> Bench:
    """Drive on from 100 s to 200 s with `level` of clipping: rail amperes, bias drop, sag and HF that go along."""
    facts = unit(load_connected=True, **changes)
    facts = replace(
        facts,
        stage=(
            *facts.stage,
            UnitStage(100.0, "driven", 100.0, False, True),
            UnitStage(200.0, "idle again", 100.0, False, False),
        ),
    )
    bench = Bench(facts, 330.0)
    amps = 2.0 * level * 42.0 / (np.pi * 8.0)
    both_rails(bench, 100.0, 200.0, amps)
    for side in ("left", "right"):
        bench.bump(f"bias_{side}_v", 100.0, 200.0, 0.5 * amps * 0.22)
        bench.bump(f"hf_{side}_v", 100.0, 200.0, 0.01 if level < 1.0 else 2.5)
    bench.bump("rail_pos_v", 100.0, 200.0, -5.0 * level)
    bench.bump("rail_neg_v", 100.0, 200.0, 5.0 * level)
    t = bench.block.t_s
    hot = np.where(t > 100.0, 1.0 - np.exp(-np.clip(t - 100.0, 0.0, 100.0) / 150.0), 0.0)
    cool = np.where(t > 200.0, np.exp(-(t - 200.0) / 150.0), 1.0)
    for side in ("left", "right"):
        bench.add(f"sink_{side}_c", 45.0 * hot * cool)
        bench.add(f"bias_{side}_v", np.where(t > 200.0, 0.012 * np.exp(-(t - 200.0) / 60.0), 0.0))
    bench.block.drive_on[(t > 100.0) & (t <= 200.0)] = True
    return bench


@pytest.mark.parametrize("level", [0.2, 0.35, 0.58, 1.0])
def test_the_test_signal_does_not_trip_even_at_clipping(level: float) -> None:
    assert trips_of(driven(level)) == []


def test_drive_without_a_drive_column_does_not_trip() -> None:
    bench = driven(0.35)
    bench.block.drive_on[:] = False
    assert trips_of(bench, known=("mains_on", "limiter_in")) == []


def test_oscillation_under_drive_is_found_on_its_side() -> None:
    bench = driven(0.35)
    bench.bump("hf_right_v", 140.0, 190.0, 14.0)
    both_rails(bench, 140.0, 190.0, 0.4)
    first = trips_of(bench)[0]
    assert (first["cause"], first["channel"]) == ("oscillation", "right")
    assert float(str(first["t_s"])) < 142.0


def test_without_a_contact_column_the_rails_tell() -> None:
    bench = Bench(unit(), 200.0)
    bench.bump("offset_left_v", 100.0, 1e9, 3.0)
    bench.block.mains_on[:] = False
    first = trips_of(bench, known=("limiter_in", "drive_on"))[0]
    assert first["cause"] == "dc-offset"


def test_an_opened_relay_and_its_falling_rails_are_no_fault() -> None:
    bench = Bench(unit(), 200.0)
    t = bench.block.t_s
    fall = np.exp(-np.maximum(t - 150.0, 0.0) / 3.0)
    for name in ("rail_pos_v", "rail_neg_v", "rail_pos_a", "rail_neg_a", "bias_left_v", "bias_right_v"):
        i = INDEX[name]
        for array in (bench.block.mean, bench.block.minimum, bench.block.maximum):
            array[:, i] *= fall.astype(np.float32)
    bench.block.mains_on[t > 150.0] = False
    assert trips_of(bench) == []


def thinned(block: SampleBlock, keep: np.ndarray) -> SampleBlock:
    return SampleBlock(*(getattr(block, f)[keep] for f in block.__dataclass_fields__))


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 0.2])
def test_slow_recordings_are_judged_too(rate_hz: float) -> None:
    facts = unit(sample_rate_hz=rate_hz)
    bench = Bench(facts, 600.0, rate_hz=rate_hz)
    assert trips_of(bench) == []
    bench.bump("offset_left_v", 300.0, 1e9, 3.0)
    assert trips_of(bench)[0]["cause"] == "dc-offset"


@pytest.mark.parametrize("rate_hz", [100.0, 1000.0])
def test_fast_recordings_are_judged_too(rate_hz: float) -> None:
    bench = Bench(unit(sample_rate_hz=rate_hz), 60.0, rate_hz=rate_hz)
    assert trips_of(bench) == []
    bench.bump("offset_left_v", 40.0, 1e9, 25.0)
    first = trips_of(bench)[0]
    assert first["cause"] == "dc-offset"
    assert float(str(first["t_s"])) < 41.0


def test_gaps_are_counted_and_do_not_trip() -> None:
    bench = Bench(unit(), 330.0)
    t = bench.block.t_s
    cut = thinned(bench.block, ~(((t > 100.0) & (t < 130.0)) | ((t > 200.0) & (t < 206.0))))
    judge = Judge(unit())
    judge.feed(cut)
    table = judge.finish()
    assert table["trips"] == []
    assert table["metrics"]["gaps"] == 2
    assert any("gap" in w["why"] and w["cause"] == "host-silent" for w in table["warnings"])


def warnings_of(bench: Bench) -> list[dict[str, object]]:
    judge = Judge(bench.unit)
    judge.feed(bench.block)
    warnings: list[dict[str, object]] = judge.finish()["warnings"]
    return warnings


def test_an_hf_probe_that_comes_off_is_a_warning_on_its_side() -> None:
    bench = Bench(unit(), 330.0)
    bench.put("hf_right_v", 0.0, 200.0)
    assert trips_of(bench) == []
    (found,) = warnings_of(bench)
    assert (found["cause"], found["channel"]) == ("sensor-fault", "right")
    assert 200.0 < float(str(found["t_s"])) < 230.0


def test_a_quiet_hf_channel_is_no_unplugged_probe() -> None:
    bench = Bench(unit(), 330.0)
    # Falls to half its floor, as a set does that warms: still there.
    bench.bump("hf_right_v", 200.0, 1e9, -0.009)
    assert warnings_of(bench) == []


def turned(bench: Bench, at_s: float, path_mv: list[tuple[float, float]], sides: tuple[str, ...]) -> None:
    """Add a bias path of (seconds after at_s, millivolts), with the rail current that goes along."""
    t = bench.block.t_s
    move = np.interp(t - at_s, [p[0] for p in path_mv], [p[1] * 1e-3 for p in path_mv], left=0.0)
    for side in sides:
        bench.add(f"bias_{side}_v", move)
        both_rails_along(bench, move)


def both_rails_along(bench: Bench, move: np.ndarray) -> None:
    for name in ("rail_pos_a", "rail_neg_a"):
        bench.add(name, move / 0.22)


@pytest.mark.parametrize("sides", [("left",), ("left", "right")])
@pytest.mark.parametrize(
    "path",
    [
        # Up at once, too far, corrected four seconds later: what a hand does with a coarse pot.
        [(0.0, 0.0), (0.1, 3.0), (4.0, 3.0), (4.1, 0.5)],
        # Down and up again over seconds.
        [(0.0, 0.0), (1.5, -4.0), (5.0, -4.0), (6.5, 0.0)],
        # Three goes, each to a new level.
        [(0.0, 0.0), (0.2, -5.0), (3.0, -5.0), (3.2, -2.0), (6.0, -2.0), (6.2, 0.5)],
    ],
)
def test_a_pot_turned_and_corrected_is_no_bad_contact(sides: tuple[str, ...], path: list[tuple[float, float]]) -> None:
    for name in ("", "set bias"):
        facts = unit()
        facts = replace(facts, stage=(*facts.stage, UnitStage(90.0, name, 100.0, False, False)))
        bench = Bench(facts, 330.0)
        turned(bench, 100.0, path, sides)
        assert trips_of(bench) == []
        assert warnings_of(bench) == []


def test_two_leaps_that_come_back_are_worth_a_warning() -> None:
    bench = Bench(unit(), 330.0)
    for at in (100.0, 130.0):
        bench.bump("bias_left_v", at, at + 0.3, 0.006)
    assert trips_of(bench) == []
    assert [(w["cause"], w["channel"]) for w in warnings_of(bench)] == [("bias-unstable", "left")]


def warm_drive(gain: float, parting_mv: float = 0.0) -> Bench:
    """Driven from 100 s for half an hour; the idle part follows each sink by a loop gain, one side may part."""
    facts = unit(load_connected=True, run_type="burn-in", sink_k_per_w=1.6, rth_jc_k_per_w=1.2, rth_cs_k_per_w=0.6)
    facts = replace(facts, stage=(*facts.stage, UnitStage(100.0, "driven", 100.0, False, True)))
    bench = Bench(facts, 1900.0)
    t = bench.block.t_s
    on = t > 100.0
    warm_k = np.where(on, 50.0 * -np.expm1(-np.clip(t - 100.0, 0.0, None) / 560.0), 0.0)
    # Stable if dP/dTj < 1/Rth: a stage of gain g answers dT with g dT / (Vcc Rth ja).
    idle_v = gain * warm_k / (38.0 * (1.2 + 0.6 + 2.0 * 1.6)) * 0.22
    amps = 0.87
    bench.bump("rail_pos_v", 100.0, 1e9, -4.0)
    bench.bump("rail_neg_v", 100.0, 1e9, 4.0)
    both_rails(bench, 100.0, 1e9, amps)
    for side in ("left", "right"):
        extra = idle_v + (np.clip((t - 900.0) / 60.0, 0.0, None) * parting_mv * 1e-3 if side == "left" else 0.0)
        bench.add(f"bias_{side}_v", np.where(on, 0.5 * amps * 0.22 + extra, 0.0))
        bench.add(f"sink_{side}_c", warm_k)
        both_rails_along(bench, extra)
    bench.block.drive_on[on] = True
    return bench


@pytest.mark.parametrize("gain", [0.0, 0.5, 0.9])
def test_a_sink_that_heats_under_the_signal_is_no_runaway(gain: float) -> None:
    assert trips_of(warm_drive(gain)) == []


def test_a_driven_channel_that_parts_from_the_other_is_a_runaway() -> None:
    first = trips_of(warm_drive(0.5, parting_mv=20.0))[0]
    assert (first["cause"], first["channel"]) == ("thermal-runaway", "left")
    assert 900.0 < float(str(first["t_s"])) < 1000.0


def test_a_driven_drop_the_rails_do_not_carry_is_no_runaway() -> None:
    bench = warm_drive(0.5)
    # A tone that beats with the scan of one module: the reading climbs, the rails do not.
    t = bench.block.t_s
    bench.add("bias_left_v", np.where(t > 900.0, 0.02 * (1.0 - np.cos((t - 900.0) / 60.0)), 0.0))
    assert [f for f in trips_of(bench) if f["cause"] == "thermal-runaway"] == []


def test_hot_idle_after_drive_is_not_a_bias_set_too_high() -> None:
    bench = driven(0.35)
    t = bench.block.t_s
    # Three times the target half a minute after the signal; it goes as the sink cools.
    cool = np.where(t > 200.0, np.exp(-(t - 200.0) / 150.0), 0.0)
    for side in ("left", "right"):
        bench.add(f"bias_{side}_v", 0.018 * cool)
    assert bench.block.mean[2300, INDEX["bias_left_v"]] > 0.031
    assert trips_of(bench) == []
