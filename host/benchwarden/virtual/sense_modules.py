"""What does an output module put on its converter's pins, and in how far are its parts off?

The module's ground floats so that the output terminal is its AIN3, at half its
3.3 V; every reading is a difference against that (hardware/README.md, scaling).
Errors of the parts are drawn once by seed: they are the truth that a
calibration has to find.

Not modelled: the detector's hold of some 10 ms (it shows the present peak),
its response below 100 kHz, clamps (they conduct beyond the converter's range),
leakage of protection diodes, errors that move with temperature.

Sources: dividers and filters are those of hardware/README.md and its circuits;
input impedances of the ADS1115 by range (710 kohm at +-0.256 V, 4.9 Mohm at
+-2.048 V) from memory of SBAS444D.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, sqrt

import numpy as np

from benchwarden.virtual.parts import (
    MUX_0,
    MUX_0_1,
    MUX_0_3,
    MUX_1,
    MUX_1_3,
    MUX_2,
    MUX_2_3,
    MUX_3,
    NowUs,
    Volts,
)

SHUNT_OHM = 0.010
OFFSET_RATIO = 55.0
HF_RATIO = 25.0
MIDDLE_V = 1.65
BIAS_SERIES_OHM = 4870.0
BIAS_INPUT_OHM = 710e3
OFFSET_SOURCE_OHM = 982.0  # 1 k beside 54 k
OFFSET_INPUT_OHM = 4.9e6
BIAS_LAG_S = 4.4e-3  # 4.4 kohm, 1 uF
OFFSET_LAG_S = 21.6e-3  # 982 ohm, 22 uF
# The detector gives up to this much less than the peak, and all of it from a
# peak of some tenths of a volt on.
FOOT_V = 0.172
FOOT_U_V = 0.036


def detected_v(peak_v: float, foot_v: float = FOOT_V) -> float:
    """Return what the envelope detector makes of a peak at the terminal, times its divider.

    Solves peak = u + foot u / (u + FOOT_U_V) for u >= 0, the law fitted to the
    detector's simulation.
    """
    half = 0.5 * (peak_v - FOOT_U_V - foot_v)
    return half + sqrt(half * half + FOOT_U_V * peak_v)


class Lag:
    """A first-order low-pass, worked out when somebody looks: the input is held to have stood since the last look."""

    __slots__ = ("_at_us", "_clock", "_rate", "_source", "_value")

    def __init__(self, clock: NowUs, source: Volts, lag_s: float) -> None:
        self._clock = clock
        self._source = source
        self._rate = -1e-6 / lag_s
        self._at_us = clock.now_us
        self._value = source()

    def __call__(self) -> float:
        now_us = self._clock.now_us
        target = self._source()
        self._value = value = target + (self._value - target) * exp((now_us - self._at_us) * self._rate)
        self._at_us = now_us
        return value


class OutputModule:
    """Dividers, filters and detector of one output module.

    Args:
        clock: tells the time, for the filters.
        rng: seeds the errors of its parts.

    Attributes:
        ratio, hf_ratio, foot_v, middle_v, loading: the parts as they are.
    """

    def __init__(self, clock: NowUs, rng: np.random.Generator) -> None:
        self._clock = clock
        # Resistors of 0.1 % (three sigma 0.15 % for the ratio), detector's
        # divider 1 %, mid supply 1 %, input impedance 10 %.
        self.ratio = OFFSET_RATIO * (1 + float(rng.normal(0, 0.0005))) * (1 + OFFSET_SOURCE_OHM / OFFSET_INPUT_OHM)
        self.middle_v = MIDDLE_V * (1 + float(rng.normal(0, 0.0033)))
        self.hf_ratio = HF_RATIO * (1 + float(rng.normal(0, 0.003)))
        self.foot_v = FOOT_V * (1 + float(rng.normal(0, 0.02)))
        self.loading = 1 + BIAS_SERIES_OHM / BIAS_INPUT_OHM * (1 + float(rng.normal(0, 0.033)))

    def inputs(self, terminal: Callable[[str, float], Volts]) -> dict[int, Volts]:
        """Return the converter's inputs by multiplexer code, with the leads on one side's terminals.

        Args:
            terminal: gives the true value of "bias" (drop across the emitter
                resistor), "offset" (terminal against the amplifier's 0 V) or
                "hf" (peak above 100 kHz), times a gain.
        """
        drop = Lag(self._clock, terminal("bias", 1 / self.loading), BIAS_LAG_S)
        offset = Lag(self._clock, terminal("offset", -1 / self.ratio), OFFSET_LAG_S)
        peak, hf_ratio, foot_v = terminal("hf", 1.0), self.hf_ratio, self.foot_v
        middle_v = self.middle_v

        def envelope() -> float:
            return detected_v(abs(peak()), foot_v) / hf_ratio

        return {
            MUX_0_3: drop,
            MUX_1_3: envelope,
            MUX_2_3: offset,
            MUX_3: lambda: middle_v,
            MUX_0: lambda: middle_v + drop(),
            MUX_1: lambda: middle_v + envelope(),
            MUX_2: lambda: middle_v + offset(),
            MUX_0_1: lambda: drop() - envelope(),
        }
