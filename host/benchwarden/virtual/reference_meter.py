"""What does the reference meter at the virtual bench read, and how far may it be off?

A calibrator or meter of good hand-held class, with a gain and an offset of its
own, drawn by seed once for every kind of quantity within what it states: the
error a calibration against it cannot see. Its display has steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Accuracy:
    """What the meter states.

    Attributes:
        gain_pct: of reading, limit.
        offset: in the quantity's unit, limit.
        step: of its display.
        unit: of the above.
    """

    gain_pct: float
    offset: float
    step: float
    unit: str


# By kind of quantity; a 0.05 % meter, a thermometer of 0.1 K, and for the HF
# level a generator and oscilloscope good for 1 %. The project's own figures.
ACCURACY = {
    "current": Accuracy(0.05, 0.5e-3, 1e-4, "A"),
    "voltage": Accuracy(0.05, 2e-3, 1e-3, "V"),
    "small voltage": Accuracy(0.05, 1e-5, 1e-6, "V"),
    "temperature": Accuracy(0.0, 0.1, 0.01, "C"),
    "envelope": Accuracy(1.0, 2e-3, 1e-3, "V"),
}
RANGE_OF = {"bias": "small voltage", "hf": "envelope"}
BY_UNIT = {"a": "current", "v": "voltage", "c": "temperature"}


def kind_of(channel: str) -> str:
    """Return the kind of quantity of a channel, a key of ACCURACY."""
    return RANGE_OF.get(channel.split("_")[0], BY_UNIT[channel[-1]])


class ReferenceMeter:
    """One meter; the same seed is the same meter."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng([seed, 0x4D45])
        # Anywhere within what it states.
        self._errors = {
            kind: (1 + stated.gain_pct / 100 * float(rng.uniform(-1, 1)), stated.offset * float(rng.uniform(-1, 1)))
            for kind, stated in ACCURACY.items()
        }

    def reads(self, channel: str, true_value: float) -> float:
        """Return what it shows of a channel's true value."""
        kind = kind_of(channel)
        gain, offset = self._errors[kind]
        step = ACCURACY[kind].step
        return round((true_value * gain + offset) / step) * step
