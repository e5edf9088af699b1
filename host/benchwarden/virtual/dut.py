"""The amplifier on the virtual bench, electrical and thermal, from the wall to the terminals.

`Dut` holds the mains side, the supply and two output stages and gives the true
values at the points where the bench's sensors sit; what sensors and converters
make of them is the business of their own models. Every figure it produces is
computed, never measured.

Time moves in quanta of at most 10 ms. For half a second after anything on the
mains side changed or a fault began every call moves the model; otherwise short calls are
gathered until 10 ms are due, and the outputs stand still until then (but for
the charging pulses, where the shunts see them).

Not modelled: audio-frequency waveforms (means and peaks over a signal cycle
instead), ripple on the rails, transformer inrush through core saturation,
output relay and protection circuits of the set itself, loudspeakers (a load is
a resistor), second breakdown, wiring, mechanical damage, smoke. Devices of one
channel are alike, and the channels share mains and rails but no heatsink. See
the modules amplifier, mains, lamp and thermal for what each leaves out.
"""

from __future__ import annotations

import bisect
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from benchwarden.core.unit import Unit
from benchwarden.virtual import faults as _faults
from benchwarden.virtual.amplifier import (
    SATURATION_V,
    START_V,
    OutputStage,
    StageParams,
    compensation_for_loop_gain,
    drop_at,
    setting_for,
    temperatures_at,
    thermal_loop_gain,
)
from benchwarden.virtual.mains import STILL, Noise, Supply, SupplyParams, Wander, WanderParams, half_winding_for

__all__ = ["Damage", "Dut", "DutParams", "thermal_loop_gain"]

QUANTUM_S = 0.01
_FAST_S = 0.5
# A junction survives its rating by some margin before it fails at once; the
# size of that margin is common practice, no source.
JUNCTION_MARGIN_K = 25.0
# Overload at which an output-network resistor opens, times its rating, smoothed
# over its thermal time of 8 s; common practice, no source.
SNUB_OVERLOAD = 4.0
# DC that a loudspeaker's voice coil does not survive for seconds; common practice, no source.
LOAD_DC_W = 10.0
_FAILED_PATH_OHM = 0.25
_KNOWN = _faults.FAULTS | _faults.LOOK_ALIKES | _faults.BOARD_FAULTS
CHANNELS = ("left", "right")

Damage = tuple[float, str]


@dataclass(frozen=True)
class DutParams:
    """Everything that makes one amplifier and its surroundings.

    Attributes:
        supply: mains, transformer, reservoirs, lamp.
        left, right: output stages.
        rail_nominal_v: each rail at full mains, idle.
        other_a: what everything but the output stages draws, at nominal rail.
        reform_a: extra leakage of each reservoir when power first comes, at nominal rail.
        reform_tau_s: how fast that leakage goes away under full voltage.
        pot_drop_v: drop the pots were left at, cold, or None for the minimum
            setting of a freshly repaired set.
        shunt_position: "rail-fuse" or "before-reservoir".
    """

    supply: SupplyParams
    left: StageParams
    right: StageParams
    rail_nominal_v: float
    load_ohm: float
    load_connected: bool = False
    other_a: float = 0.03
    reform_a: float = 0.0
    reform_tau_s: float = 180.0
    pot_drop_v: tuple[float, float] | None = None
    shunt_position: str = "rail-fuse"
    ambient_c: float = 23.0
    wander: WanderParams = field(default_factory=WanderParams)

    @classmethod
    def from_unit(
        cls, unit: Unit, seed: int, *, pot: str = "auto", loop_gain: float | None = None, still: bool = False
    ) -> DutParams:
        """Return a plausible amplifier with these facts; what the facts leave open is drawn by seed.

        Args:
            pot: "minimum", "set" (each channel set so that it settles at the
                target drop), or "auto": set for a burn-in, minimum for a power-up.
            loop_gain: thermal loop gain of both channels at target; drawn
                between 0.15 and 0.6 if None.
            still: mains and ambient that do not wander.
        """
        rng = random.Random(seed)

        def near(value: float, spread: float) -> float:
            return value * (1.0 + spread * max(-2.0, min(2.0, rng.gauss(0.0, 1.0))))

        rail = unit.rail_nominal_v
        ambient = 23.0 if still else rng.uniform(19.0, 28.0)
        metal = unit.package == "metal-can"
        rth_jc = unit.rth_jc_k_per_w or near(1.3 if metal else 1.1, 0.1)
        rth_cs = unit.rth_cs_k_per_w or near(0.6, 0.15)
        clip_w = (rail - SATURATION_V) ** 2 / (2.0 * unit.load_ohm)
        # Sized for 55 K at one eighth of the clipping power, sine; common
        # practice, no source.
        rth_sa = unit.sink_k_per_w or near(55.0 / (0.325 * clip_w), 0.15)
        current = unit.target_bias_drop_mv * 1e-3 / unit.emitter_resistor_ohm
        stages = []
        for _ in CHANNELS:
            stage = StageParams(
                pairs=unit.output_pairs,
                emitter_ohm=near(unit.emitter_resistor_ohm, 0.02),
                target_drop_v=unit.target_bias_drop_mv * 1e-3,
                ohmic_ohm=near(0.05, 0.3),
                saturation_a=2e-12 * math.exp(0.4 * rng.gauss(0.0, 1.0)),
                coupling=rng.uniform(0.85, 0.97),
                line_v=rng.uniform(0.001, 0.008),
                spreader_lag_s=rng.uniform(15.0, 60.0),
                sensor_lag_s=rng.uniform(4.0, 9.0),
                tj_max_c=unit.tj_max_c or (200.0 if metal else 150.0),
                rth_jc=near(rth_jc, 0.03),
                rth_cs=near(rth_cs, 0.08),
                rth_sa=near(rth_sa, 0.04),
                c_junction=near(0.03, 0.2),
                c_case=near(5.5 if metal else 2.2, 0.1),
                c_sink=near(rng.uniform(400.0, 900.0) / rth_sa, 0.03),
                offset_v=rng.gauss(0.0, 0.008),
                offset_v_per_k=rng.gauss(0.0, 8e-5),
                oscillation_hz=rng.uniform(0.4e6, 4e6),
                cross_a_per_v=rng.uniform(0.02, 0.04),
                hf_floor_v=rng.uniform(0.008, 0.025),
            )
            wanted = rng.uniform(0.15, 0.6) if loop_gain is None else loop_gain
            warm = temperatures_at(stage, current, rail, ambient).junction_c
            ratio = compensation_for_loop_gain(stage, rail, wanted, junction_c=warm)
            if loop_gain is None:
                # A spreader cannot be worse than absent; a stage that is tame
                # by its own emitter resistors keeps what the draw gave.
                ratio = max(min(ratio, 1.3), 0.4)
            stages.append(replace(stage, compensation=ratio))
        full = sum(s.pairs * current for s in stages) + unit.quiescent_other_a
        supply = _supply_for(unit, full, near)
        if pot == "auto":
            pot = "set" if unit.run_type == "burn-in" else "minimum"
        drops = None
        if pot == "set":
            cold = []
            for stage in stages:
                warm_at = temperatures_at(stage, stage.target_drop_v / stage.emitter_ohm, rail, ambient)
                setting = setting_for(stage, warm_at.current_a, warm_at)
                cold.append(drop_at(stage, setting, ambient))
            drops = (cold[0], cold[1])
        return cls(
            supply=supply,
            left=stages[0],
            right=stages[1],
            rail_nominal_v=rail,
            load_ohm=unit.load_ohm,
            load_connected=unit.load_connected,
            other_a=near(unit.quiescent_other_a, 0.1),
            reform_a=rng.uniform(0.0, 0.03) * unit.reservoir_uf / 6800.0,
            reform_tau_s=rng.uniform(90.0, 300.0),
            pot_drop_v=drops,
            shunt_position=unit.shunt_position,
            ambient_c=ambient,
            wander=STILL if still else WanderParams(ambient_slope_k_per_h=rng.gauss(0.0, 0.5)),
        )


def _supply_for(unit: Unit, load_a: float, near: Callable[[float, float], float]) -> SupplyParams:
    """Return a supply that gives the nominal rail at full mains with load_a on each rail."""
    # Rated for both channels at full power with some reserve, 8 % regulation
    # at a small transformer and less at a large one; common practice, no source.
    va = unit.transformer_va or near(1.4 * 2.0 * unit.rated_power_w, 0.15)
    regulation = near(0.09 * (150.0 / max(va, 20.0)) ** 0.35, 0.1)
    whole = 2.0 * unit.rail_nominal_v / math.sqrt(2.0)
    copper = regulation * whole * whole / va
    branch = 0.25 * copper + 0.03
    primary = 0.125 * copper + 0.01
    diode = 0.8
    return SupplyParams(
        mains_v=unit.mains_v,
        mains_hz=unit.mains_hz,
        half_winding_v=half_winding_for(unit.rail_nominal_v, load_a, branch, primary, diode),
        branch_ohm=branch,
        primary_ohm=primary,
        diode_v=diode,
        reservoir_f=near(unit.reservoir_uf * 1e-6, 0.07),
        lamp_w=unit.limiter_lamp_w,
    )


@dataclass(frozen=True)
class _Pending:
    at_s: float
    name: str
    severity: float
    channel: str


class Dut:
    """The running amplifier.

    Inputs, plain attributes: `mains_closed`, `bypass_closed`, `variac_pct`,
    `drive_level` (0 to 1 of clipping amplitude), `load_connected`; and the acts
    `pot(channel, mv)` and `inject(...)`.

    Outputs after `step`: the channels by name (true values at the terminals, no
    sensor noise), `tj_left_c`, `tj_right_c`, `lamp_temp_k`, `t_s`, `damaged`
    (list of (t_s, what)). `sensor` maps a channel to what its sensor does to
    the truth: a callable, or "open" or "short". `board_faults` names the faults
    that sit outside the amplifier and that the bench's server acts on.
    """

    def __init__(self, params: DutParams, seed: int) -> None:
        self.params = params
        self.seed = seed
        self.t_s = 0.0
        self.mains_closed = False
        self.bypass_closed = False
        self.variac_pct = 0.0
        self.drive_level = 0.0
        self.load_connected = params.load_connected
        self._noise = Noise(seed)
        self.wander = Wander(params.wander, params.ambient_c, self._noise)
        self.supply = Supply(params.supply, params.ambient_c)
        self.left = OutputStage(params.left, params.rail_nominal_v, params.ambient_c)
        self.right = OutputStage(params.right, params.rail_nominal_v, params.ambient_c)
        self.damaged: list[Damage] = []
        self.sensor: dict[str, Callable[[float], float] | str] = {}
        self.board_faults: set[str] = set()
        self.active_faults: list[tuple[str, float, str]] = []
        self.processes: list[Callable[[Dut, float], None]] = []
        self._pending: list[_Pending] = []
        self._next_fault_s = math.inf
        self._due_s = 0.0
        self._tick_s = 0.0
        self._fast_until_s = 0.0
        self._inputs = (False, False, 0.0)
        self._unformed = 1.0
        self._phase = random.Random(seed).uniform(0.0, math.pi)
        self._angle_per_s = 2.0 * math.pi * params.supply.mains_hz * (1.0 + 2e-4 * self._noise.normal())
        self._cross_s = 0.0
        self._load_pos_s = 0.0
        self._shorts: dict[str, _Short] = {}
        self._pulsed = params.shunt_position == "before-reservoir"
        for index, name in enumerate(CHANNELS):
            drop = 2e-5 if params.pot_drop_v is None else params.pot_drop_v[index]
            self.stage(name).set_drop(drop, params.rail_nominal_v)
        self.rail_pos_a = self.rail_neg_a = self.rail_pos_v = self.rail_neg_v = 0.0
        self.offset_left_v = self.offset_right_v = self.bias_left_v = self.bias_right_v = 0.0
        self.sink_left_c = self.sink_right_c = self.ambient_c = params.ambient_c
        self.tj_left_c = self.tj_right_c = params.ambient_c
        self.hf_left_v = self.hf_right_v = 0.0
        self.lamp_temp_k = self.supply.lamp.t_k

    def stage(self, channel: str) -> OutputStage:
        """Return the output stage of "left" or "right"."""
        if channel == "left":
            return self.left
        if channel == "right":
            return self.right
        raise ValueError(f"channel {channel!r}; allowed: {', '.join(CHANNELS)}")

    def pot(self, channel: str, mv: float) -> None:
        """Turn the bias pot until the drop would read mv at the present temperatures.

        With the set unpowered or the rails low, the setting is the one that
        would give mv at the nominal rail.
        """
        if not 0.0 <= mv <= 250.0:
            raise ValueError(f"pot {mv!r} mV; allowed: 0 to 250")
        rail = min(self.supply.pos_v, self.supply.neg_v)
        self.stage(channel).set_drop(mv * 1e-3, rail if rail > START_V else self.params.rail_nominal_v)

    def inject(self, name: str, severity: float, at_s: float = 0.0, channel: str = "left") -> None:
        """Let a named fault begin at at_s (model time); at once if that is past.

        Raises:
            ValueError: name, severity or channel is not one of those allowed.
        """
        if name not in _KNOWN:
            allowed = sorted(_KNOWN)
            raise ValueError(f"fault {name!r}; allowed: {', '.join(allowed)}")
        if not 0.0 <= severity <= 1.0:
            raise ValueError(f"severity {severity!r}; allowed: 0 to 1")
        if channel not in CHANNELS:
            raise ValueError(f"channel {channel!r}; allowed: {', '.join(CHANNELS)}")
        pending = _Pending(at_s, name, severity, channel)
        if at_s <= self.t_s:
            self._begin(pending)
            return
        bisect.insort(self._pending, pending, key=lambda item: item.at_s)
        self._next_fault_s = self._pending[0].at_s

    def _begin(self, item: _Pending) -> None:
        self.active_faults.append((item.name, item.severity, item.channel))
        _KNOWN[item.name].apply(self, item.severity, self.t_s, item.channel)
        self._fast_until_s = self.t_s + _FAST_S

    def rng_for(self, what: str) -> random.Random:
        """Return a random stream of its own for one fault, fixed by seed and name."""
        return random.Random(f"{self.seed}/{what}")

    def short_device(self, channel: str, path_ohm: float, both: bool) -> None:
        """Put a shorted output device into a channel.

        Args:
            path_ohm: what the short leaves, without the emitter resistors.
            both: the opposite device is shorted too; else feedback drives it
                as hard as its limit allows.
        """
        self._shorts[channel] = _Short(path_ohm, both)
        self.stage(channel).dead = True

    def state(self) -> dict[str, object]:
        """Return the truth in plain values, for tests and demonstrations."""
        return {
            "t_s": self.t_s,
            "variac_pct": self.variac_pct,
            "mains_closed": self.mains_closed,
            "bypass_closed": self.bypass_closed,
            "drive_level": self.drive_level,
            "load_connected": self.load_connected,
            "tj_left_c": self.tj_left_c,
            "tj_right_c": self.tj_right_c,
            "lamp_temp_k": self.lamp_temp_k,
            "damaged": [list(item) for item in self.damaged],
            "faults": [list(item) for item in self.active_faults],
            "board_faults": sorted(self.board_faults),
        }

    def step(self, dt_s: float) -> None:
        """Advance by dt_s seconds with the inputs as they now are."""
        inputs = (self.mains_closed, self.bypass_closed, self.variac_pct)
        if inputs != self._inputs:
            if self._due_s > 0.0:
                due, self._due_s = self._due_s, 0.0
                self._advance(due)
            self._inputs = inputs
            self._fast_until_s = self.t_s + _FAST_S
        due = self._due_s + dt_s
        if due < QUANTUM_S - 1e-9 and self.t_s >= self._fast_until_s:
            self._due_s = due
            if self._pulsed:
                self._pulses(dt_s)
            return
        self._due_s = 0.0
        while due > QUANTUM_S + 1e-9:
            self._advance(QUANTUM_S)
            due -= QUANTUM_S
        self._advance(due)
        if self._pulsed:
            self._pulses(dt_s)

    def _pulses(self, dt_s: float) -> None:
        """Let the shunts see the charging current of the last dt_s."""
        self._phase, self.rail_pos_a, self.rail_neg_a = self.supply.pulses(self._phase, self._angle_per_s * dt_s)

    def _advance(self, dt_s: float) -> None:
        self.t_s = t_s = self.t_s + dt_s
        normal = self._noise.normal
        wander = self.wander
        self._tick_s += dt_s
        if self._tick_s >= 0.0999999:
            self._tick_s -= 0.1
            wander.tick()
        if t_s >= self._next_fault_s:
            while self._pending and self._pending[0].at_s <= t_s:
                self._begin(self._pending.pop(0))
            self._next_fault_s = self._pending[0].at_s if self._pending else math.inf
        for process in self.processes:
            process(self, dt_s)
        params = self.params
        supply = self.supply
        left = self.left
        right = self.right
        closed, bypass, pct = self._inputs
        if closed:
            mains = params.supply.mains_v * pct * 0.01 * (wander.mains + params.wander.mains_noise * normal())
        else:
            mains = 0.0
        leak_s = (params.other_a + params.reform_a * self._unformed) / params.rail_nominal_v
        if self._shorts:
            self._short_paths(dt_s)
        pos_a = left.pos_a + right.pos_a
        neg_a = left.neg_a + right.neg_a
        supply.step(dt_s, mains, not bypass, pos_a, neg_a, leak_s + self._load_pos_s, leak_s, self._cross_s)
        pos_v = supply.pos_v
        neg_v = supply.neg_v
        if self._unformed > 1e-4:
            self._unformed -= self._unformed * dt_s / params.reform_tau_s * pos_v / params.rail_nominal_v
        ambient = wander.ambient_c
        load_s = 1.0 / params.load_ohm if self.load_connected else 0.0
        level = self.drive_level
        left.step(dt_s, pos_v, neg_v, ambient, level, load_s, normal(), normal())
        right.step(dt_s, pos_v, neg_v, ambient, level, load_s, normal(), normal())
        if self._shorts:
            self._short_offsets(dt_s)
        if load_s and (left.load_dc_w > LOAD_DC_W or right.load_dc_w > LOAD_DC_W):
            self._harm_load()
        if left.heat.junction_c > left.tj_max_c + JUNCTION_MARGIN_K or left.snub_smooth_w > 1.0:
            self._harm("left", left)
        if right.heat.junction_c > right.tj_max_c + JUNCTION_MARGIN_K or right.snub_smooth_w > 1.0:
            self._harm("right", right)
        if not self._pulsed:
            cross = self._cross_s * (pos_v + neg_v)
            self.rail_pos_a = left.pos_a + right.pos_a + (leak_s + self._load_pos_s) * pos_v + cross
            self.rail_neg_a = left.neg_a + right.neg_a + leak_s * neg_v + cross
        self.rail_pos_v = pos_v
        self.rail_neg_v = -neg_v
        self.offset_left_v = left.offset_v
        self.offset_right_v = right.offset_v
        self.bias_left_v = left.drop_v
        self.bias_right_v = right.drop_v
        self.sink_left_c = left.heat.sensor_c
        self.sink_right_c = right.heat.sensor_c
        self.ambient_c = ambient
        self.hf_left_v = left.hf_v
        self.hf_right_v = right.hf_v
        self.tj_left_c = left.heat.junction_c
        self.tj_right_c = right.heat.junction_c
        self.lamp_temp_k = supply.lamp.t_k

    def _short_paths(self, dt_s: float) -> None:
        """Turn shorted devices into a conductance between the rails, and heat what carries it."""
        supply = self.supply
        total_v = supply.pos_v + supply.neg_v
        low_v = min(supply.pos_v, supply.neg_v)
        sum_s = load_pos_s = 0.0
        for channel, short in self._shorts.items():
            stage = self.stage(channel)
            if short.opened:
                short.current_a = 0.0
                stage.short_w = 0.0
                continue
            re = stage.params.emitter_ohm
            path_s = 1.0 / (short.path_ohm + 2.0 * re)
            current = total_v * path_s
            if not short.both:
                # Feedback turns the opposite half on as far as its drive goes,
                # which itself needs some rail.
                limit = stage.params.device_limit_a * max(0.0, min(1.0, (low_v - 2.0) / 10.0))
                current = min(current, limit)
                if self.load_connected:
                    load_pos_s += 1.0 / (short.path_ohm + re + self.params.load_ohm)
            short.current_a = current
            sum_s += current / total_v if total_v > 0.1 else path_s
            across = max(0.0, total_v - current * (2.0 * re + (0.0 if short.both else short.path_ohm)))
            heat_w = across * current
            # The heat of a dead short sits in a die that is no longer a
            # junction; only the surviving half can still be damaged.
            stage.short_w = 0.0 if short.both else heat_w
            short.resistor_w += (current * current * re - short.resistor_w) * dt_s * 0.2
            if short.resistor_w > _RESISTOR_OPENS_W:
                short.opened = True
                self.damaged.append((self.t_s, f"emitter resistor {channel} burnt open"))
        self._cross_s = sum_s
        self._load_pos_s = load_pos_s

    def _short_offsets(self, dt_s: float) -> None:
        """Put the outputs of shorted stages where the short puts them."""
        supply = self.supply
        for channel, short in self._shorts.items():
            stage = self.stage(channel)
            re = stage.params.emitter_ohm
            if short.opened:
                continue
            if short.both:
                stage.offset_v = 0.5 * (supply.pos_v - supply.neg_v)
            else:
                through = short.current_a
                if self.load_connected:
                    through += supply.pos_v / (short.path_ohm + re + self.params.load_ohm)
                stage.offset_v = supply.pos_v - through * (short.path_ohm + re)
                if self.load_connected:
                    load_w = stage.offset_v**2 / self.params.load_ohm
                    stage.load_dc_w += (load_w - stage.load_dc_w) * dt_s * 0.5
                stage.drop_v = through * re
                continue
            stage.drop_v = short.current_a * re

    def _harm_load(self) -> None:
        for channel in CHANNELS:
            stage = self.stage(channel)
            if stage.load_dc_w > LOAD_DC_W and not stage.load_burnt:
                stage.load_burnt = True
                self.damaged.append(
                    (self.t_s, f"load {channel}: {stage.load_dc_w:.0f} W of DC, {stage.offset_v:.1f} V")
                )

    def _harm(self, channel: str, stage: OutputStage) -> None:
        """Record what was just destroyed, and let it fail the way such parts do."""
        junction_c = stage.heat.junction_c
        short = self._shorts.get(channel)
        if junction_c > stage.tj_max_c + JUNCTION_MARGIN_K and (short is None or not short.both):
            self.damaged.append((self.t_s, f"output device {channel}: junction {junction_c:.0f} C"))
            self.short_device(channel, _FAILED_PATH_OHM, both=True)
        if stage.snub_smooth_w > SNUB_OVERLOAD * stage.params.snub_w and not stage.snub_burnt:
            stage.snub_burnt = True
            self.damaged.append((self.t_s, f"output network resistor {channel}: {stage.snub_smooth_w:.1f} W"))


# Ten times the rating of a 5 W resistor, smoothed over 5 s; common practice, no source.
_RESISTOR_OPENS_W = 50.0


class _Short:
    """A path between the rails through failed devices, and what it has come to."""

    __slots__ = ("both", "current_a", "opened", "path_ohm", "resistor_w")

    def __init__(self, path_ohm: float, both: bool) -> None:
        self.path_ohm = path_ohm
        self.both = both
        self.current_a = 0.0
        self.resistor_w = 0.0
        self.opened = False
