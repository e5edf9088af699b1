"""One channel's class-AB output stage: junction law, bias spreader, dissipation, loop gain.

Each device follows I = Is(T) exp(V / (kT/q)) with the usual temperature law of
Is, in series with its emitter resistor and its own ohmic part. Half of the
spreader's voltage stands across one device and its resistor. The driver's drop
is folded in: it lies on the same heatsink, carries a constant current and so
only adds its temperature coefficient, which the spreader has to cancel too.

Not modelled: gain and Early effect, second breakdown, unequal halves (the
devices of a channel are alike unless a fault says otherwise), frequency
response, the feedback loop except as a rule for the offset.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from benchwarden.virtual.thermal import HeatPath

ZERO_C_K = 273.15
BOLTZMANN_V = 8.617333262e-5  # k/q, volts per kelvin, exact SI
NOMINAL_K = 300.15  # 27 C, where Is is stated, as circuit simulators do
_REFERENCE_C = 25.0
# The stage needs a few volts per rail before its current source and spreader
# work; common practice, no source.
START_V = 5.0
SATURATION_V = 2.5
# A stage that has lost one rail swings to the other by most of what is left.
_LOST_RAIL_SHARE = 0.8
_BLEND = 1.82
_LEAK_DOUBLES_K = 10.0  # leakage doubles per 10 K: the usual rule, from memory


@dataclass(frozen=True)
class StageParams:
    """One channel.

    Attributes:
        pairs: output pairs.
        emitter_ohm: each emitter resistor (the metered one included).
        ohmic_ohm: each device's own series resistance (re and rb over gain).
        saturation_a: Is of one device at 27 C.
        gap_v, temperature_exponent: of Is(T): EG and XTI of circuit simulators.
        drivers: driver junctions per half on the heatsink.
        compensation: spreader's temperature coefficient over what output and
            driver junctions need together; 1 is exact if all were equally warm.
        coupling: how much of the sink's rise the spreader feels.
        target_drop_v: intended drop across one emitter resistor.
        line_v: how much of the half spreader voltage goes with the rail.
        tj_max_c: junction rating.
        device_limit_a: most that one device conducts, whatever the bias.
        rth_jc, rth_cs, rth_sa: K/W; the first two per device, the last shared.
        c_junction, c_case, c_sink: J/K.
        cross_a_per_v: rail-to-rail conduction per volt of oscillation at the output.
        snub_ohm, snub_f, snub_w: output network's resistor, capacitor and rating.
        oscillation_hz: where this stage oscillates if it does.
        hf_floor_v: what the HF detector finds in a quiet stage.
        clip_margin_v: how close to the rail the output comes.
    """

    pairs: int
    emitter_ohm: float
    target_drop_v: float
    ohmic_ohm: float = 0.05
    saturation_a: float = 2e-12
    gap_v: float = 1.11
    temperature_exponent: float = 3.0
    drivers: int = 1
    compensation: float = 0.95
    coupling: float = 0.92
    line_v: float = 0.006
    spreader_lag_s: float = 35.0
    sensor_lag_s: float = 6.0
    tj_max_c: float = 150.0
    device_limit_a: float = 12.0
    rth_jc: float = 1.2
    rth_cs: float = 0.6
    rth_sa: float = 1.6
    c_junction: float = 0.03
    c_case: float = 6.0
    c_sink: float = 350.0
    offset_v: float = 0.004
    offset_v_per_k: float = 5e-5
    cross_a_per_v: float = 0.03
    snub_ohm: float = 10.0
    snub_f: float = 1e-7
    snub_w: float = 1.0
    oscillation_hz: float = 1.2e6
    hf_floor_v: float = 0.015
    clip_margin_v: float = SATURATION_V


def log_saturation(stage: StageParams, t_k: float) -> float:
    """Return ln of Is in amperes at t_k.

    Source: the temperature law of the Gummel-Poon model as circuit simulators
    use it: Is (T/Tnom)^XTI exp(EG q/k (1/Tnom - 1/T)).
    """
    return (
        math.log(stage.saturation_a)
        + stage.temperature_exponent * math.log(t_k / NOMINAL_K)
        + stage.gap_v / BOLTZMANN_V * (1.0 / NOMINAL_K - 1.0 / t_k)
    )


def junction_v(stage: StageParams, current_a: float, t_k: float) -> float:
    """Return one device's base-emitter voltage without its ohmic part."""
    return BOLTZMANN_V * t_k * (math.log(current_a) - log_saturation(stage, t_k))


def tempco_v_per_k(stage: StageParams, current_a: float, t_k: float) -> float:
    """Return the junction's temperature coefficient at constant current (negative).

    Source: derivative of the junction law, (V - EG - XTI kT/q) / T.
    """
    v = junction_v(stage, current_a, t_k)
    return (v - stage.gap_v - stage.temperature_exponent * BOLTZMANN_V * t_k) / t_k


def idle_current_a(stage: StageParams, half_bias_v: float, t_k: float) -> float:
    """Return one device's current with half_bias_v across junction, ohmic part and emitter resistor."""
    if half_bias_v <= 0.0:
        return 0.0
    return math.exp(
        _solve(half_bias_v, BOLTZMANN_V * t_k, log_saturation(stage, t_k), stage.emitter_ohm + stage.ohmic_ohm, -5.0)
    )


def _solve(half_bias_v: float, vt: float, log_is: float, ohm: float, y: float) -> float:
    """Return ln of the current; Newton on vt (y - ln Is) + ohm e^y = half_bias_v from y."""
    # The current cannot exceed half_bias_v / ohm; starting above it would make
    # Newton crawl down the exponential.
    top = math.log(half_bias_v / ohm)
    for _ in range(60):
        if y > top:
            y = top
        drop = ohm * math.exp(y)
        change = (vt * (y - log_is) + drop - half_bias_v) / (vt + drop)
        y -= change
        if -1e-7 < change < 1e-7:
            break
    return y


def reference_slope_v_per_k(stage: StageParams) -> float:
    """Return the (positive) fall of one junction per kelvin at target current and 25 C."""
    return -tempco_v_per_k(stage, stage.target_drop_v / stage.emitter_ohm, _REFERENCE_C + ZERO_C_K)


def spreader_slope_v_per_k(stage: StageParams) -> float:
    """Return how much half the spreader voltage falls per kelvin of the spreader."""
    return stage.compensation * (1 + stage.drivers) * reference_slope_v_per_k(stage)


def thermal_loop_gain(
    stage: StageParams, rail_v: float, *, drop_v: float | None = None, junction_c: float = 50.0
) -> float:
    """Return how much of a small rise in idle current comes back through its own heat.

    A rise dI in each of the 2 N devices heats them by V dI each. The junctions
    warm by V dI (2 N Rsa + Rjc + Rcs), drivers and spreader by their share of
    2 N V dI Rsa. The warmer junctions and drivers call for more current, the
    spreader for less:

        gain = V / (R + (kT/q)/I) * ( a (2 N Rsa + Rjc + Rcs)
               + 2 N Rsa (a_ref drivers - coupling s) )

    with a the junction's fall per kelvin at I and s the spreader's. Below one
    there is an equilibrium that a disturbance returns to; at or above one it
    grows. The current's own rise makes (kT/q)/I fall, so a stage slightly below
    one at target may be above one at a higher current.

    Args:
        rail_v: one rail.
        drop_v: across the emitter resistor; the target if None.
        junction_c: where the slopes are taken.
    """
    current = (stage.target_drop_v if drop_v is None else drop_v) / stage.emitter_ohm
    t_k = junction_c + ZERO_C_K
    slope = -tempco_v_per_k(stage, current, t_k)
    # The emitter resistor takes its own heat away from the device: the device
    # keeps V - 2 I Re of each volt-ampere.
    volts = rail_v - 2.0 * current * stage.emitter_ohm
    conductance = 1.0 / (stage.emitter_ohm + stage.ohmic_ohm + BOLTZMANN_V * t_k / current)
    sink = 2.0 * stage.pairs * stage.rth_sa
    answer = slope * (sink + stage.rth_jc + stage.rth_cs)
    answer += sink * (reference_slope_v_per_k(stage) * stage.drivers - stage.coupling * spreader_slope_v_per_k(stage))
    return conductance * volts * answer


def compensation_for_loop_gain(
    stage: StageParams, rail_v: float, gain: float, *, drop_v: float | None = None, junction_c: float = 50.0
) -> float:
    """Return the compensation ratio that gives this loop gain, others unchanged; may be negative."""
    with_none = thermal_loop_gain(_with(stage, 0.0), rail_v, drop_v=drop_v, junction_c=junction_c)
    with_full = thermal_loop_gain(_with(stage, 1.0), rail_v, drop_v=drop_v, junction_c=junction_c)
    return (with_none - gain) / (with_none - with_full)


def _with(stage: StageParams, compensation: float) -> StageParams:
    return replace(stage, compensation=compensation)


def class_ab_mean_a(idle_a: float, peak_a: float) -> float:
    """Return the mean current of one side of a class-AB pair that delivers a sine of this peak.

    Exact at both ends (idle, and peak/pi in class B); between them within
    0.7 % of the mean of a pair with i+ i- = idle^2, which is what the exponent
    was chosen for.
    """
    return float((idle_a**_BLEND + (peak_a / math.pi) ** _BLEND) ** (1.0 / _BLEND))


@dataclass(frozen=True)
class Equilibrium:
    """Where an idling stage settles: per device current, and temperatures in Celsius."""

    current_a: float
    junction_c: float
    sink_c: float
    spreader_c: float


def temperatures_at(stage: StageParams, current_a: float, rail_v: float, ambient_c: float) -> Equilibrium:
    """Return the steady temperatures at a given idle current (no drive)."""
    device_w = current_a * (rail_v - current_a * stage.emitter_ohm)
    sink = ambient_c + 2 * stage.pairs * device_w * stage.rth_sa
    return Equilibrium(
        current_a,
        sink + device_w * (stage.rth_jc + stage.rth_cs),
        sink,
        ambient_c + stage.coupling * (sink - ambient_c),
    )


def setting_for(stage: StageParams, current_a: float, at: Equilibrium) -> float:
    """Return the half spreader voltage, referred to 25 C and full rail, that gives current_a at these temperatures."""
    t_k = at.junction_c + ZERO_C_K
    return (
        junction_v(stage, current_a, t_k)
        + current_a * (stage.emitter_ohm + stage.ohmic_ohm)
        + spreader_slope_v_per_k(stage) * (at.spreader_c - _REFERENCE_C)
        - reference_slope_v_per_k(stage) * stage.drivers * (at.sink_c - _REFERENCE_C)
    )


def drop_at(stage: StageParams, setting_v: float, everything_c: float) -> float:
    """Return the drop across the emitter resistor at full rail with the whole stage at one temperature."""
    rise = everything_c - _REFERENCE_C
    half = setting_v - spreader_slope_v_per_k(stage) * rise + reference_slope_v_per_k(stage) * stage.drivers * rise
    return idle_current_a(stage, half, everything_c + ZERO_C_K) * stage.emitter_ohm


def equilibrium(stage: StageParams, setting_v: float, rail_v: float, ambient_c: float) -> Equilibrium | None:
    """Return the lowest idle equilibrium for a pot setting, or None if there is none below the device limit.

    The setting that a current would need at its own steady temperatures rises
    with the current while the loop gain is below one; the first current whose
    need meets the setting is where a cold start ends.
    """
    low, steps = 1e-6, 400
    ratio = (stage.device_limit_a / low) ** (1.0 / steps)
    previous = low
    for k in range(1, steps + 1):
        current = low * ratio**k
        need = setting_for(stage, current, temperatures_at(stage, current, rail_v, ambient_c))
        if need >= setting_v:
            a, b = previous, current
            for _ in range(60):
                m = math.sqrt(a * b)
                if setting_for(stage, m, temperatures_at(stage, m, rail_v, ambient_c)) >= setting_v:
                    b = m
                else:
                    a = m
            return temperatures_at(stage, b, rail_v, ambient_c)
        previous = current
    return None


class OutputStage:
    """The running channel. Faults change its public attributes, then call `changed()`.

    Attributes a fault may set:
        setting_v: pot, as half the spreader's voltage at 25 C and full rail.
        bias_shift_v: added to it. is_factor: on Is. leak_a: collector to
        emitter at 25 C and full rail. hf_fault_v: oscillation, peak.
        hf_pickup_v: HF from outside, no current with it. offset_shift_v.
        dead: a stage with failed devices, which conducts nothing by itself.
        heat, tj_max_c, params (whoever replaces params calls `changed()`).
    Attributes after a step:
        pos_a, neg_a: rail currents of this channel.
        drop_v: across the metered emitter resistor, mean over a signal cycle.
        offset_v: DC at the terminal. hf_v: peak of what is above 100 kHz.
        load_w: power into the load; load_dc_w: its DC part, smoothed over 2 s.
        snub_smooth_w: smoothed power in the output network's resistor.
    """

    __slots__ = (
        "_driver_slope",
        "_eg_k",
        "_ln_is0",
        "_ohm",
        "_re",
        "_snub_g",
        "_spread_slope",
        "_xti",
        "_y",
        "bias_shift_v",
        "dead",
        "drop_v",
        "heat",
        "hf_fault_v",
        "hf_pickup_v",
        "hf_v",
        "idle_a",
        "is_factor",
        "leak_a",
        "load_burnt",
        "load_dc_w",
        "load_w",
        "neg_a",
        "offset_shift_v",
        "offset_v",
        "params",
        "pos_a",
        "power_w",
        "rail_nominal_v",
        "setting_v",
        "short_w",
        "snub_burnt",
        "snub_smooth_w",
        "tj_max_c",
    )

    def __init__(self, params: StageParams, rail_nominal_v: float, ambient_c: float) -> None:
        self.params = params
        self.rail_nominal_v = rail_nominal_v
        self.heat = HeatPath(
            devices=2 * params.pairs,
            rth_jc=params.rth_jc,
            c_junction=params.c_junction,
            rth_cs=params.rth_cs,
            c_case=params.c_case,
            rth_sa=params.rth_sa,
            c_sink=params.c_sink,
            coupling=params.coupling,
            spreader_lag_s=params.spreader_lag_s,
            sensor_lag_s=params.sensor_lag_s,
            ambient_c=ambient_c,
        )
        self.tj_max_c = params.tj_max_c
        self.is_factor = 1.0
        self.setting_v = 0.0
        self.bias_shift_v = 0.0
        self.leak_a = 0.0
        self.hf_fault_v = 0.0
        self.hf_pickup_v = 0.0
        self.dead = False
        self.load_dc_w = 0.0
        self.load_burnt = False
        self.offset_shift_v = 0.0
        self.short_w = 0.0
        self.snub_smooth_w = 0.0
        self.snub_burnt = False
        self.pos_a = self.neg_a = self.drop_v = self.offset_v = self.hf_v = self.load_w = 0.0
        self.idle_a = self.power_w = 0.0
        self._y = -20.0
        self.changed()

    def changed(self) -> None:
        """Take note of changed params or fault settings."""
        p = self.params
        self._re = p.emitter_ohm
        self._ohm = p.emitter_ohm + p.ohmic_ohm
        self._ln_is0 = math.log(p.saturation_a * self.is_factor) + p.gap_v / BOLTZMANN_V / NOMINAL_K
        self._eg_k = p.gap_v / BOLTZMANN_V
        self._xti = p.temperature_exponent
        slope = reference_slope_v_per_k(p)
        self._driver_slope = slope * p.drivers
        self._spread_slope = p.compensation * (1 + p.drivers) * slope
        reactance = 1.0 / (2.0 * math.pi * p.oscillation_hz * p.snub_f)
        self._snub_g = 0.5 * p.snub_ohm / (p.snub_ohm**2 + reactance**2)
        self.heat.changed()

    def set_compensation(self, compensation: float) -> None:
        """Change the spreader's slope, pivoting at its present temperature: no step in the bias now."""
        old = self._spread_slope
        self.params = _with(self.params, compensation)
        self.changed()
        self.setting_v += (self._spread_slope - old) * (self.heat.spreader_c - _REFERENCE_C)

    def set_drop(self, drop_v: float, rail_v: float) -> None:
        """Turn the pot so that the metered drop is drop_v at the present temperatures.

        Args:
            rail_v: the rail to set it for; the nominal one if the set is off.
        """
        heat = self.heat
        current = max(drop_v, 1e-6) / self._re
        now = Equilibrium(current, heat.junction_c, heat.sink_c, heat.spreader_c)
        self.setting_v = setting_for(self.params, current, now) + self._line(rail_v)
        self.setting_v -= BOLTZMANN_V * (heat.junction_c + ZERO_C_K) * math.log(self.is_factor)

    def drop_if_on_v(self) -> float:
        """Return the drop the present setting and temperatures give at the nominal rail, powered or not."""
        heat = self.heat
        t_k = heat.junction_c + ZERO_C_K
        half = (
            self.setting_v
            + BOLTZMANN_V * t_k * math.log(self.is_factor)
            - self._spread_slope * (heat.spreader_c - _REFERENCE_C)
            + self._driver_slope * (heat.sink_c - _REFERENCE_C)
        )
        return idle_current_a(self.params, half, t_k) * self._re

    def _line(self, rail_v: float) -> float:
        return self.params.line_v * (1.0 - rail_v / self.rail_nominal_v)

    def step(
        self,
        dt_s: float,
        pos_v: float,
        neg_v: float,
        ambient_c: float,
        drive_level: float,
        load_s: float,
        jitter: float,
        hf_jitter: float,
    ) -> None:
        """Advance by dt_s.

        Args:
            pos_v, neg_v: rails, magnitudes.
            drive_level: sine amplitude over clipping amplitude; above 0.97 the
                corners of the clipped wave show as HF.
            load_s: load conductance, 0 with none connected.
            jitter, hf_jitter: deviates of unit variance for bias and HF.
        """
        p = self.params
        heat = self.heat
        pairs = p.pairs
        low_v = pos_v if pos_v < neg_v else neg_v
        sum_v = pos_v + neg_v
        tj = heat.junction_c
        t_k = tj + ZERO_C_K
        vt = BOLTZMANN_V * t_k
        half = (
            self.setting_v
            + self.bias_shift_v
            - self._spread_slope * (heat.spreader_c - _REFERENCE_C)
            + self._driver_slope * (heat.sink_c - _REFERENCE_C)
            - p.line_v * (1.0 - low_v / self.rail_nominal_v)
            + 2e-5 * jitter
        )
        if low_v < START_V:
            half *= low_v / START_V
        leak = self.leak_a
        if half > 0.0 and not self.dead:
            log_is = self._ln_is0 + self._xti * math.log(t_k / NOMINAL_K) - self._eg_k / t_k
            ohm = self._ohm
            y = self._y
            top = math.log(half / ohm)
            for _ in range(60):
                if y > top:
                    y = top
                drop = ohm * math.exp(y)
                change = (vt * (y - log_is) + drop - half) / (vt + drop)
                y -= change
                if -1e-6 < change < 1e-6:
                    break
            self._y = y
            idle = math.exp(y)
            if leak:
                idle = self._with_leak(half, vt, log_is, leak * 2.0 ** ((tj - _REFERENCE_C) / _LEAK_DOUBLES_K), low_v)
            if idle > p.device_limit_a:
                idle = p.device_limit_a
        else:
            idle = 0.0
        self.idle_a = idle
        re = self._re
        side = idle * pairs  # mean current of one side
        resistor_w = 2.0 * pairs * idle * idle * re
        swing = 0.0
        load_w = 0.0
        if drive_level > 0.0 and low_v > START_V and not self.dead:
            # Beyond clipping the sine is taken as one of clipping amplitude.
            swing = (
                (drive_level if drive_level < 1.0 else 1.0) * (low_v - p.clip_margin_v) / (1.0 + re / pairs * load_s)
            )
            peak = swing * load_s
            side = class_ab_mean_a(side, peak)
            load_w = 0.5 * swing * peak
            resistor_w += 0.5 * peak * peak * re / pairs
        hf = self.hf_fault_v
        if hf > 0.0 and not self.dead:
            most = 0.7 * low_v
            if hf > most:
                hf = most
            snub_w = 0.0 if self.snub_burnt else hf * hf * self._snub_g
            side += p.cross_a_per_v * hf + snub_w / (sum_v + 1.0)
        else:
            hf = snub_w = 0.0
        self.snub_smooth_w += (snub_w - self.snub_smooth_w) * dt_s * 0.125
        offset = p.offset_v + p.offset_v_per_k * (heat.sink_c - _REFERENCE_C) + self.offset_shift_v + 0.01 * hf
        pos_a = neg_a = side
        if self.dead:
            offset = 0.0
        elif low_v < START_V:
            # Too little to regulate with: a stage with one rail swings to it.
            offset *= low_v / START_V
            if pos_v - neg_v > START_V:
                offset += _LOST_RAIL_SHARE * pos_v
            elif neg_v - pos_v > START_V:
                offset -= _LOST_RAIL_SHARE * neg_v
        elif offset > pos_v - p.clip_margin_v:
            offset = pos_v - p.clip_margin_v
        elif offset < p.clip_margin_v - neg_v:
            offset = p.clip_margin_v - neg_v
        if load_s:
            through = offset * load_s
            if through > 0.0:
                pos_a += through
            else:
                neg_a -= through
            load_w += offset * through
            self.load_dc_w += (offset * through - self.load_dc_w) * dt_s * 0.5
        self.pos_a = pos_a
        self.neg_a = neg_a
        self.offset_v = offset
        self.load_w = load_w
        self.drop_v = re * pos_a / pairs
        excess = drive_level - 0.97
        clip_v = swing * excess if excess > 0.0 else 0.0
        self.hf_v = hf + clip_v + self.hf_pickup_v + p.hf_floor_v * (1.0 + 0.1 * hf_jitter)
        power = pos_v * pos_a + neg_v * neg_a - load_w - snub_w - resistor_w
        self.power_w = power
        heat.step(dt_s, power / (2 * pairs) + self.short_w, 0.0, ambient_c)

    def _with_leak(self, half: float, vt: float, log_is: float, leak_a: float, low_v: float) -> float:
        """Return the idle current when one device of the pair leaks collector to emitter.

        The other half's junction carries I, the leaking half's only I - L, and
        their product replaces the square of one current in the loop equation:
        I = L/2 + sqrt(L^2/4 + e^2y).
        """
        leak = leak_a * low_v / self.rail_nominal_v
        y = self._y
        ohm = self._ohm
        for _ in range(80):
            e2 = math.exp(2.0 * y)
            root = math.sqrt(0.25 * leak * leak + e2)
            current = 0.5 * leak + root
            change = (vt * (y - log_is) + ohm * current - half) / (vt + ohm * e2 / (root + 1e-300))
            if change > 4.0:
                change = 4.0
            elif change < -2.0:
                change = -2.0
            y -= change
            if -1e-6 < change < 1e-6:
                break
        return 0.5 * leak + math.sqrt(0.25 * leak * leak + math.exp(2.0 * y))
