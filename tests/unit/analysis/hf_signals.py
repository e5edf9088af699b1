"""Look-alikes and oscillations for HF tests, on the plain bench of `signals`: seeded, no amplifier model."""

from __future__ import annotations

import numpy as np
from signals import Bench, unit

from benchwarden.core.channels import INDEX
from benchwarden.core.samples import FloatArray
from benchwarden.core.unit import Unit

SIDES = ("left", "right")
RAILS = ("rail_pos_a", "rail_neg_a")
# GSM: eight slots of 577 us in a frame of 4.615 ms (3GPP TS 45.002, from memory).
SLOT_S, TDMA_S = 577e-6, 4.615e-3


def noisy(rng: np.random.Generator, n: int, kind: str, sigma: float) -> FloatArray:
    """Return noise of a kind: white, pink (sum of octaves), heavy (Student, 3 degrees), walk (and white)."""
    white = rng.standard_normal(n)
    if kind == "pink":
        out = white.copy()
        for octave in range(1, 12):
            out += np.repeat(rng.standard_normal(n // 2**octave + 1), 2**octave)[:n]
        return sigma * out / np.sqrt(12.0)
    if kind == "heavy":
        return sigma * rng.standard_t(3.0, n) / np.sqrt(3.0)
    if kind == "walk":
        return sigma * (white + 0.05 * np.cumsum(rng.standard_normal(n)))
    return sigma * white


def bench(rng: np.random.Generator, length_s: float, facts: Unit | None = None, extremes: bool = True) -> Bench:
    """Return a healthy bench whose currents, drops and HF have noise drawn from several kinds and sizes."""
    facts = facts or unit()
    made = Bench(facts, length_s, seed=int(rng.integers(1 << 30)), rate_hz=facts.sample_rate_hz)
    n = len(made.block)
    # Common to both rails: what the set itself does.
    common = noisy(rng, n, str(rng.choice(["white", "pink", "walk"])), 10.0 ** rng.uniform(-4.5, -2.8))
    powered = made.block.mains_on.astype(float)
    kind = str(rng.choice(["white", "pink", "heavy", "walk"]))
    for name in RAILS:
        made.add(name, powered * (common + noisy(rng, n, kind, 10.0 ** rng.uniform(-4.5, -2.5))))
    for side in SIDES:
        made.add(f"bias_{side}_v", powered * noisy(rng, n, kind, 10.0 ** rng.uniform(-5.5, -4.0)))
        made.add(f"hf_{side}_v", rng.uniform(-0.01, 0.06) + noisy(rng, n, kind, 10.0 ** rng.uniform(-4.0, -2.2)))
    step = float(rng.choice([0.0, 3e-5, 1e-3, 5e-3]))
    blocks = (made.block.mean, made.block.minimum, made.block.maximum)
    for array in blocks:
        array[:, INDEX["hf_left_v"] :] = np.maximum(array[:, INDEX["hf_left_v"] :], 0.0)
        if step:
            for name in RAILS:
                array[:, INDEX[name]] = np.round(array[:, INDEX[name]] / step) * step
    if not extremes:
        plain(made)
    return made


def plain(made: Bench) -> None:
    """Take the extremes away, as a recording without their columns has it."""
    made.block.minimum[:] = made.block.mean
    made.block.maximum[:] = made.block.mean


def raised(made: Bench, side: str, level_v: FloatArray, low_v: FloatArray | None = None) -> None:
    """Add a level to an HF channel's mean and maximum, and to its minimum (or less)."""
    i = INDEX[f"hf_{side}_v"]
    made.block.mean[:, i] += level_v
    made.block.maximum[:, i] += level_v
    made.block.minimum[:, i] += level_v if low_v is None else low_v


def currents(made: Bench, amps: FloatArray, side: str = "") -> None:
    """Add to both rail currents, and to the bias drop through which they go."""
    for name in RAILS:
        made.add(name, amps)
    if side:
        made.add(f"bias_{side}_v", amps * made.unit.emitter_resistor_ohm / made.unit.output_pairs)


def transmitter(made: Bench, rng: np.random.Generator, start_s: float, long_s: float, most_v: float = 5.0) -> None:
    """Key a transmitter: both outputs unequally, carrier, speech or Morse, with or without the rails' power."""
    t = made.block.t_s
    on = (t >= start_s) & (t < start_s + long_s)
    kind = rng.choice(["carrier", "fading", "speech", "morse", "passing by"])
    shape = on.astype(float)
    if kind == "fading":
        shape *= 1.0 + rng.uniform(0.1, 0.6) * np.sin(2.0 * np.pi * t / rng.uniform(5.0, 60.0))
    elif kind == "speech":
        shape *= np.abs(noisy(rng, len(t), "pink", 1.0))
    elif kind == "morse":
        shape *= np.repeat(rng.random(len(t) // 3 + 1) < 0.5, 3)[: len(t)]
    elif kind == "passing by":
        shape *= np.exp(-(((t - start_s - 0.5 * long_s) / (0.2 * long_s)) ** 2))
    level = 10.0 ** rng.uniform(-1.0, np.log10(most_v))
    # 8 dB between leads a hand's width apart; in one case of ten almost one output only.
    ratio = 10.0 ** (-abs(rng.normal(0.0, 8.0)) / 20.0) if rng.random() < 0.9 else 10.0 ** rng.uniform(-2.0, -1.0)
    sides = SIDES if rng.random() < 0.5 else SIDES[::-1]
    raised(made, sides[0], level * shape)
    raised(made, sides[1], level * ratio * shape)
    if rng.random() < 0.5:
        # Rectified in the set: half a millivolt of offset per volt, and a little bias.
        for side in SIDES:
            made.add(f"offset_{side}_v", rng.normal(0.0, 5e-4) * level * shape)
            made.add(f"bias_{side}_v", rng.normal(0.0, 5e-5) * level * shape)


def telephone(made: Bench, rng: np.random.Generator, start_s: float, long_s: float) -> None:
    """Let a telephone send one slot in eight: what a 100 Hz scan meets is chance, minima stay down."""
    t, period = made.block.t_s, 1.0 / made.unit.sample_rate_hz
    scans = max(round(100.0 * period), 1)
    on = (t >= start_s) & (t < start_s + long_s)
    # The detector holds a slot for about a millisecond.
    hits = rng.binomial(scans, (SLOT_S + 1.2e-3) / TDMA_S, len(t))
    level = 10.0 ** rng.uniform(-0.7, 0.8)
    sides = SIDES if rng.random() < 0.7 else (str(rng.choice(SIDES)),)
    for side in sides:
        i, v = INDEX[f"hf_{side}_v"], level * rng.uniform(0.3, 1.0)
        made.block.mean[:, i] += np.where(on, v * hits / scans, 0.0)
        made.block.maximum[:, i] += np.where(on & (hits > 0), v, 0.0)
        made.block.minimum[:, i] += np.where(on & (hits == scans), v, 0.0)


def clicks(made: Bench, rng: np.random.Generator, start_s: float, count: int) -> None:
    """Put single frames on HF and offset, with a flicker of the rail currents now and then."""
    for at in start_s + np.cumsum(rng.exponential(20.0, count)):
        i = int(np.searchsorted(made.block.t_s, at))
        if i >= len(made.block):
            return
        level = rng.uniform(0.3, 10.0)
        share = rng.uniform(0.3, 1.0)
        for array, part in ((made.block.mean, 0.1), (made.block.maximum, 1.0)):
            array[i, INDEX["hf_left_v"]] += part * level
            array[i, INDEX["hf_right_v"]] += part * level * share
            for side in SIDES:
                array[i, INDEX[f"offset_{side}_v"]] += part * rng.normal(0.0, 0.5)
            if rng.random() < 0.3:
                for name in RAILS:
                    array[i, INDEX[name]] += part * rng.normal(0.0, 0.05)


def disturbances(made: Bench, rng: np.random.Generator, count: int) -> None:
    """Move the currents for reasons of their own: mains steps, a lamp on one rail, a hand on a pot."""
    for at in rng.uniform(60.0, made.length_s, count):
        what, t = rng.choice(["mains", "lamp", "pot"]), made.block.t_s
        if what == "mains":
            share, back = rng.uniform(-0.03, 0.03), at + rng.exponential(120.0)
            on = ((t >= at) & (t < back)).astype(float) * share
            made.add("rail_pos_v", 42.0 * on)
            made.add("rail_neg_v", -42.0 * on)
            currents(made, 0.13 * 3.0 * on)
            for side in SIDES:
                made.add(f"bias_{side}_v", 0.011 * 3.0 * on)
        elif what == "lamp":
            made.bump("rail_pos_a", at, at + rng.exponential(200.0), rng.uniform(0.01, 0.06))
        else:
            turned = rng.normal(0.0, 0.003) * np.clip((t - at) / rng.uniform(0.5, 4.0), 0.0, 1.0)
            currents(made, turned * made.unit.output_pairs / made.unit.emitter_resistor_ohm, "")
            made.add(f"bias_{rng.choice(SIDES)}_v", turned)
