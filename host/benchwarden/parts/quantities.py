"""The four things measured on a transistor: how they are judged, and what difference matters."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from benchwarden.core.part_lots import Piece


@dataclass(frozen=True)
class Quantity:
    """One measured quantity.

    Attributes:
        key: field of core.part_lots.Piece.
        log: readings are ratios in nature and judged by their logarithms.
        upward: only too high is odd.
        matters: a piece this far from the middle of the rest differs at all: absolute, or
            a factor where `log`. Below it lies what meter, fingers and warmth make.
        usual: standard deviation within one batch, absolute or relative; None: too wild to say.
        floor: smaller readings are taken as this, below what bench meters resolve.
        quiet: a piece that reads less is never odd, whatever the others read.
        why_matters: where `matters` comes from.
    """

    key: str
    name: str
    unit: str
    log: bool
    upward: bool
    matters: float
    usual: float | None
    floor: float
    why_matters: str
    quiet: float = 0.0

    def judged_as(self, value: float) -> float:
        """Return the number the statistics work on."""
        value = max(value, self.floor)
        return math.log(value) if self.log else value

    def shown(self, judged: float) -> float:
        """Return the reading a judged number stands for."""
        return math.exp(judged) if self.log else judged

    @property
    def matters_judged(self) -> float:
        return math.log(self.matters) if self.log else self.matters


_PRACTICE = "common practice, no source"
GAIN = Quantity(
    key="hfe",
    name="current gain",
    unit="",
    log=True,
    upward=False,
    matters=1.25,
    usual=0.25,
    floor=1.0,
    why_matters=f"a gain rises by about 0.7 % per kelvin and meters pulse differently ({_PRACTICE})",
)
VBE = Quantity(
    key="vbe_v",
    name="base-emitter voltage",
    unit="V",
    log=False,
    upward=False,
    matters=0.006,
    usual=0.005,
    floor=0.001,
    why_matters="2 mV per kelvin: a piece just held is 3 K warmer",
)
CAPACITANCE = Quantity(
    key="capacitance_pf",
    name="collector-base capacitance",
    unit="pF",
    log=True,
    upward=False,
    matters=1.1,
    usual=0.06,
    floor=1.0,
    why_matters=f"leads and clips make a few per cent ({_PRACTICE})",
)
LEAKAGE = Quantity(
    key="leakage_ua",
    name="leakage",
    unit="uA",
    log=True,
    upward=True,
    matters=4.0,
    usual=None,
    floor=0.1,
    why_matters=f"doubles every 8 to 10 K and differs by several times within a batch ({_PRACTICE})",
    # A finger on the holder leaks as much. Source: common practice, no source.
    quiet=5.0,
)
QUANTITIES = (GAIN, VBE, CAPACITANCE, LEAKAGE)
# A field-effect transistor is measured by its gate: volts, not the 0.6 V of a junction, and a
# tenth of a volt apart within one batch. Source: common practice, no source.
GATE = replace(
    VBE,
    name="gate-source voltage",
    matters=0.15,
    usual=0.15,
    why_matters=f"some millivolts per kelvin, and a tenth of a volt within one batch ({_PRACTICE})",
)


def quantities_of(polarity: str) -> tuple[Quantity, ...]:
    """Return the quantities as a part of this polarity (one of core.part_lots.POLARITIES) is judged by."""
    return QUANTITIES if polarity in ("npn", "pnp") else (GAIN, GATE, CAPACITANCE, LEAKAGE)


def readings(quantity: Quantity, pieces: tuple[Piece, ...]) -> list[tuple[str, float]]:
    """Return name and reading of the pieces on which the quantity was measured and is not nought.

    No leakage is a reading; no gain, voltage or capacitance is a dead piece.
    """
    found = []
    for number, piece in enumerate(pieces, 1):
        value = getattr(piece, quantity.key)
        if value is not None and (value > 0.0 or quantity.key == LEAKAGE.key):
            found.append((piece.name or f"no. {number}", float(value)))
    return found


def dead_pieces(pieces: tuple[Piece, ...]) -> tuple[str, ...]:
    """Return the names of pieces that read nought where a live one cannot."""
    return tuple(
        piece.name or f"no. {number}"
        for number, piece in enumerate(pieces, 1)
        if any(getattr(piece, key) == 0.0 for key in (GAIN.key, VBE.key, CAPACITANCE.key))
    )
