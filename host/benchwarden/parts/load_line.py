"""Where does a transistor's operating point go in a cycle, and how much heat does that make?

Sine signal, both rails stiff. The halves of the stage share the load current so that the
product of their currents keeps (translinear principle, from memory): class AB, and class B
with no idle current. A load of a phase moves the point round an ellipse about (rail, 0); a
smaller swing is the same ellipse drawn smaller about the same point, hence inside it, so the
full swing decides about the safe area and the worst swing about the heat alone.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchwarden.parts.circuit_facts import PHASE_DEG, CircuitFacts

FloatArray = npt.NDArray[np.float64]
POINTS = 1440
# Lowest frequency at full swing; the slower, the longer a point stays where it is. Source: the lower end of
# the audio band.
LOWEST_HZ = 20.0
_SWINGS = 100


@dataclass(frozen=True)
class Loop:
    """One cycle of one device.

    Attributes:
        volts, amps: collector-emitter volts and collector amperes, shape (POINTS,), evenly spaced in time.
        conducts: while the load current is this device's, shape (POINTS,).
    """

    volts: FloatArray
    amps: FloatArray
    conducts: npt.NDArray[np.bool_]

    @property
    def mean_w(self) -> float:
        """Heat of the device, averaged over the cycle."""
        return float(np.mean(self.volts * self.amps))

    @property
    def peak_w(self) -> float:
        """Greatest heat in the cycle."""
        return float(np.max(self.volts * self.amps))


def loop(
    rail_v: float,
    peak_v: float,
    ohm: float,
    phase_deg: float = 0.0,
    emitter_ohm: float = 0.0,
    pairs: int = 1,
    idle_a: float = 0.0,
) -> Loop:
    """Return the cycle of one output device at an output sine of peak_v.

    Args:
        ohm: magnitude of the load's impedance; phase_deg is its phase, either sign being the same loop run backwards.
        idle_a: standing current of one device.
    """
    turn = 2.0 * np.pi * np.arange(POINTS) / POINTS
    load_a = peak_v / ohm * np.sin(turn - np.radians(phase_deg))
    total_a = load_a / 2.0 + np.sqrt(load_a**2 / 4.0 + (pairs * idle_a) ** 2)
    own_a = total_a / pairs
    volts = rail_v - peak_v * np.sin(turn) - own_a * emitter_ohm
    return Loop(np.maximum(volts, 0.0), own_a, load_a > 0.0)


@dataclass(frozen=True)
class Load:
    """One load of the amplifier, as a part there meets it.

    Attributes:
        name: in words.
        own: the load the amplifier is made for, so that nothing excuses what fails there.
        loop: at full swing.
        heat_w: one device's mean heat at the swing that makes most of it.
        swing_share: that swing, as a share of the full one.
    """

    name: str
    own: bool
    loop: Loop
    heat_w: float
    swing_share: float


@functools.lru_cache(maxsize=64)
def loads(circuit: CircuitFacts) -> tuple[Load, ...]:
    """Return the loads that a part is judged with, the amplifier's own first.

    Impedance and phase do not get worst together: where a loudspeaker's impedance is least its
    phase goes through zero, and where the phase is 60 degrees the impedance is on a steep slope
    (a minimum-phase impedance turns by its slope; Bode's relation, from memory). So the
    least impedance is taken as a resistance, and the phase with the nominal impedance.
    """
    nominal, least = circuit.load_ohm, circuit.least_ohm
    return (
        _load(circuit, f"{nominal:g} ohm, resistive", nominal, 0.0, True),
        _load(circuit, f"{least:g} ohm, resistive (least impedance)", least, 0.0, False),
        _load(circuit, f"{nominal:g} ohm, reactive {PHASE_DEG:g} degrees", nominal, PHASE_DEG, False),
    )


def _load(circuit: CircuitFacts, name: str, ohm: float, phase_deg: float, own: bool) -> Load:
    full = circuit.swing_v(ohm)

    def at(share: float) -> Loop:
        whole = loop(
            circuit.rail_high_v, full * share, ohm, phase_deg, circuit.emitter_ohm, circuit.pairs, circuit.idle_a
        )
        amps = whole.amps * circuit.pairs / circuit.shared_by + circuit.own_idle_a
        return Loop(whole.volts, amps, whole.conducts)

    shares = np.linspace(0.0, 1.0, _SWINGS + 1)[1:]
    heats = [at(float(share)).mean_w for share in shares]
    worst = int(np.argmax(heats))
    return Load(name, own, at(1.0), heats[worst], float(shares[worst]))
