"""Judge many varied runs on the amplifier model and print how often it is right.

    python tests/bench_judge.py --first-seed 6000 --runs 200

Prints trips and misses per fault, false trips on healthy runs with look-alikes,
wrong causes, and lead before damage. Settings were chosen on seeds below 6000; report
figures of seeds from 7000 on.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "recordings"))

from bench_run import Act, Overlay, Run, Tweak, burn_in, play, power_up, set_pots

from benchwarden.analysis.judge import Judge
from benchwarden.core.channels import INDEX
from benchwarden.core.samples import FloatArray
from benchwarden.core.unit import Unit
from benchwarden.virtual.dut import Dut

# Which causes are right for which fault; an empty set means that silence is right.
FAULTS: dict[str, set[str]] = {
    "device-shorted": {"over-current", "dc-offset"},
    "rail-missing": {"rail-missing"},
    "bias-high": {"bias-unstable", "thermal-runaway", "over-current"},
    "runaway-slow": {"thermal-runaway"},
    "runaway-fast": {"thermal-runaway"},
    "oscillation-small": {"oscillation"},
    "oscillation-burst": {"oscillation"},
    "oscillation-gross": {"oscillation"},
    "offset-jump": {"dc-offset"},
    "offset-creep": {"dc-offset"},
    "leaky-device": {"bias-unstable", "thermal-runaway", "rail-imbalance"},
    "bias-intermittent": {"bias-unstable"},
    "sensor-off": {"sensor-fault"},
    "sensor-open": {"sensor-fault"},
    "sensor-short": {"sensor-fault"},
    "runaway-slow driven": {"thermal-runaway", "bias-unstable", "over-temperature"},
    "poor-interface driven": {"thermal-runaway", "bias-unstable", "over-temperature"},
    "weak-devices driven": {"thermal-runaway", "bias-unstable", "over-temperature"},
    "sensor-off driven": {"sensor-fault"},
}


def random_unit(rng: random.Random) -> Unit:
    """Return an invented amplifier: +-30 to 70 V, 20 to 150 W, one to three pairs, both packages."""
    rail = rng.uniform(30.0, 70.0)
    load = rng.choice((4.0, 8.0, 8.0))
    power = min(max(rng.uniform(0.55, 0.8) * rail**2 / (2.0 * load), 20.0), 150.0)
    emitter = rng.choice((0.1, 0.22, 0.22, 0.33, 0.47))
    pairs = 1 if power < 70.0 else rng.choice((1, 2, 3))
    # 25 to 120 mA a pair is what sets of this class idle at (common practice, no source).
    target = min(max(rng.uniform(0.025, 0.12) * emitter * 1e3, 3.0), 30.0)
    return Unit(
        rated_power_w=round(power),
        load_ohm=load,
        rail_nominal_v=round(rail, 1),
        emitter_resistor_ohm=emitter,
        output_pairs=pairs,
        target_bias_drop_mv=round(target, 1),
        limiter_lamp_w=rng.choice((60.0, 100.0, 150.0)),
        package=rng.choice(("metal-can", "plastic")),
        reservoir_uf=rng.choice((4700.0, 6800.0, 10000.0, 15000.0)),
        shunt_position=rng.choice(("rail-fuse", "rail-fuse", "rail-fuse", "before-reservoir")),
        load_connected=True,
        run_type="burn-in",
    )


def phone(rng: random.Random, start_s: float) -> Overlay:
    """Return a telephone beside the bench: one slot in eight of 4.615 ms for seconds, on one or both outputs."""
    length, level, side = rng.uniform(0.5, 8.0), rng.uniform(0.3, 6.0), rng.choice((0, 1, 2))

    def overlay(t_s: FloatArray, values: FloatArray, noise: np.random.Generator) -> None:
        on = (t_s >= start_s) & (t_s < start_s + length)
        hit = on & (noise.random(len(t_s)) < 1.0 / 8.0 + 0.0012 / 0.004615)
        for k, name in enumerate(("hf_left_v", "hf_right_v")):
            if side in (k, 2):
                values[INDEX[name]] += np.where(hit, level * noise.uniform(0.3, 1.0, len(t_s)), 0.0)

    return overlay


def transmitter(rng: random.Random, start_s: float) -> Overlay:
    """Return a transmitter that keys for minutes: both outputs, nothing from the rails."""
    length, level, ratio = rng.uniform(60.0, 300.0), rng.uniform(0.2, 4.0), rng.uniform(0.3, 1.0)

    def overlay(t_s: FloatArray, values: FloatArray, noise: np.random.Generator) -> None:
        on = (t_s >= start_s) & (t_s < start_s + length)
        fading = 1.0 + 0.2 * np.sin(2.0 * np.pi * t_s / 17.0)
        values[INDEX["hf_left_v"]] += np.where(on, level * fading, 0.0)
        values[INDEX["hf_right_v"]] += np.where(on, level * ratio * fading, 0.0)

    return overlay


def clicks(rng: random.Random, start_s: float) -> Overlay:
    """Return switch clicks: single scans on HF and offset, now and then."""
    times = [start_s + rng.uniform(0.0, 400.0) for _ in range(12)]

    def overlay(t_s: FloatArray, values: FloatArray, noise: np.random.Generator) -> None:
        for at in times:
            i = int(np.searchsorted(t_s, at))
            if i < len(t_s):
                for name in ("hf_left_v", "hf_right_v"):
                    values[INDEX[name], i] += noise.uniform(1.0, 15.0)
                for name in ("offset_left_v", "offset_right_v"):
                    values[INDEX[name], i] += noise.uniform(-2.0, 2.0)

    return overlay


def mains_steps(rng: random.Random, start_s: float) -> Tweak:
    """Return a mains that steps by up to 6 % every few minutes."""
    times = sorted(start_s + rng.uniform(0.0, 900.0) for _ in range(4))
    sizes = [rng.uniform(-6.0, 6.0) for _ in times]

    def tweak(dut: Dut, t_s: float) -> None:
        for at, size in zip(times, sizes, strict=True):
            if at <= t_s < at + 1.0 and dut.variac_pct > 80.0:
                dut.variac_pct = 100.0 + size

    return tweak


def healthy(seed: int) -> Run:
    """Return a healthy run with one or two look-alikes."""
    rng = random.Random(f"healthy/{seed}")
    unit = random_unit(rng)
    at = rng.uniform(80.0, 400.0)
    overlays: list[Overlay] = []
    tweaks: list[Tweak] = []
    for kind in rng.sample(("phone", "transmitter", "clicks", "steps", "none"), 2):
        if kind == "phone":
            overlays += [phone(rng, at + 40.0 * i) for i in range(4)]
        elif kind == "transmitter":
            overlays.append(transmitter(rng, at))
        elif kind == "clicks":
            overlays.append(clicks(rng, at))
        elif kind == "steps":
            tweaks.append(mains_steps(rng, at))
    if rng.random() < 0.35:
        unit = replace(unit, run_type="power-up", load_connected=False)
        acts = power_up(rng.uniform(300.0, 900.0))
        acts = [replace(a, turn_s=rng.uniform(1.0, 15.0)) for a in acts]
        tweaks.append(set_pots(acts[5].at_s + 10.0, unit))
    else:
        drive = rng.choice((0.2, 0.35, 0.35, 0.58, 1.0, 1.1))
        acts = burn_in(rng.uniform(200.0, 900.0), rng.uniform(120.0, 600.0), rng.uniform(120.0, 600.0), drive)
    return play(unit, acts, seed, tweaks=tuple(tweaks), overlays=tuple(overlays))


def long_healthy(seed: int) -> Run:
    """Return a burn-in of two hours at the plan's signal, which may come with a look-alike."""
    rng = random.Random(f"long/{seed}")
    unit = random_unit(rng)
    peak_v = (2.0 * unit.rated_power_w / 8.0 * unit.load_ohm) ** 0.5
    acts = burn_in(1800.0, 3600.0, 1800.0, peak_v / (unit.rail_nominal_v - 2.5))
    tweaks = (mains_steps(rng, rng.uniform(300.0, 5000.0)),) if rng.random() < 0.5 else ()
    return play(unit, acts, seed, tweaks=tweaks)


def faulty(seed: int, name: str) -> tuple[Run, float, float]:
    """Return a run with one fault, its severity and its onset."""
    rng = random.Random(f"{name}/{seed}")
    unit = random_unit(rng)
    severity = rng.uniform(0.3, 1.0)
    at = rng.uniform(90.0, 350.0)
    acts = [*burn_in(900.0)[:4], Act(1500.0, "relay open again", 0, False, closed=False, turn_s=0.0)]
    if name.endswith(" driven"):
        acts = burn_in(200.0, 1240.0, 20.0)
        at = rng.uniform(260.0, 800.0)
    side = rng.choice(("left", "right"))
    run = play(unit, acts, seed, faults=((name.removesuffix(" driven"), severity, at, side),), end_s=1520.0)
    return run, severity, at


def judged(run: Run) -> list[dict[str, object]]:
    judge = Judge(run.unit)
    judge.feed(run.block)
    trips: list[dict[str, object]] = judge.finish()["trips"]
    return trips


def _per_1000_h(trips: int, hours: float) -> str:
    """Return the rate with its exact 95 % Poisson interval (Garwood 1936)."""
    if hours <= 0.0:
        return "no hours"
    low = float(stats.chi2.ppf(0.025, 2 * trips)) / 2.0 if trips else 0.0
    high = float(stats.chi2.ppf(0.975, 2 * trips + 2)) / 2.0
    return f"{1e3 * trips / hours:.0f} per 1000 h (95 %: {1e3 * low / hours:.0f} to {1e3 * high / hours:.0f})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first-seed", type=int, default=7000)
    parser.add_argument("--runs", type=int, default=120)
    parser.add_argument("--only", default="")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    rows: dict[str, list[tuple[str, float, float]]] = defaultdict(list)
    hours, false_trips, started = 0.0, 0, time.perf_counter()
    kinds = ["healthy", *FAULTS]
    for i in range(args.runs):
        seed = args.first_seed + i
        name = "healthy" if i % 2 == 0 else kinds[1 + (i // 2) % len(FAULTS)]
        if args.only and name not in args.only.split(","):
            continue
        if name == "healthy":
            run = long_healthy(seed) if i % 16 == 0 else healthy(seed)
            trips = judged(run)
            hours += len(run.block) / 36000.0
            if trips or run.damaged:
                # A set that the model destroys was not healthy, whatever it was meant to be.
                false_trips += bool(trips) and not run.damaged
                print(f"  seed {seed} healthy: {trips[:1]} damage {run.damaged[:1]}")
            continue
        run, severity, at = faulty(seed, name)
        trips = judged(run)
        damage_s = run.damaged[0][0] if run.damaged else float("inf")
        first = trips[0] if trips else None
        if first is None:
            word, t_s = "missed" if run.damaged else "silent, nothing destroyed", float("nan")
        else:
            t_s = float(str(first["t_s"]))
            if t_s < at:
                word = "before onset"
            elif first["cause"] not in FAULTS[name]:
                word = f"wrong: {first['cause']}"
            else:
                word = "right"
            if t_s >= damage_s:
                word += ", after damage"
        rows[name].append((word, t_s - at, damage_s - t_s))
        if args.verbose or word != "right":
            print(f"  seed {seed} {name} {severity:.2f} at {at:.0f}: {word} {first} damage {run.damaged[:1]}")
    for name, found in rows.items():
        words: dict[str, int] = defaultdict(int)
        for word, _, _ in found:
            words[word] += 1
        delays = [d for _, d, _ in found if d == d]
        leads = [lead for _, _, lead in found if np.isfinite(lead)]
        text = f"{name:20s} {len(found):3d} runs  " + ", ".join(f"{w} {n}" for w, n in sorted(words.items()))
        if delays:
            text += f"; after onset median {np.median(delays):.1f} s"
        if leads:
            text += f"; lead before damage median {np.median(leads):.1f} s, least {min(leads):.1f} s ({len(leads)})"
        print(text)
    print(f"healthy: {hours:.1f} h, {false_trips} false trips, {_per_1000_h(false_trips, hours)}")
    print(f"took {time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
