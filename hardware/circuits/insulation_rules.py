"""How much insulation does a barrier need? Distances by voltage, from published tables.

Pollution degree 2 (indoors, dry), material group III (ordinary circuit board,
CTI 100 to 599), altitude to 2000 m, mains of overvoltage category II, 300 V at
most to earth: the usual bench. The standards themselves were not read; where
each figure was read is said beside it. Buy or borrow the standard before any
claim of conformity.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

BASIC, REINFORCED, FUNCTIONAL = "basic", "reinforced", "functional"

# Working voltage, volts rms or d.c., to basic creepage, millimetres. Source: IEC
# 60664-1 table F.4, pollution degree 2, material group III: rows 200 to 400 V
# as printed in a terminal maker's catalogue (2015, p. 594); 63, 80, 100, 125
# and 160 V from memory of the same table.
CREEPAGE_MM = (
    (63.0, 1.25),
    (80.0, 1.3),
    (100.0, 1.4),
    (125.0, 1.5),
    (160.0, 1.6),
    (200.0, 2.0),
    (250.0, 2.5),
    (320.0, 3.2),
    (400.0, 4.0),
)

# Basic clearance against mains transients, 300 V category II (2500 V peak).
# Source: clause 5.4.2.3 of IEC 62368-1 as applied in a published test report:
# 1.5 mm basic, 3.0 mm reinforced.
MAINS_CLEARANCE_MM = 1.5
# Circuits behind the amplifier's transformer without mains transients: 0.2 mm
# would do up to 330 V peak (IEC 60664-1 table F.2 at 0.2 mm for degree 2, from
# memory); half a millimetre is what a hand-assembled board can hold.
SECONDARY_CLEARANCE_MM = 0.5

# Type test between the two sides, volts d.c. Source: reinforced 4000 V d.c. in
# the same test report, 5.4.9; basic 2500 V d.c. from memory of the same table.
STRENGTH_V = {BASIC: 2500.0, REINFORCED: 4000.0, FUNCTIONAL: 500.0}


@dataclass(frozen=True)
class Need:
    """Least distances and test voltage of one barrier.

    Attributes:
        creepage_mm, clearance_mm: along the surface and through air.
        strength_v: electric strength, volts d.c. for one minute.
    """

    creepage_mm: float
    clearance_mm: float
    strength_v: float


def basic_creepage_mm(working_v: float) -> float:
    """Return the basic creepage at a working voltage, rms or d.c., by linear interpolation.

    Raises:
        ValueError: above the table.
    Source:
        interpolation is what IEC 60664-1 allows for creepage (from memory).
    """
    if working_v <= CREEPAGE_MM[0][0]:
        return CREEPAGE_MM[0][1]
    for (v0, mm0), (v1, mm1) in pairwise(CREEPAGE_MM):
        if working_v <= v1:
            return mm0 + (mm1 - mm0) * (working_v - v0) / (v1 - v0)
    raise ValueError(f"working voltage {working_v:g} V; allowed: up to {CREEPAGE_MM[-1][0]:g} V")


def need(kind: str, working_v: float, transients: bool) -> Need:
    """Return what a barrier needs.

    Args:
        kind: functional, basic or reinforced (twice basic).
        working_v: highest voltage across it in use, rms or d.c., volts.
        transients: mains transients can appear across it.
    """
    if kind not in STRENGTH_V:
        raise ValueError(f"insulation {kind!r}; allowed: {', '.join(STRENGTH_V)}")
    factor = 2.0 if kind == REINFORCED else 1.0
    clearance = MAINS_CLEARANCE_MM if transients else SECONDARY_CLEARANCE_MM
    creepage = max(basic_creepage_mm(working_v), clearance)
    return Need(factor * creepage, factor * clearance, STRENGTH_V[kind])
