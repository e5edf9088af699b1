"""What does this amplifier ask of its output transistors and of what drives them?"""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.core.job import PART_ROLES
from benchwarden.core.unit import Unit
from benchwarden.errors import JobError

# Mains above nominal that equipment has to stand. Source: EN 50160, +10 %, from memory.
MAINS_HIGH = 1.10
# Least impedance of a loudspeaker over its nominal one. Source: IEC 60268-5, 16.1, from memory;
# visaton.de, dictionary, "impedance curve", says the same 80 %.
LEAST_SHARE = 0.8
# What a loudspeaker asks for in moments, over its nominal impedance. Source: common practice, no source.
MOMENTARY_SHARE = 0.5
# Phase of a loudspeaker at its worst. Source: common practice, no source; the heat forecast of a plan takes the same.
PHASE_DEG = 60.0
# Uneven sharing between parallel pairs in spite of emitter resistors. Source: common practice, no source.
SHARING = 1.1
# Least gain of what is driven, at peak current. Source: sheets of large output transistors promise 15 at
# half their current (MJ15022/MJ15024, 15 at 8 A of 16 A); of drivers: common practice, no source.
OUTPUT_GAIN = 15.0
DRIVER_GAIN = 40.0
# Standing current of a driver; the set's own is not among its facts. Source: common practice, no source.
DRIVER_IDLE_A = 0.02
# Hottest sink accepted and case to sink through an insulator, by the amplifier's package.
# Source: common practice, no source; the figures a plan's sink limit is capped with.
_SINK = {"metal-can": (100.0, 0.5), "plastic": (90.0, 0.7)}
# Small plastic driver through its insulator. Source: common practice, no source.
DRIVER_RTH_CS = 1.0


@dataclass(frozen=True)
class CircuitFacts:
    """What the position of a part is exposed to.

    Attributes:
        role: one of core.job.PART_ROLES; nothing is known of what "other" has to bear.
        rail_v: each rail at nominal mains, idle, volts.
        load_ohm: nominal load.
        rated_power_w: of one channel into it.
        pairs: output pairs of one channel.
        emitter_ohm: one emitter resistor.
        idle_a: one output device's standing current, amperes.
        sink_c: hottest sink, Celsius; the part is judged on a sink as hot as that.
        sink_words: where sink_c is from.
        rth_cs_k_per_w: case to sink.
        gain_after: least gain of the stages between this part and the load, at peak current; 1 for an output.
        gain_words: where gain_after is from; "" for an output.
    """

    role: str
    rail_v: float
    load_ohm: float
    rated_power_w: float
    pairs: int
    emitter_ohm: float
    idle_a: float
    sink_c: float
    sink_words: str
    rth_cs_k_per_w: float
    gain_after: float = 1.0
    gain_words: str = ""

    @classmethod
    def of(cls, unit: Unit, role: str, sink_c: float | None = None, output_gain: float | None = None) -> CircuitFacts:
        """Return what a part in this role of this amplifier has to bear.

        Args:
            sink_c: hottest sink as the plan limits it; None takes 100 C for metal cans and 90 C for plastic
                packages, the most that a plan ever accepts.
            output_gain: least gain of the outputs at peak current, where a driver or predriver is judged;
                None takes 15.

        Raises:
            JobError: there is no such role, or a figure makes no sense.
        """
        if role not in PART_ROLES:
            raise JobError(f"role = {str(role)[:80]!r}; allowed: {', '.join(PART_ROLES)}")
        if sink_c is not None and not 0.0 <= sink_c <= 200.0:
            raise JobError(f"sink_c = {sink_c:g}; allowed: 0 to 200")
        if output_gain is not None and not 1.0 <= output_gain <= 100_000.0:
            raise JobError(f"output_gain = {output_gain:g}; allowed: 1 to 100000")
        cap_c, rth_cs = _SINK[unit.package]
        if sink_c is None:
            sink_c, words = cap_c, f"the most a plan accepts for {unit.package} devices, common practice, no source"
        else:
            words = "as given"
        gain, gain_words = _gain_after(role, output_gain)
        if role in ("driver", "predriver"):
            rth_cs = DRIVER_RTH_CS
        elif unit.rth_cs_k_per_w is not None:
            rth_cs = unit.rth_cs_k_per_w
        return cls(
            role=role,
            rail_v=unit.rail_nominal_v,
            load_ohm=unit.load_ohm,
            rated_power_w=unit.rated_power_w,
            pairs=unit.output_pairs,
            emitter_ohm=unit.emitter_resistor_ohm,
            idle_a=unit.target_bias_drop_mv / 1000.0 / unit.emitter_resistor_ohm,
            sink_c=sink_c,
            sink_words=words,
            rth_cs_k_per_w=rth_cs,
            gain_after=gain,
            gain_words=gain_words,
        )

    @property
    def rail_high_v(self) -> float:
        """Each rail at high mains, idle; no sag is reckoned with, on the safe side."""
        return self.rail_v * MAINS_HIGH

    @property
    def least_ohm(self) -> float:
        """Least impedance of a loudspeaker of this nominal one."""
        return self.load_ohm * LEAST_SHARE

    @property
    def shared_by(self) -> float:
        """Load current over this part's own current."""
        if self.role == "output":
            return self.pairs / (SHARING if self.pairs > 1 else 1.0)
        return self.gain_after

    @property
    def own_idle_a(self) -> float:
        """Standing current that does not come from the load current."""
        return 0.0 if self.role == "output" else DRIVER_IDLE_A

    def swing_v(self, ohm: float) -> float:
        """Return the largest output peak into `ohm`: the rail less the drop on the emitter resistors."""
        return self.rail_high_v * ohm / (ohm + self.emitter_ohm / self.pairs)

    def peak_a(self, ohm: float) -> float:
        """Return this part's peak current with `ohm` as the load, amperes."""
        return self.swing_v(ohm) / ohm / self.shared_by + self.own_idle_a

    def peak_words(self, ohm: float) -> str:
        """Return how `peak_a` came about."""
        drop = self.emitter_ohm / self.pairs
        words = f"{self.rail_v:g} V x {MAINS_HIGH:.2f} / ({ohm:.3g} + {drop:.3g} ohm)"
        if self.role != "output":
            return f"{words} / {self.gain_after:g} + {DRIVER_IDLE_A:g} A ({self.gain_words})"
        if self.pairs > 1:
            return f"{words} / {self.pairs} pairs x {SHARING:g} for uneven sharing"
        return words


def _gain_after(role: str, output_gain: float | None) -> tuple[float, str]:
    if role not in ("driver", "predriver"):
        return 1.0, ""
    gain = OUTPUT_GAIN if output_gain is None else output_gain
    words = f"outputs' least gain {gain:g}" + ("" if output_gain is not None else ", taken: common practice, no source")
    if role == "predriver":
        gain *= DRIVER_GAIN
        words += f"; drivers' least gain {DRIVER_GAIN:g}, taken: common practice, no source"
    return gain, words
