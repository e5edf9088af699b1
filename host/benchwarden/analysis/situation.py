"""What the bench is doing right now: energised or not, calm or being changed, and since when.

Detectors look at their channels in the light of this: a bias that rises while the
transformer is being turned up means nothing, the same rise on calm rails does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from benchwarden.analysis.seconds import Second
from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.plan import StageFigures
from benchwarden.core.unit import Unit

# A rail that moved by more than this share of its nominal value was changed by
# something outside the amplifier. Twice the change that loaded regulation and
# ripple make within a second; common practice, no source.
MOVED_SHARE = 0.02
NAN = math.nan

POS_A, NEG_A = INDEX["rail_pos_a"], INDEX["rail_neg_a"]
POS_V, NEG_V = INDEX["rail_pos_v"], INDEX["rail_neg_v"]
OFFSET = (INDEX["offset_left_v"], INDEX["offset_right_v"])
BIAS = (INDEX["bias_left_v"], INDEX["bias_right_v"])
SINK = (INDEX["sink_left_c"], INDEX["sink_right_c"])
AMBIENT = INDEX["ambient_c"]
HF = (INDEX["hf_left_v"], INDEX["hf_right_v"])
SIDES = ("left", "right")


@dataclass(frozen=True)
class StageNow:
    """The setting of transformer, limiter and drive in force, with its computed figures."""

    t_start_s: float
    name: str
    mains_pct: float
    limiter_in: bool
    drive_on: bool
    figures: StageFigures


@dataclass(frozen=True)
class Facts:
    """The unit's facts in the form detectors use.

    Attributes:
        target_v: bias drop the technician aims at, volts.
        amps_per_bias_v: rail current per volt of bias drop of one channel.
        device_k_per_w: junction to sink of one device.
    """

    unit: Unit
    target_v: float
    rail_v: float
    amps_per_bias_v: float
    device_k_per_w: float
    tj_safe_c: float
    rate_hz: float
    known_bits: tuple[str, ...]

    @classmethod
    def of(cls, unit: Unit, known_bits: tuple[str, ...]) -> Facts:
        can = unit.package == "metal-can"
        # TO-3 class cans and TO-247 class plastic packages; the usual ratings
        # of audio output devices (datasheets of both kinds; from memory).
        rth_jc = unit.rth_jc_k_per_w if unit.rth_jc_k_per_w is not None else (1.2 if can else 1.0)
        rth_cs = unit.rth_cs_k_per_w if unit.rth_cs_k_per_w is not None else (0.5 if can else 0.7)
        tj_max_c = unit.tj_max_c if unit.tj_max_c is not None else (200.0 if can else 150.0)
        return cls(
            unit=unit,
            target_v=unit.target_bias_drop_mv * 1e-3,
            rail_v=unit.rail_nominal_v,
            amps_per_bias_v=unit.output_pairs / unit.emitter_resistor_ohm,
            device_k_per_w=rth_jc + rth_cs,
            tj_safe_c=tj_max_c - 25.0,
            rate_hz=unit.sample_rate_hz,
            known_bits=known_bits,
        )


@dataclass
class Situation:
    """State of the bench after the newest second; times are durations up to it.

    Attributes:
        mains: mains is on (contact, or rails where there is no contact column).
        mains_s, off_s: since it came on or went off, 0 while the other holds.
        still_s: since a rail last moved, mains or limiter changed.
        unlifted_s: since a rail last rose (a sag does not count).
        drive, drive_s: test signal on; since it last changed.
        idle: mains on, no drive, nothing switched in this second.
        alive_v: mean magnitude of the two rails, volts, NaN when neither is known.
        gap: the time before this second holds a gap.
    """

    facts: Facts
    t_s: float = NAN
    dt_s: float = 1.0
    gap: bool = False
    mains: bool = False
    mains_s: float = 0.0
    off_s: float = 0.0
    still_s: float = 0.0
    unlifted_s: float = 0.0
    drive: bool = False
    drive_s: float = math.inf
    limiter: bool = False
    idle: bool = False
    alive_v: float = NAN
    power_w: tuple[float, float] = (NAN, NAN)
    _drops_v: tuple[float, float] = (NAN, NAN)
    _shares_v: tuple[float, float] = (0.0, 0.0)
    _offsets_v: list[tuple[float, float]] = field(default_factory=list)
    _ref_v: list[float] = field(default_factory=lambda: [NAN, NAN])
    _low_v: list[float] = field(default_factory=lambda: [NAN, NAN])

    def update(self, second: Second, stage: StageNow) -> None:
        """Take in one second."""
        facts = self.facts
        previous = self.t_s
        first = math.isnan(previous)
        self.dt_s = 1.0 if first else second.t_s - previous
        self.gap = not first and self.dt_s > max(3.5, 6.0 / facts.rate_hz)
        self.t_s = second.t_s
        volts = [abs(second.mean[POS_V]), abs(second.mean[NEG_V])]
        there = [v for v in volts if v == v]
        self.alive_v = sum(there) / len(there) if there else NAN
        was_on, was_drive, was_limiter = self.mains, self.drive, self.limiter
        if "mains_on" in facts.known_bits:
            self.mains = second.mains_on
        elif there:
            # No contact column: rails that stand tell it, with hysteresis.
            self.mains = self.alive_v > (0.05 if was_on else 0.1) * facts.rail_v
        else:
            self.mains = stage.mains_pct > 0
        self.drive = second.drive_on if "drive_on" in facts.known_bits else stage.drive_on
        self.limiter = second.limiter_in if "limiter_in" in facts.known_bits else stage.limiter_in
        dt = self.dt_s
        self.mains_s = self.mains_s + dt if self.mains and (was_on or first) else 0.0
        self.off_s = self.off_s + dt if not self.mains and (not was_on or first) else 0.0
        self.drive_s = 0.0 if self.drive != was_drive and not first else self.drive_s + dt
        self.still_s += dt
        self.unlifted_s += dt
        if self.mains != was_on or self.limiter != was_limiter or self.drive != was_drive or self.gap:
            self.still_s = self.unlifted_s = 0.0
        self._watch_rails(volts, second)
        self.idle = self.mains and not self.drive and not second.switched and not self.gap
        self._offsets_v = [*self._offsets_v[-2:], (second.mean[OFFSET[0]], second.mean[OFFSET[1]])]
        self._shares_v = left_v, right_v = self._share_v(second, 0), self._share_v(second, 1)
        self._drops_v = (second.mean[BIAS[0]] - left_v, second.mean[BIAS[1]] - right_v)
        self._powers(second)

    def _watch_rails(self, volts: list[float], second: Second) -> None:
        # With signal on, the rails breathe with the load: that is no change from outside.
        tolerance = MOVED_SHARE * self.facts.rail_v * (2.5 if self.drive else 1.0)
        for i, v in enumerate(volts):
            if v != v:
                continue
            if not abs(v - self._ref_v[i]) <= tolerance:
                self._ref_v[i] = v
                self.still_s = 0.0
            self._low_v[i] = v if self._low_v[i] != self._low_v[i] else min(self._low_v[i], v)
            if v > self._low_v[i] + tolerance:
                self._low_v[i] = v
                self.unlifted_s = 0.0
            elif self.still_s == 0.0:
                self._low_v[i] = v

    def idle_drop_v(self, k: int) -> float:
        """Return the bias drop of side k less what DC through a load adds to it, volts, NaN when missing."""
        return self._drops_v[k]

    def load_share_v(self, k: int) -> float:
        """Return that share of the bias drop which DC through a load adds, volts; 0 without one."""
        return self._shares_v[k]

    def _share_v(self, second: Second, k: int) -> float:
        value, offset = second.mean[BIAS[k]], second.mean[OFFSET[k]]
        if not self.facts.unit.load_connected or offset != offset:
            return 0.0
        # A click on the output drives no current that lasts: the middle one of three seconds is taken.
        if len(self._offsets_v) == 3:
            a, b = self._offsets_v[0][k], self._offsets_v[1][k]
            low, high = (a, b) if a <= b else (b, a)
            if low == low and high == high:
                offset = low if offset < low else high if offset > high else offset
        load_v = abs(offset) / self.facts.unit.load_ohm / self.facts.amps_per_bias_v
        if not value > load_v:
            return load_v
        # The metered half carries the load: i+ - i- is the load's current and i+ i- the square of the
        # idle one, the law of two exponential junctions. (If the other half does, the drop is smaller yet.)
        return value - math.sqrt(value * (value - load_v))

    def _powers(self, second: Second) -> None:
        """Idle dissipation of one channel's output stage, from its own bias drop."""
        if self.alive_v != self.alive_v:
            self.power_w = (NAN, NAN)
            return
        swing_v = 2.0 * self.alive_v * self.facts.amps_per_bias_v
        self.power_w = (second.mean[BIAS[0]] * swing_v, second.mean[BIAS[1]] * swing_v)


def channel_text(index: int) -> str:
    """Return the fixed name of a channel."""
    return CHANNELS[index]
