"""The seeded corpus on the virtual bench's model: one case per seed.

Even seeds are healthy runs, each with a look-alike in turn; odd seeds hold a fault in
turn. What a seed gives never changes but with the model itself.

Not in it: faults of the board (it keeps no frames then), two faults at once.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

import numpy as np

from benchwarden.core.channels import INDEX
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import Unit
from benchwarden.corpus import bench_look_alikes as look
from benchwarden.corpus.bench_play import Act, Tweak, burn_in, play, power_up
from benchwarden.corpus.case import HEALTHY, HEALTHY_GAIN, MARGINAL, SIDES, Case, Question, Truth
from benchwarden.corpus.random_unit import random_unit
from benchwarden.corpus.recorder_style import gappy, patchy, usual_style, written
from benchwarden.corpus.safe_limits import unsafe_s
from benchwarden.virtual.amplifier import Equilibrium, StageParams, equilibrium, thermal_loop_gain
from benchwarden.virtual.dut import Dut, DutParams

MODEL = "bench"
LOOK_ALIKES = (
    "none", "phone", "transmitter", "clicks", "clipping", "mains-steps", "mains-dips", "draught", "pot-turns",
    "limiter-stages", "gaps", "missing", "fan", "load-switching",
)  # fmt: skip
# Look-alikes that leave the operating point alone: a forecast may be asked in such a run.
_LEAVES_BIAS = ("none", "phone", "transmitter", "clicks", "clipping", "gaps", "missing")
_ASKED_TAUS = (0.5, 1.0, 1.5, 2.0, 3.0)
_HEAT = frozenset({"thermal-runaway", "bias-unstable", "over-temperature"})


@dataclass(frozen=True)
class FaultKind:
    """One kind of faulty run.

    Attributes:
        fault: name in virtual.faults.
        causes: right causes of a trip.
        scene: "idle", "driven", or "limited" (a power-up with the fault there from the start).
        length_s: of the run.
    """

    fault: str
    causes: frozenset[str]
    scene: str = "idle"
    length_s: float = 1520.0


def _causes(*names: str) -> frozenset[str]:
    return frozenset(names)


FAULT_KINDS: dict[str, FaultKind] = {
    "device-shorted limited": FaultKind("device-shorted", _causes("over-current", "dc-offset"), "limited", 200.0),
    "device-shorted": FaultKind("device-shorted", _causes("over-current", "dc-offset"), length_s=500.0),
    "device-shorted driven": FaultKind("device-shorted", _causes("over-current", "dc-offset"), "driven", 900.0),
    "rail-missing": FaultKind("rail-missing", _causes("rail-missing"), length_s=500.0),
    "rail-missing driven": FaultKind("rail-missing", _causes("rail-missing"), "driven", 900.0),
    "bias-high": FaultKind("bias-high", _causes("bias-unstable", "over-current") | _HEAT),
    "runaway-slow": FaultKind("runaway-slow", _causes("thermal-runaway")),
    "runaway-fast": FaultKind("runaway-fast", _causes("thermal-runaway")),
    "runaway-slow driven": FaultKind("runaway-slow", _HEAT, "driven"),
    "spreader-uncoupled": FaultKind("spreader-uncoupled", _HEAT),
    "unstable from the start": FaultKind("", _causes("thermal-runaway", "bias-unstable"), "set up"),
    "poor-interface driven": FaultKind("poor-interface", _HEAT, "driven"),
    "weak-devices driven": FaultKind("weak-devices", _HEAT, "driven"),
    "airflow-blocked driven": FaultKind("airflow-blocked", _HEAT, "driven"),
    "oscillation-small": FaultKind("oscillation-small", _causes("oscillation"), length_s=900.0),
    "oscillation-burst": FaultKind("oscillation-burst", _causes("oscillation"), length_s=900.0),
    "oscillation-gross": FaultKind("oscillation-gross", _causes("oscillation"), length_s=600.0),
    "oscillation-gross driven": FaultKind("oscillation-gross", _causes("oscillation"), "driven", 900.0),
    "offset-jump": FaultKind("offset-jump", _causes("dc-offset"), length_s=600.0),
    "offset-jump driven": FaultKind("offset-jump", _causes("dc-offset"), "driven", 900.0),
    "offset-creep": FaultKind("offset-creep", _causes("dc-offset")),
    "leaky-device": FaultKind("leaky-device", _causes("rail-imbalance", "over-current") | _HEAT),
    "bias-intermittent": FaultKind("bias-intermittent", _causes("bias-unstable"), length_s=900.0),
    "sensor-off": FaultKind("sensor-off", _causes("sensor-fault"), length_s=900.0),
    "sensor-off driven": FaultKind("sensor-off", _causes("sensor-fault"), "driven"),
    "sensor-open": FaultKind("sensor-open", _causes("sensor-fault"), length_s=600.0),
    "sensor-short": FaultKind("sensor-short", _causes("sensor-fault"), length_s=600.0),
    MARGINAL: FaultKind("", _causes("thermal-runaway", "bias-unstable"), "set up", 4000.0),
}
KINDS = (HEALTHY, *FAULT_KINDS)


def kind_of(seed: int) -> str:
    """Return what a seed stands for."""
    if seed % 2 == 0:
        return HEALTHY
    names = tuple(FAULT_KINDS)
    return names[(seed // 2) % len(names)]


def bench_case(seed: int) -> Case:
    """Return the run that this seed stands for."""
    kind = kind_of(seed)
    return _healthy(seed) if kind == HEALTHY else _faulty(seed, kind)


@dataclass
class _Trace:
    """What a forecast is held against, noted once a second."""

    t_s: list[float]
    now: list[tuple[tuple[StageParams, float, float, float], ...]]

    def tweak(self) -> Tweak:
        """Return the hook that notes (stage, setting at this rail, rail, drop that the load adds) per side."""

        def note(dut: Dut, t_s: float) -> None:
            rail = min(dut.supply.pos_v, dut.supply.neg_v)
            share = 1.0 - rail / dut.params.rail_nominal_v
            sides = (dut.left, dut.right)
            self.t_s.append(t_s)
            self.now.append(
                tuple(
                    (s.params, s.setting_v - s.params.line_v * share, rail, s.drop_v - s.idle_a * s.params.emitter_ohm)
                    for s in sides
                )
            )

        return note


def _questions(
    trace: _Trace, block: SampleBlock, since_s: float, until_s: float, absent: tuple[str, ...]
) -> list[Question]:
    """Return what may be asked in the stretch since_s to until_s."""
    found = []
    times = np.array(trace.t_s)
    ambient = block.mean[:, INDEX["ambient_c"]]
    for side, name in enumerate(SIDES):
        if f"bias_{name}_v" in absent:
            continue
        stage, setting, rail, _ = trace.now[int(np.searchsorted(times, min(since_s + 30.0, until_s)))][side]
        room_c = float(ambient[int(np.searchsorted(block.t_s, since_s))])
        end = equilibrium(stage, setting, rail, room_c)
        if end is None:
            continue
        gain = _sink_gain(stage, rail, end)
        if gain >= 0.98:
            continue
        tau_s = stage.rth_sa * (stage.c_sink + 2.0 * stage.pairs * stage.c_case) / (1.0 - gain)
        for taus in _ASKED_TAUS:
            t = since_s + taus * tau_s
            if t >= until_s:
                break
            # Mains and room wander: where it would end as they were over the last minute.
            i = int(np.searchsorted(times, t))
            last = [row[side] for row in trace.now[max(0, i - 60) : i]]
            late = (block.t_s > t - 60.0) & (block.t_s <= t)
            end = equilibrium(
                stage,
                float(np.mean([row[1] for row in last])),
                float(np.mean([row[2] for row in last])),
                float(np.mean(ambient[late])),
            )
            if end is not None:
                # What the meter will show, DC through the load and all.
                final_v = end.current_a * stage.emitter_ohm + float(np.mean([row[3] for row in last]))
                found.append(Question(t, side, taus, final_v, gain, tau_s))
    return sorted(found, key=lambda q: q.t_s)


def _sink_gain(stage: StageParams, rail_v: float, end: Equilibrium) -> float:
    """Return the loop gain through the heatsink, junctions closed inside it."""
    drop_v = end.current_a * stage.emitter_ohm
    whole, own = (
        thermal_loop_gain(s, rail_v, drop_v=drop_v, junction_c=end.junction_c)
        for s in (stage, replace(stage, rth_sa=0.0))
    )
    return (whole - own) / (1.0 - own)


def _params(unit: Unit, seed: int, gain: float | None, pot: str = "auto") -> DutParams:
    """Return a model of this loop gain, or of one that its own spreader gives where that would be no real spreader."""
    params = DutParams.from_unit(unit, seed, loop_gain=gain, pot=pot)
    if all(0.3 <= s.compensation <= 1.4 for s in (params.left, params.right)):
        return params
    return DutParams.from_unit(unit, seed, pot=pot)


def _true_gain(params: DutParams) -> float:
    """Return the larger loop gain of the two channels at their target, warm."""
    return max(thermal_loop_gain(s, params.rail_nominal_v, drop_v=s.target_drop_v) for s in (params.left, params.right))


def _rate(rng: random.Random) -> int:
    """Return scans per frame: mostly the board's ten frames a second."""
    return rng.choices((10, 100, 5), (75, 15, 10))[0]


def _healthy(seed: int) -> Case:
    rng = random.Random(f"bench/healthy/{seed}")
    kind = LOOK_ALIKES[(seed // 2) % len(LOOK_ALIKES)]
    also = rng.choice(("none", "none", "phone", "transmitter", "clicks"))
    kinds = tuple(dict.fromkeys(k for k in (kind, also) if k != "none")) or ("none",)
    unit = random_unit(rng)
    per = _rate(rng)
    wanted = rng.uniform(0.2, 0.78)
    by_hand = kind == "limiter-stages" or (kind == "none" and rng.random() < 0.3)
    if by_hand:
        unit = replace(unit, run_type="power-up", load_connected=False)
    unit = replace(unit, sample_rate_hz=100.0 / per)
    params = _params(unit, seed, wanted)
    gain = _true_gain(params)
    tweaks: list[Tweak] = []
    if by_hand:
        acts = [replace(a, turn_s=rng.uniform(1.0, 15.0)) for a in power_up(rng.uniform(1500.0, 2700.0))]
        tweaks.append(look.trimming(acts[5].at_s + 10.0, unit, gain))
        idle_s = (math.nan, math.nan)
    else:
        acts, idle_s = _burn_in_acts(rng, unit, kind)
    added = [_additions(k, rng, unit, idle_s, gain) for k in kinds]
    trace = _Trace([], [])
    tweaks += [t for a in added for t in a.tweaks] + [trace.tweak()]
    run = play(
        unit,
        acts,
        seed,
        tweaks=tuple(tweaks),
        overlays=tuple(o for a in added for o in a.overlays),
        params=params,
        scans_per_frame=per,
    )
    style = usual_style(rng)
    if kind == "gaps":
        style = gappy(rng, style, acts[-1].at_s)
    elif kind == "missing":
        style = patchy(rng, style)
    questions: list[Question] = []
    if not by_hand and all(k in _LEAVES_BIAS for k in kinds):
        questions = _questions(trace, run.block, *idle_s, style.absent)
    truth = Truth(
        MODEL,
        HEALTHY if gain < HEALTHY_GAIN else MARGINAL,
        seed,
        look_alikes=kinds,
        causes=frozenset() if gain < HEALTHY_GAIN else FAULT_KINDS[MARGINAL].causes,
        damaged=run.damaged,
        unsafe_s=unsafe_s(run.unit, run.block),
        loop_gain=gain,
        questions=tuple(questions),
    )
    return Case(run.unit, written(run.block, style, seed), truth, style.bits)


def _burn_in_acts(rng: random.Random, unit: Unit, kind: str) -> tuple[list[Act], tuple[float, float]]:
    """Return the acts and the stretch of undisturbed idling after switch-on."""
    # An eighth of the rated power at most, as the plan drives; or the test signal at clipping and beyond.
    drive = rng.uniform(0.6, 1.0) * (2.0 * unit.rated_power_w / 8.0 * unit.load_ohm) ** 0.5
    drive /= unit.rail_nominal_v - 2.5
    idle_s, driven_s, after_s = rng.uniform(300.0, 900.0), rng.uniform(200.0, 600.0), rng.uniform(300.0, 900.0)
    if kind == "clipping":
        drive, driven_s = rng.uniform(0.96, 1.15), rng.uniform(20.0, 90.0)
    elif kind in _LEAVES_BIAS and rng.random() < 0.5:
        idle_s = rng.uniform(2400.0, 5400.0)
    elif rng.random() < 0.15:
        idle_s, driven_s, after_s = 1800.0, 3600.0, 1800.0
    acts = burn_in(idle_s, driven_s, after_s, drive)
    return acts, (acts[3].at_s + 3.0, acts[4].at_s)


def _additions(kind: str, rng: random.Random, unit: Unit, idle_s: tuple[float, float], gain: float) -> look.Additions:
    at_s = rng.uniform(80.0, 400.0)
    if kind == "phone":
        return look.phone(rng, at_s)
    if kind == "transmitter":
        return look.transmitter(rng, at_s)
    if kind == "clicks":
        return look.clicks(rng, at_s)
    if kind == "mains-steps":
        return look.mains_steps(rng, at_s)
    if kind == "mains-dips":
        return look.mains_dips(rng, at_s)
    if kind == "draught":
        return look.draught(rng, at_s)
    if kind == "pot-turns":
        return look.pot_turns(rng, at_s, unit, gain)
    if kind == "fan":
        return look.fan(rng)
    if kind == "load-switching":
        return look.load_switching(rng, at_s)
    return look.Additions()


def _faulty(seed: int, name: str) -> Case:
    rng = random.Random(f"bench/{name}/{seed}")
    kind = FAULT_KINDS[name]
    per = _rate(rng)
    unit = replace(random_unit(rng), sample_rate_hz=100.0 / per)
    severity = rng.uniform(0.3, 1.0)
    side = rng.choice(SIDES)
    at_s = rng.uniform(90.0, 0.3 * kind.length_s + 30.0)
    style = usual_style(rng)
    tweaks: list[Tweak] = []
    faults: tuple[tuple[str, float, float, str], ...] = ((kind.fault, severity, at_s, side),)
    end = Act(kind.length_s - 20.0, "relay open again", 0, False, closed=False, turn_s=0.0)
    trace = _Trace([], [])
    asked: tuple[float, float] | None = None
    if kind.scene == "limited":
        unit = replace(unit, run_type="power-up", load_connected=False)
        params = _params(unit, seed, None)
        acts, at_s = [*power_up(60.0)[:-1], end], 0.0
        faults = ((kind.fault, severity, 0.0, side),)
    elif kind.scene == "set up":
        gain = rng.uniform(0.82, 0.97) if name == MARGINAL else rng.uniform(1.1, 3.0)
        params = DutParams.from_unit(unit, seed, loop_gain=gain, pot="minimum")
        acts, faults, at_s = [*burn_in()[:4], end], (), rng.uniform(60.0, 300.0)
        share = 0.3 if name == MARGINAL else 1.0
        tweaks.append(_set_once(at_s, unit, share))
        asked = (at_s + 3.0, end.at_s) if name == MARGINAL else None
    elif kind.scene == "driven":
        params = _params(unit, seed, None)
        drive = (2.0 * unit.rated_power_w / 8.0 * unit.load_ohm) ** 0.5 / (unit.rail_nominal_v - 2.5)
        acts = burn_in(200.0, kind.length_s - 280.0, 20.0, drive)
        at_s = rng.uniform(260.0, 240.0 + 0.5 * (kind.length_s - 280.0))
        faults = ((kind.fault, severity, at_s, side),)
    else:
        params = _params(unit, seed, None)
        acts = [*burn_in(900.0)[:4], end]
    run = play(
        unit,
        acts,
        seed,
        faults=faults,
        tweaks=(*tweaks, trace.tweak()),
        end_s=kind.length_s,
        params=params,
        scans_per_frame=per,
        damage_ends=True,
    )
    truth = Truth(
        MODEL,
        name,
        seed,
        severity=severity,
        onset_s=at_s,
        channel=side if faults else "",
        causes=kind.causes,
        driven=kind.scene == "driven",
        damaged=run.damaged,
        loop_gain=_true_gain(params) if kind.scene == "set up" else math.nan,
        questions=tuple(_questions(trace, run.block, *asked, style.absent)) if asked and not run.damaged else (),
    )
    return Case(run.unit, written(run.block, style, seed), truth, style.bits)


def _set_once(at_s: float, unit: Unit, share: float) -> Tweak:
    """Return a person who turns both pots from minimum to a share of the target, once."""
    left = [at_s]

    def tweak(dut: Dut, t_s: float) -> None:
        if left and t_s >= left[0]:
            left.clear()
            for side in SIDES:
                dut.pot(side, share * unit.target_bias_drop_mv)

    return tweak
