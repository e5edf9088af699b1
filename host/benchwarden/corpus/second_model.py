"""A second amplifier model, many runs in lockstep, which shares nothing with the virtual bench.

What it is: two junctions and two cases per channel (the halves are not alike), a heatsink
of two nodes in free air (convection that improves with the rise, radiation), in some sets
one sink for both channels; a bias spreader on sink, case or driver with a lag of its own;
junctions with Early effect and a gain that falls at high current; a supply with lamp,
source resistance and reservoirs; damage by junction, network resistor, emitter resistor
and loudspeaker DC. Steps of a tenth of a second, every run of a batch at once.

What it is not: a copy of any amplifier, or measured. Not in it: audio waveforms (means
over a cycle), charging pulses (a larger scatter of the current stands for them), second
breakdown, pairs that share badly, relay and board.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from benchwarden.core.samples import BoolArray, FloatArray
from benchwarden.corpus import second_physics as law

STEP_S = 0.1
# A die fails at once this far above its rating; common practice, no source.
JUNCTION_MARGIN_K = 20.0
# Overload that a resistor stands for good, smoothed over its own warming; common practice, no source.
NETWORK_OVERLOAD = 5.0
NETWORK_TAU_S = 6.0
EMITTER_FAILS_W, EMITTER_TAU_S = 60.0, 4.0
SPEAKER_DC_W, SPEAKER_TAU_S = 12.0, 3.0
# Most that a device conducts, whatever drives it.
MOST_A = 12.0
_ROOM_C = 25.0
_LAMP_HOT_K, _LAMP_COLD_K = 2700.0, 300.0
# Tungsten: resistance goes with about the 1.2th power of its temperature (from memory).
_LAMP_POWER = 1.2


@dataclass
class Sets:
    """The amplifiers of a batch: R runs, two channels, two halves.

    Arrays are (R,) for the set, (R, 2) per channel, (R, 2, 2) per half (upper, lower).

    Attributes:
        room_v, gap_v, eta: of the junctions, see second_physics.
        early_v: Early voltage. inner_ohm: emitter and base resistance over gain at small
            current. knee_a: where the gain has fallen to half.
        emitter_ohm: mean of the resistors. metered_ohm: the metered one times that pair's
            share of the current.
        driver_k: driver voltage per kelvin of the driver, both halves together.
        spreader_k: spreader voltage per kelvin (falling). setting_v: at 25 C.
        line_v: what the spreader gains when the rail doubles.
        on_sink, on_case: share of the spreader's temperature; the rest is the driver's.
        driver_on_sink: share of the sink's rise that drivers feel; driver_rise_k: their own.
        rjc, rcs, cj, cc: junction and case of one device.
        c1, c2: mounting zone and fins, J/K. g12: between them, W/K. cross: between the
            fins of the two channels, W/K.
        conv_w, conv_power, rad_m2: fins to air. sensor_on_fins: share of the sensor there.
        uneven: how much more of the heat the upper half makes.
        source_ohm: rail behind its regulation. reservoir_f: each. other_a: of each rail.
    """

    rail_v: FloatArray
    load_ohm: FloatArray
    source_ohm: FloatArray
    reservoir_f: FloatArray
    other_a: FloatArray
    mains_v: FloatArray
    lamp_w: FloatArray
    cross: FloatArray
    pairs: FloatArray
    emitter_ohm: FloatArray
    metered_ohm: FloatArray
    inner_ohm: FloatArray
    knee_a: FloatArray
    early_v: FloatArray
    gap_v: FloatArray
    eta: FloatArray
    driver_k: FloatArray
    spreader_k: FloatArray
    setting_v: FloatArray
    line_v: FloatArray
    on_sink: FloatArray
    on_case: FloatArray
    spreader_lag_s: FloatArray
    driver_on_sink: FloatArray
    driver_rise_k: FloatArray
    driver_lag_s: FloatArray
    c1: FloatArray
    c2: FloatArray
    g12: FloatArray
    conv_w: FloatArray
    conv_power: FloatArray
    rad_m2: FloatArray
    sensor_on_fins: FloatArray
    sensor_lag_s: FloatArray
    offset_v: FloatArray
    offset_per_k: FloatArray
    uneven: FloatArray
    tj_max_c: FloatArray
    network_s: FloatArray
    network_w: FloatArray
    room_v: FloatArray
    rjc: FloatArray
    rcs: FloatArray
    cj: FloatArray
    cc: FloatArray

    @classmethod
    def joined(cls, parts: list[Sets]) -> Sets:
        """Return one batch of several."""
        return cls(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)})

    def one(self, run: int) -> Sets:
        """Return a batch of one run, copied."""
        return Sets(**{f.name: getattr(self, f.name)[run : run + 1].copy() for f in fields(self)})


@dataclass(frozen=True)
class Heat:
    """Temperatures, Celsius: junctions (R, 2, 2), the others (R, 2)."""

    junction_c: FloatArray
    case_c: FloatArray
    mount_c: FloatArray
    fins_c: FloatArray
    driver_c: FloatArray
    spreader_c: FloatArray


def steady(sets: Sets, heat_w: FloatArray, ambient_c: FloatArray) -> Heat:
    """Return the temperatures that channels of this heat end at, shapes (R, 2) and (R,)."""
    room = ambient_c[:, None]
    rise = law.rise_for_w(heat_w, room, sets.conv_w, sets.conv_power, sets.rad_m2)
    if (sets.cross > 0.0).any():
        cross = sets.cross[:, None]
        for _ in range(80):
            before = rise
            out = law.given_off_w(rise, room, sets.conv_w, sets.conv_power, sets.rad_m2)
            more = law.given_off_w(rise + 0.01, room, sets.conv_w, sets.conv_power, sets.rad_m2)
            surplus = out + cross * (rise - rise[:, ::-1]) - heat_w
            # Newton on both channels' balances at once: a matrix of two by two.
            own = (more - out) / 0.01 + cross
            det = own * own[:, ::-1] - cross * cross
            rise = rise - (surplus * own[:, ::-1] + cross * surplus[:, ::-1]) / det
            if (np.abs(rise - before) <= 1e-11 * np.abs(rise) + 1e-12).all():
                break
    fins = room + rise
    mount = fins + heat_w / sets.g12
    device = heat_w[:, :, None] / (2.0 * sets.pairs[:, :, None]) * _uneven(sets)
    case = mount[:, :, None] + device * sets.rcs
    driver = room + sets.driver_rise_k + sets.driver_on_sink * (mount - room)
    spreader = _sensed(sets, mount, case, driver)
    return Heat(case + device * sets.rjc, case, mount, fins, driver, spreader)


def _uneven(sets: Sets) -> FloatArray:
    both: FloatArray = np.stack([1.0 + sets.uneven, 1.0 - sets.uneven], axis=2)
    return both


def _sensed(sets: Sets, mount: FloatArray, case: FloatArray, driver: FloatArray) -> FloatArray:
    """Return where the spreader's temperature goes."""
    rest = 1.0 - sets.on_sink - sets.on_case
    felt: FloatArray = sets.on_sink * mount + sets.on_case * case.mean(axis=2) + rest * driver
    return felt


def needed_v(sets: Sets, current_a: FloatArray, heat: Heat, rail_v: FloatArray) -> FloatArray:
    """Return the setting that gives current_a at these temperatures, shape (R, 2), volts."""
    fixed, per_ln, ohm = _loop_terms(sets, heat, rail_v[:, None], current_a)
    need: FloatArray = fixed + per_ln * np.log(current_a) + ohm * current_a
    return need


def _loop_terms(
    sets: Sets, heat: Heat, rail_v: FloatArray, current_a: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what of the loop's voltage is constant, per ln of the current, and per ampere."""
    vt = law.thermal_voltage_v(heat.junction_c)
    one = law.one_ampere_vbe_v(heat.junction_c, sets.room_v, sets.gap_v[:, :, None], sets.eta[:, :, None])
    early = np.log1p(rail_v / sets.early_v)[:, :, None]
    fixed = (one - vt * early).sum(axis=2)
    fixed = fixed - sets.driver_k * (heat.driver_c - _ROOM_C) + sets.spreader_k * (heat.spreader_c - _ROOM_C)
    fixed = fixed - sets.line_v * np.log2(np.maximum(rail_v, 1e-3) / sets.rail_v[:, None])
    ohm = 2.0 * (sets.emitter_ohm + sets.inner_ohm * (1.0 + current_a / sets.knee_a))
    return fixed, vt.sum(axis=2), ohm


def idle_heat_w(sets: Sets, current_a: FloatArray, rail_v: FloatArray) -> FloatArray:
    """Return one channel's heat at an idle current per pair, emitter resistors not counted."""
    heat: FloatArray = 2.0 * sets.pairs * current_a * (rail_v[:, None] - current_a * sets.emitter_ohm)
    return heat


def loop_gain(sets: Sets, current_a: FloatArray, rail_v: FloatArray, ambient_c: FloatArray) -> FloatArray:
    """Return the thermal loop gain of each channel at an idle current, shape (R, 2).

    The setting that a current needs at its own steady temperatures rises by (1 - gain) of
    what it would rise if the temperatures stood still. Both channels rise in proportion:
    where they share a sink, each one's heat comes back to it through the other as well.
    """
    return 1.0 - _need_slopes(sets, current_a, rail_v, ambient_c)[0]


def sink_gain(sets: Sets, current_a: FloatArray, rail_v: FloatArray, ambient_c: FloatArray) -> FloatArray:
    """Return the same through the sinks alone, with what junctions and cases feed back closed inside, (R, 2).

    As a record shows it: sink kelvin per watt times watts per sink kelvin.
    """
    low, high = current_a * (1.0 - 1e-4), current_a * (1.0 + 1e-4)
    cold = steady(sets, idle_heat_w(sets, low, rail_v), ambient_c)
    hot = steady(sets, idle_heat_w(sets, high, rail_v), ambient_c)
    risen = (hot.mount_c - cold.mount_c)[:, :, None]
    case = hot.case_c - risen
    spreader = _sensed(sets, cold.mount_c, case, cold.driver_c)
    held = Heat(hot.junction_c - risen, case, cold.mount_c, cold.fins_c, cold.driver_c, spreader)
    from_v = needed_v(sets, low, cold, rail_v)
    share: FloatArray = (needed_v(sets, high, hot, rail_v) - from_v) / (needed_v(sets, high, held, rail_v) - from_v)
    return 1.0 - share


def _need_slopes(
    sets: Sets, current_a: FloatArray, rail_v: FloatArray, ambient_c: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return need slope over slope at fixed temperature, the latter, spreader kelvin per ampere; shape (R, 2) each."""
    low, high = current_a * (1.0 - 1e-4), current_a * (1.0 + 1e-4)
    cold = steady(sets, idle_heat_w(sets, low, rail_v), ambient_c)
    hot = steady(sets, idle_heat_w(sets, high, rail_v), ambient_c)
    width = high - low
    need = (needed_v(sets, high, hot, rail_v) - needed_v(sets, low, cold, rail_v)) / width
    still = (needed_v(sets, high, cold, rail_v) - needed_v(sets, low, cold, rail_v)) / width
    felt = (hot.spreader_c - cold.spreader_c) / width
    return need / still, still, felt


def compensate(
    sets: Sets, gain: FloatArray, current_a: FloatArray, rail_v: FloatArray, ambient_c: FloatArray
) -> FloatArray:
    """Return the spreader's volts per kelvin for this loop gain at this current, shape (R, 2); may be negative."""
    share, still, felt = _need_slopes(sets, current_a, rail_v, ambient_c)
    slopes: FloatArray = sets.spreader_k + ((1.0 - gain) - share) * still / felt
    return slopes


def ends_at(sets: Sets, rail_v: FloatArray, ambient_c: FloatArray, start_a: FloatArray) -> FloatArray:
    """Return the idle current of each channel at the end, NaN where there is none, shape (R, 2)."""
    current = np.array(start_a)
    for _ in range(600):
        heat = steady(sets, idle_heat_w(sets, current, rail_v), ambient_c)
        before = current
        current = current_at(sets, heat, rail_v, sets.setting_v, np.log(current))
        if (np.abs(current - before) <= 1e-8 * current).all():
            break
    found: FloatArray = np.where((current < 0.9 * MOST_A) & (np.abs(current / before - 1.0) < 1e-4), current, np.nan)
    return found


def current_at(sets: Sets, heat: Heat, rail_v: FloatArray, setting_v: FloatArray, ln_a: FloatArray) -> FloatArray:
    """Return the current per pair that a setting gives at these temperatures, from a guess of its ln."""
    start = np.exp(np.minimum(ln_a, np.log(MOST_A)))
    fixed, per_ln, ohm = _loop_terms(sets, heat, rail_v[:, None], start)
    return np.exp(_newton(ln_a, fixed - setting_v, per_ln, ohm, 12))


def _newton(x: FloatArray, fixed: FloatArray, per_ln: FloatArray, ohm: FloatArray, rounds: int) -> FloatArray:
    """Return x of fixed + per_ln x + ohm e^x = 0, at most the ln of MOST_A."""
    top = np.log(MOST_A)
    for _ in range(rounds):
        drop = ohm * np.exp(x)
        change = (fixed + per_ln * x + drop) / (per_ln + drop)
        # At most three e-foldings at once: a step from far below would leave the number range.
        x = np.minimum(np.maximum(x - np.minimum(np.maximum(change, -3.0), 3.0), -60.0), top)
    return x


class Lockstep:
    """The runs of a batch as they go.

    Inputs, arrays of shape (R,): mains_on, limiter_in, percent (transformer), peak_v (test
    signal at the output), load_on. What faults set, shape (R, 2) unless said: `sets` itself,
    bias_shift_v, leak_a (R,; from the positive rail), oscillation_v, crowd_a, offset_shift_v,
    cooling (factor on the air), short_s (R,; rail to rail), rail_share (R, 2; positive,
    negative).
    Outputs after `step`: rail_a, rail_v (R, 2), offset_v, drop_v, sensor_c, current_a, load_share_v (of
    drop_v, what DC through the load adds).
    """

    def __init__(self, sets: Sets, ambient_c: FloatArray) -> None:
        self.sets = sets
        runs = len(sets.rail_v)
        room = np.repeat(ambient_c[:, None], 2, axis=1)
        halves = np.repeat(room[:, :, None], 2, axis=2)
        self.heat = Heat(halves, halves.copy(), room.copy(), room.copy(), room.copy(), room.copy())
        self.sensor_c = room.copy()
        self.mains_on: BoolArray = np.zeros(runs, dtype=np.bool_)
        self.limiter_in: BoolArray = np.zeros(runs, dtype=np.bool_)
        self.load_on: BoolArray = np.zeros(runs, dtype=np.bool_)
        self.percent = np.zeros(runs)
        self.peak_v = np.zeros(runs)
        self.leak_a = np.zeros(runs)
        self.short_s = np.zeros(runs)
        self.rail_share = np.ones((runs, 2))
        self.bias_shift_v = np.zeros((runs, 2))
        self.oscillation_v = np.zeros((runs, 2))
        self.crowd_a = np.zeros((runs, 2))
        self.offset_shift_v = np.zeros((runs, 2))
        self.cooling = np.ones((runs, 2))
        self.rail_v = np.zeros((runs, 2))
        self.rail_a = np.zeros((runs, 2))
        self.offset_v = np.zeros((runs, 2))
        self.drop_v = np.zeros((runs, 2))
        self.load_share_v = np.zeros((runs, 2))
        self.current_a = np.full((runs, 2), 1e-9)
        self.damaged: list[list[tuple[float, str]]] = [[] for _ in range(runs)]
        self._ln_a = np.full((runs, 2), -20.0)
        self._lamp_k = np.full(runs, _LAMP_COLD_K)
        self._mains_a = np.zeros(runs)
        self._network_w = np.zeros((runs, 2))
        self._emitter_w = np.zeros((runs, 2))
        self._speaker_w = np.zeros((runs, 2))
        self._gone: set[tuple[int, int, str]] = set()
        self.changed()

    def changed(self) -> None:
        """Take note that resistances, capacities or lags of `sets` were changed."""
        s = self.sets
        self._keep_j = np.exp(-STEP_S / (s.rjc * s.cj))
        self._keep_spreader = np.exp(-STEP_S / s.spreader_lag_s)
        self._keep_driver = np.exp(-STEP_S / s.driver_lag_s)
        self._keep_sensor = np.exp(-STEP_S / s.sensor_lag_s)
        self._per_device = _uneven(s) / (2.0 * s.pairs[:, :, None])
        self._lamp_cold_ohm = s.mains_v**2 / s.lamp_w * (_LAMP_COLD_K / _LAMP_HOT_K) ** _LAMP_POWER

    def step(self, t_s: float, mains: FloatArray, ambient_c: FloatArray, noise_v: FloatArray) -> None:
        """Advance by STEP_S to t_s.

        Args:
            mains: mains over nominal, shape (R,).
            noise_v: of the bias voltage, shape (R, 2).
        """
        s = self.sets
        self._supply(mains)
        low = np.minimum(self.rail_v[:, 0], self.rail_v[:, 1])
        mean = 0.5 * (self.rail_v[:, 0] + self.rail_v[:, 1])
        alive = np.clip(low / 8.0, 0.0, 1.0)[:, None]
        fixed, per_ln, ohm = _loop_terms(s, self.heat, np.maximum(low, 1.0)[:, None], self.current_a)
        wanted = (s.setting_v + self.bias_shift_v + noise_v) * alive
        self._ln_a = _newton(self._ln_a, fixed - wanted, per_ln, ohm, 3)
        self.current_a = idle = np.exp(self._ln_a)
        side, load_w = idle, np.zeros((len(low), 1))
        rms2 = idle * idle
        if self.peak_v.any():
            peak_v = np.minimum(self.peak_v, np.maximum(low - 2.0, 0.0))
            peak_a = np.where(self.load_on, peak_v / s.load_ohm, 0.0)[:, None] / s.pairs
            side = law.mean_side_a(idle, peak_a)
            rms2 = rms2 + 0.25 * peak_a**2
            load_w = (0.5 * peak_v**2 / s.load_ohm * self.load_on)[:, None]
        per_channel = side * s.pairs + self.crowd_a
        offset = s.offset_v + s.offset_per_k * (self.heat.mount_c - _ROOM_C) + self.offset_shift_v
        top = np.maximum(low - 2.0, 0.0)[:, None]
        offset = np.minimum(np.maximum(offset * alive, -top), top)
        # A stage that lost a rail follows the other.
        tilt = (self.rail_v[:, 0] - self.rail_v[:, 1])[:, None]
        offset = np.where((low < 5.0)[:, None] & (np.abs(tilt) > 5.0), 0.75 * tilt, offset)
        load_a = np.where(self.load_on[:, None], offset / s.load_ohm[:, None], 0.0)
        source, sink = np.maximum(load_a, 0.0), np.maximum(-load_a, 0.0)
        self.offset_v = offset
        rails = mean / s.rail_v
        short = self.short_s * (self.rail_v[:, 0] + self.rail_v[:, 1])
        total = per_channel.sum(axis=1) + s.other_a * rails + short
        self.rail_a = np.stack([total + source.sum(axis=1) + self.leak_a * rails, total + sink.sum(axis=1)], axis=1)
        # The upper half of each pair is metered: i+ - i- = load, i+ i- = idle squared.
        half_a = 0.5 * load_a / s.pairs
        self.load_share_v = s.metered_ohm * (half_a + np.sqrt(idle * idle + half_a * half_a) - idle)
        self.drop_v = s.metered_ohm * side + self.load_share_v
        network = self.oscillation_v**2 * s.network_s
        volts = (self.rail_v[:, 0] + self.rail_v[:, 1])[:, None]
        heat_w = volts * per_channel + self._dc_heat(offset, source, sink) - load_w
        heat_w = heat_w - 2.0 * s.pairs * rms2 * s.emitter_ohm - network
        self._warm(np.maximum(heat_w, 0.0), ambient_c)
        self._harm(t_s, network, side, offset)

    def _dc_heat(self, offset: FloatArray, source: FloatArray, sink: FloatArray) -> FloatArray:
        pos = (self.rail_v[:, :1] - offset) * source
        neg = (self.rail_v[:, 1:] + offset) * sink
        return np.asarray(pos + neg)

    def _supply(self, mains: FloatArray) -> None:
        s = self.sets
        wall_v = s.mains_v * mains * 0.01 * self.percent * self.mains_on
        ohm = self._lamp_cold_ohm * (self._lamp_k / _LAMP_COLD_K) ** _LAMP_POWER
        # What the amplifier takes, seen on the mains side, with some magnetising current.
        taken_w = (self.rail_v * self.rail_a).sum(axis=1)
        wanted_a = 1.3 * taken_w / np.maximum(wall_v, 5.0) + 0.03 * (wall_v > 0.0)
        most_a = wall_v / ohm
        self._mains_a += 0.3 * (np.minimum(wanted_a, most_a) - self._mains_a)
        lamp_v = np.where(self.limiter_in, np.minimum(self._mains_a * ohm, wall_v), 0.0)
        goal_k = _LAMP_HOT_K * np.maximum(lamp_v * self._mains_a / s.lamp_w, 1e-6) ** 0.25
        self._lamp_k += 0.3 * (np.maximum(goal_k, _LAMP_COLD_K) - self._lamp_k)
        # Rails are stated at their idle load: regulation is counted from there.
        open_v = s.rail_v * (wall_v - lamp_v) / s.mains_v
        fall = s.source_ohm[:, None] * np.minimum(self.rail_a, 20.0) * (self.mains_on[:, None])
        goal = np.maximum(open_v[:, None] * self.rail_share * 1.01 - fall, 0.0)
        goal = goal / (1.0 + 2.0 * (s.source_ohm * self.short_s)[:, None])
        quick = np.where(self.limiter_in, 0.12, 0.5)[:, None]
        change = quick * (goal - self.rail_v)
        least = -np.maximum(self.rail_a, 0.005) * STEP_S / s.reservoir_f[:, None]
        self.rail_v = np.maximum(self.rail_v + np.maximum(change, least), 0.0)

    def _warm(self, heat_w: FloatArray, ambient_c: FloatArray) -> None:
        s, h = self.sets, self.heat
        room = ambient_c[:, None]
        device = heat_w[:, :, None] * self._per_device
        goal = h.case_c + device * s.rjc
        junction = goal + (h.junction_c - goal) * self._keep_j
        into_case = device - s.cj * (junction - h.junction_c) / STEP_S
        into_sink = (h.case_c - h.mount_c[:, :, None]) / s.rcs
        case = h.case_c + (into_case - into_sink) * STEP_S / s.cc
        across = (h.mount_c - h.fins_c) * s.g12
        mount = h.mount_c + (s.pairs * into_sink.sum(axis=2) - across) * STEP_S / s.c1
        out = self.cooling * law.given_off_w(h.fins_c - room, room, s.conv_w, s.conv_power, s.rad_m2)
        between = s.cross[:, None] * (h.fins_c - h.fins_c[:, ::-1])
        fins = h.fins_c + (across - out - between) * STEP_S / s.c2
        goal = room + s.driver_rise_k * self.mains_on[:, None] + s.driver_on_sink * (mount - room)
        driver = goal + (h.driver_c - goal) * self._keep_driver
        goal = _sensed(s, mount, case, driver)
        spreader = goal + (h.spreader_c - goal) * self._keep_spreader
        goal = mount + s.sensor_on_fins * (fins - mount)
        self.sensor_c = goal + (self.sensor_c - goal) * self._keep_sensor
        self.heat = Heat(junction, case, mount, fins, driver, spreader)

    def _harm(self, t_s: float, network_w: FloatArray, side_a: FloatArray, offset_v: FloatArray) -> None:
        s = self.sets
        self._network_w += (network_w - self._network_w) * STEP_S / NETWORK_TAU_S
        emitter = (side_a**2) * s.emitter_ohm + (
            0.25 * (self.short_s[:, None] * self.rail_v.sum(axis=1)[:, None]) ** 2
        ) * s.emitter_ohm
        self._emitter_w += (emitter - self._emitter_w) * STEP_S / EMITTER_TAU_S
        speaker = np.where(self.load_on[:, None], offset_v**2 / s.load_ohm[:, None], 0.0)
        self._speaker_w += (speaker - self._speaker_w) * STEP_S / SPEAKER_TAU_S
        hot = self.heat.junction_c.max(axis=2) > s.tj_max_c + JUNCTION_MARGIN_K
        burnt = self._network_w > NETWORK_OVERLOAD * s.network_w
        opened = self._emitter_w > EMITTER_FAILS_W
        blown = self._speaker_w > SPEAKER_DC_W
        if hot.any() or burnt.any() or opened.any() or blown.any():
            for what, which in (
                ("output device", hot), ("network resistor", burnt), ("emitter resistor", opened), ("load", blown)
            ):  # fmt: skip
                for run, channel in zip(*np.nonzero(which), strict=True):
                    self._note(t_s, int(run), int(channel), what)

    def _note(self, t_s: float, run: int, channel: int, what: str) -> None:
        key = (run, channel, what)
        if key not in self._gone:
            self._gone.add(key)
            self.damaged[run].append((round(t_s, 3), f"{what} {('left', 'right')[channel]}"))
