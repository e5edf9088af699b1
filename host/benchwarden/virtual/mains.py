"""From the wall to the rails: wandering mains, variable transformer, lamp, transformer, rectifier, reservoirs.

The rectifier charges two reservoirs from one centre-tapped winding through a
bridge, so both rails are fed in every half cycle, and what the lamp, the
primary and the mains drop is shared by both. With the reservoir voltage taken
as constant over a half cycle the conduction angles and the mean and rms
currents follow in closed form (the integrals of V cos(x) minus a constant).

Not modelled: ripple voltage within a half cycle, core saturation and
magnetising current, leakage inductance, capacitor series resistance, a mains
waveform other than a sine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchwarden.virtual.lamp import Lamp

_TWO_OVER_PI = 2.0 / math.pi
_ROOT2 = math.sqrt(2.0)
_BLOCK = 4096


class Noise:
    """Normal deviates drawn ahead in blocks; the stream for a given seed never changes.

    RandomState is used because its stream is frozen across numpy versions.
    """

    __slots__ = ("_at", "_block", "_rng")

    def __init__(self, seed: int) -> None:
        self._rng = np.random.RandomState(seed & 0xFFFFFFFF)
        self._block: list[float] = []
        self._at = 0

    def normal(self) -> float:
        """Return one deviate of zero mean and unit variance."""
        at = self._at
        if at >= len(self._block):
            self._block = self._rng.standard_normal(_BLOCK).tolist()
            at = 0
        self._at = at + 1
        return self._block[at]

    def uniform(self) -> float:
        """Return one deviate spread evenly over 0 to 1."""
        return 0.5 * (1.0 + math.erf(self.normal() / _ROOT2))


@dataclass(frozen=True)
class WanderParams:
    """How mains and ambient move by themselves.

    Attributes:
        mains_drift: standard deviation of the slow drift, relative.
        mains_noise: cycle to cycle, relative, standard deviation.
        mains_step: usual size of a sudden step (a heater switching), relative.
        mains_step_every_s: mean time between steps.
        ambient_drift_k: standard deviation of the slow drift, kelvin.
        ambient_slope_k_per_h: the room's steady warming or cooling.
    """

    mains_drift: float = 0.008
    mains_noise: float = 0.0008
    mains_step: float = 0.006
    mains_step_every_s: float = 400.0
    mains_drift_tau_s: float = 900.0
    ambient_drift_k: float = 0.4
    ambient_drift_tau_s: float = 1500.0
    ambient_slope_k_per_h: float = 0.0


STILL = WanderParams(0.0, 0.0, 0.0, 1e12, 900.0, 0.0, 1500.0, 0.0)


class Wander:
    """Present mains factor (about 1, times `dip`) and ambient, moved once every TICK_S."""

    TICK_S = 0.1
    __slots__ = (
        "_base_c",
        "_drift",
        "_keep_k",
        "_keep_m",
        "_kick_k",
        "_kick_m",
        "_noise",
        "_p",
        "_room",
        "_slope",
        "_step",
        "ambient_c",
        "dip",
        "mains",
    )

    def __init__(self, params: WanderParams, ambient_c: float, noise: Noise) -> None:
        self._p = params
        self._noise = noise
        self._base_c = ambient_c
        self._keep_m = math.exp(-self.TICK_S / params.mains_drift_tau_s)
        self._kick_m = params.mains_drift * math.sqrt(1.0 - self._keep_m**2)
        self._keep_k = math.exp(-self.TICK_S / params.ambient_drift_tau_s)
        self._kick_k = params.ambient_drift_k * math.sqrt(1.0 - self._keep_k**2)
        self._slope = params.ambient_slope_k_per_h * self.TICK_S / 3600.0
        self._drift = params.mains_drift * noise.normal()
        self._room = 0.0
        self._step = 0.0
        self.dip = 1.0
        self.mains = 1.0 + self._drift
        self.ambient_c = ambient_c

    def shift_ambient(self, by_k: float) -> None:
        """Warm or cool the room at once."""
        self._base_c += by_k

    def tick(self) -> None:
        """Move on by TICK_S."""
        normal = self._noise.normal
        self._drift = self._drift * self._keep_m + self._kick_m * normal()
        self._room = self._room * self._keep_k + self._kick_k * normal()
        self._base_c += self._slope
        if self._noise.uniform() < self.TICK_S / self._p.mains_step_every_s:
            # A step away, then back: half of what was accumulated is undone.
            self._step = 0.5 * self._step + self._p.mains_step * normal()
        self.mains = self.dip * (1.0 + self._drift + self._step)
        self.ambient_c = self._base_c + self._room


def rectify(
    peak_v: float, low_v: float, high_v: float, branch_ohm: float, shared_ohm: float
) -> tuple[float, float, float, float, float, float, float, float]:
    """Return what a full-wave rectifier delivers into two reservoirs, averaged over a half cycle.

    Args:
        peak_v: open-circuit peak of one half winding less the diode drop.
        low_v, high_v: the reservoirs, the lower one first.
        branch_ohm: resistance of each rail's own path.
        shared_ohm: resistance common to both, seen from one half winding.
    Returns:
        mean current into the lower and into the higher reservoir; mean square
        of their sum; derivatives of the lower's current by its own voltage and
        by the other's, and of the higher's by its own (the fourth equals the
        second); the two half conduction angles, radians.
    """
    if peak_v <= low_v:
        return 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    alone = branch_ohm + shared_ohm
    both = shared_ohm + 0.5 * branch_ohm
    c1 = low_v / peak_v
    th1 = math.acos(c1)
    s1 = math.sqrt(1.0 - c1 * c1)
    gap = high_v - low_v
    onset = high_v + gap * shared_ohm / branch_ohm
    if onset < peak_v:
        c2 = onset / peak_v
        th2 = math.acos(c2)
        s2 = math.sqrt(1.0 - c2 * c2)
    else:
        c2, th2, s2 = 1.0, 0.0, 0.0
    mid = 0.5 * (low_v + high_v)
    half_total = 0.5 * (peak_v * s2 - mid * th2) / both
    split = 0.5 * gap * th2 / branch_ohm
    span = th1 - th2
    only = (peak_v * (s1 - s2) - low_v * span) / alone
    pk2 = 0.5 * peak_v * peak_v
    square = (pk2 * (span + s1 * c1 - s2 * c2) - 2.0 * peak_v * low_v * (s1 - s2) + low_v * low_v * span) / (
        alone * alone
    )
    if th2:
        square += (pk2 * (th2 + s2 * c2) - 2.0 * peak_v * mid * s2 + mid * mid * th2) / (both * both)
    own = th2 * (0.25 / both + 0.5 / branch_ohm)
    return (
        _TWO_OVER_PI * (only + half_total + split),
        _TWO_OVER_PI * (half_total - split),
        _TWO_OVER_PI * square,
        -_TWO_OVER_PI * (span / alone + own),
        _TWO_OVER_PI * th2 * (0.5 / branch_ohm - 0.25 / both),
        -_TWO_OVER_PI * own,
        th1,
        th2,
    )


@dataclass(frozen=True)
class SupplyParams:
    """The mains side and the set's own supply.

    Attributes:
        mains_v: nominal, volts rms.
        half_winding_v: one half of the secondary, open circuit, at nominal mains, volts rms.
        branch_ohm: half of the secondary and its diodes.
        primary_ohm: primary and mains wiring, as seen from one half winding.
        diode_v: one diode's drop.
        reservoir_f: each rail's capacitance.
        lamp_w: limiter lamp.
    """

    mains_v: float
    mains_hz: float
    half_winding_v: float
    branch_ohm: float
    primary_ohm: float
    diode_v: float
    reservoir_f: float
    lamp_w: float


class Supply:
    """Rail voltages (both as positive numbers) and the lamp, advanced together.

    Attributes:
        pos_v, neg_v: reservoir voltages, magnitudes.
        charge_pos_a, charge_neg_a: mean charging currents.
        pos_open, neg_open: a rectifier or winding that no longer feeds its rail.
        lamp_w: power the lamp takes, watts.
        mains_w: power taken from the wall, watts.
    """

    __slots__ = (
        "_p",
        "_turns2",
        "charge_neg_a",
        "charge_pos_a",
        "lamp",
        "lamp_w",
        "last",
        "mains_a2",
        "neg_open",
        "neg_v",
        "peak_v",
        "pos_open",
        "pos_v",
        "settled",
        "shared_ohm",
    )

    def __init__(self, params: SupplyParams, ambient_c: float) -> None:
        self._p = params
        self.lamp = Lamp(params.lamp_w, params.mains_v, ambient_c)
        self._turns2 = (params.half_winding_v / params.mains_v) ** 2
        self.pos_v = self.neg_v = 0.0
        self.charge_pos_a = self.charge_neg_a = 0.0
        self.pos_open = self.neg_open = False
        self.lamp_w = 0.0
        self.mains_a2 = 0.0
        self.peak_v = 0.0
        self.shared_ohm = params.primary_ohm
        self.settled = True
        self.last: tuple[float, ...] = (0.0,) * 8

    def step(
        self,
        dt_s: float,
        mains_rms_v: float,
        limiter_in: bool,
        pos_a: float,
        neg_a: float,
        pos_s: float,
        neg_s: float,
        cross_s: float,
    ) -> None:
        """Advance by dt_s.

        Args:
            mains_rms_v: after the variable transformer; 0 with the relay open.
            pos_a, neg_a: load that does not depend on the rail, amperes.
            pos_s, neg_s: load conductance rail to ground, siemens.
            cross_s: load conductance rail to rail, siemens.
        """
        p = self._p
        peak = mains_rms_v / p.mains_v * p.half_winding_v * _ROOT2 - p.diode_v
        self.peak_v = peak
        c = p.reservoir_f
        left = dt_s
        count = 0
        while left > 1e-9:
            v_pos, v_neg = self.pos_v, self.neg_v
            if limiter_in:
                lamp_ohm = self.lamp.r_ohm * self._turns2
                shared = p.primary_ohm + lamp_ohm
            else:
                lamp_ohm = 0.0
                shared = p.primary_ohm
            pos_charge = neg_charge = square = j_pos = j_neg = j_x = 0.0
            if peak > 0.0:
                a = 1e9 if self.pos_open else v_pos
                b = 1e9 if self.neg_open else v_neg
                if a <= b:
                    got = rectify(peak, a, b, p.branch_ohm, shared)
                    pos_charge, neg_charge, square, j_pos, j_x, j_neg = got[:6]
                else:
                    got = rectify(peak, b, a, p.branch_ohm, shared)
                    neg_charge, pos_charge, square, j_neg, j_x, j_pos = got[:6]
                self.last = got
            cross = cross_s * (v_pos + v_neg)
            f_pos = pos_charge - pos_a - pos_s * v_pos - cross
            f_neg = neg_charge - neg_a - neg_s * v_neg - cross
            # The charging law is strongly curved while the reservoirs fill, so
            # short steps are taken then and one step is enough afterwards.
            moved = (abs(f_pos) + abs(f_neg)) * left / c
            h = left
            if moved > 0.3 and count < 40:
                h = max(left * 0.3 / moved, 0.0004)
                if h > left:
                    h = left
            k = h / c
            m11 = 1.0 - k * (j_pos - pos_s - cross_s)
            m22 = 1.0 - k * (j_neg - neg_s - cross_s)
            m12 = -k * (j_x - cross_s)
            det = m11 * m22 - m12 * m12
            d_pos = k * (m22 * f_pos - m12 * f_neg) / det
            d_neg = k * (m11 * f_neg - m12 * f_pos) / det
            self.pos_v = v_pos + d_pos if v_pos + d_pos > 0.0 else 0.0
            self.neg_v = v_neg + d_neg if v_neg + d_neg > 0.0 else 0.0
            if limiter_in:
                self.lamp_w = square * lamp_ohm
            else:
                self.lamp_w = 0.0
            if limiter_in or self.lamp.t_k > 320.0:
                self.lamp.step(h, self.lamp_w)
            self.charge_pos_a = pos_charge + j_pos * d_pos + j_x * d_neg
            self.charge_neg_a = neg_charge + j_neg * d_neg + j_x * d_pos
            self.mains_a2 = square * self._turns2
            self.shared_ohm = shared
            left -= h
            count += 1
        self.settled = count == 1

    def pulses(self, phase: float, advance: float) -> tuple[float, float, float]:
        """Return the new phase and the mean charging currents over the next `advance` radians of mains phase.

        The pulse has the shape of a cosine cap of its own conduction angle and
        the mean that `step` found.

        Args:
            phase: 0 to pi, the peak of the half cycle at pi/2.
        """
        end = phase + advance
        angle = self.last[6]
        # Both rails take the wider conduction angle: the mean is each rail's own.
        share = (_cap_until(end, angle) - _cap_until(phase, angle)) * math.pi / advance
        return end % math.pi, self.charge_pos_a * share, self.charge_neg_a * share


def _cap_until(phase: float, angle: float) -> float:
    """Return how many pulses of this half conduction angle have passed at a phase, fractions included."""
    whole = int(phase / math.pi)
    if angle < 1e-4:
        return phase / math.pi
    x = phase - whole * math.pi - 0.5 * math.pi
    if x <= -angle:
        return whole
    if x >= angle:
        return whole + 1.0
    c = math.cos(angle)
    return whole + 0.5 + 0.5 * (math.sin(x) - x * c) / (math.sin(angle) - angle * c)


def half_winding_for(rail_v: float, load_a: float, branch_ohm: float, primary_ohm: float, diode_v: float) -> float:
    """Return the half-winding voltage, rms, that holds both rails at rail_v with load_a on each."""
    low, high = rail_v, rail_v + 3.0 * math.pi * load_a * (branch_ohm + 2.0 * primary_ohm) + 1e-3
    while rectify(high, rail_v, rail_v, branch_ohm, primary_ohm)[0] < load_a:
        high += high - rail_v
    for _ in range(80):
        peak = 0.5 * (low + high)
        if rectify(peak, rail_v, rail_v, branch_ohm, primary_ohm)[0] < load_a:
            low = peak
        else:
            high = peak
    return (high + diode_v) / _ROOT2
