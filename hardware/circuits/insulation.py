"""Every barrier between insulation domains: what it needs, and what the chosen parts give.

A part whose pins lie in two domains crosses a barrier; each such part has to be
named here with what it gives, and each barrier lists what else keeps its sides
apart (gaps on the circuit board, cables). `findings` says what is missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from circuits.insulation_rules import BASIC, FUNCTIONAL, REINFORCED, Need, need
from circuits.netlist import (
    COIL12,
    EARTH,
    LOGIC,
    MAINS,
    NC,
    OUT_LEFT,
    OUT_RIGHT,
    RAIL_NEG,
    RAIL_POS,
    SENSOR,
    Sheet,
)

# One extra-low voltage side: what is joined to the computer's ground.
SELV = "SELV"
_SELV_DOMAINS = (LOGIC, COIL12, SENSOR)
# Mains of the 300 V class to earth; the amplifier's own transformer may be fifty
# years old, so everything behind it is insulated as if it were mains.
MAINS_V = 300.0
RAIL_V = 70.0


@dataclass(frozen=True)
class Given:
    """What one thing that bridges a barrier gives.

    Attributes:
        what: part references by sheet, or a place on the circuit board.
        creepage_mm, clearance_mm: least distances, millimetres.
        strength_v: electric strength, volts d.c. (r.m.s. figures times 1.41).
        source: where the figures are from.
    """

    what: str
    creepage_mm: float
    clearance_mm: float
    strength_v: float
    source: str


@dataclass(frozen=True)
class Barrier:
    """
    Attributes:
        sides: the two sides, SELV standing for LOGIC, COIL12 and SENSOR.
        kind: functional, basic or reinforced.
        working_v: highest voltage across it, rms or d.c.
        transients: mains transients can appear across it.
        clause: where the requirement comes from.
        parts: (sheet, reference) of every part across it, and what it gives.
        places: what else bridges it.
    """

    name: str
    sides: tuple[str, str]
    kind: str
    working_v: float
    transients: bool
    clause: str
    parts: Mapping[tuple[str, str], Given]
    places: tuple[Given, ...]

    def need(self) -> Need:
        return need(self.kind, self.working_v, self.transients)

    def given(self) -> tuple[Given, ...]:
        """Return all that bridges the barrier, each once."""
        return tuple(dict.fromkeys((*self.parts.values(), *self.places)))


_CLAUSE_MAINS = "IEC 60664-1 table F.4 and IEC 62368-1 5.4.2.3, 300 V, category II"
_GUIDED = Given(
    "K1: coil and mirror contact to mains contacts",
    8.0,
    5.5,
    5600.0,
    "class of part: forcibly guided relay with reinforced insulation, 8 mm and 5.5 mm, 4 kV rms; from memory",
)
_POWER_RELAY = Given("K2: coil to contacts", 8.0, 8.0, 6000.0, "Finder 40 series sheet: 8 mm, 6 kV 1.2/50 us")
_I2C = Given("I2C isolator", 8.0, 8.0, 7000.0, "wide-body package, 8 mm, 5 kV rms; from memory of its sheet")
_ALERT = Given("alert isolator", 8.0, 8.0, 7000.0, "wide-body package, 8 mm, 5 kV rms; from memory of its sheet")
_SUPPLY = Given("isolated supply", 8.0, 8.0, 7000.0, "wide-body package, 8 mm, 5 kV rms; from memory of its sheet")
_GAP = Given(
    "circuit board: milled slot or bare strip under the parts", 8.0, 8.0, 7000.0, "this design: 8 mm kept free"
)
_MAINS_GAP = Given("circuit board: bare strip round the mains part", 8.0, 8.0, 7000.0, "this design: 8 mm kept free")
_CABLE = Given(
    "cable to the module: doubly insulated, or in sleeving rated for mains", 8.0, 8.0, 5600.0, "this design, wiring.md"
)


def _module(name: str, sheet: str, domain: str, parts: Mapping[str, Given]) -> Barrier:
    across = {(sheet, ref): given for ref, given in parts.items()}
    return Barrier(name, (domain, SELV), REINFORCED, MAINS_V, True, _CLAUSE_MAINS, across, (_GAP, _CABLE))


_RAIL_PARTS = {"U2": _I2C, "U3": _ALERT, "U4": _SUPPLY}
_OUTPUT_PARTS = {"U2": _I2C, "U3": _SUPPLY}

BARRIERS: tuple[Barrier, ...] = (
    Barrier(
        "mains to the computer's side",
        (MAINS, SELV),
        REINFORCED,
        MAINS_V,
        True,
        _CLAUSE_MAINS,
        {("relay_chain", "K1"): _GUIDED, ("limiter_bypass", "K2"): _POWER_RELAY},
        (_MAINS_GAP,),
    ),
    Barrier(
        "mains to protective earth",
        (MAINS, EARTH),
        BASIC,
        MAINS_V,
        True,
        _CLAUSE_MAINS,
        {
            ("relay_chain", "J3"): Given("inlet", 4.0, 3.0, 2800.0, "IEC 60320 inlet, approved; from memory"),
            ("limiter_bypass", "J5"): Given("outlet", 4.0, 3.0, 2800.0, "IEC 60320 outlet, approved; from memory"),
        },
        (Given("circuit board and enclosure: strip beside earthed metal", 4.0, 4.0, 2800.0, "this design"),),
    ),
    _module("positive rail module to the computer's side", "rail_pos", RAIL_POS, _RAIL_PARTS),
    _module("negative rail module to the computer's side", "rail_neg", RAIL_NEG, _RAIL_PARTS),
    _module("left output module to the computer's side", "output_left", OUT_LEFT, _OUTPUT_PARTS),
    _module("right output module to the computer's side", "output_right", OUT_RIGHT, _OUTPUT_PARTS),
    Barrier(
        "between the modules on the amplifier",
        (RAIL_POS, RAIL_NEG),
        BASIC,
        2 * RAIL_V,
        False,
        "IEC 60664-1 table F.4, 160 V row",
        {},
        (Given("separate boards in separate insulated cases, test leads insulated", 8.0, 8.0, 2500.0, "this design"),),
    ),
    Barrier(
        "heatsink and transistor cans to the sensor leads",
        ("HEATSINK", SELV),
        REINFORCED,
        85.0,
        False,
        "IEC 60664-1 table F.4, 100 V row",
        {},
        (
            Given(
                "bead to ring (1 kV a.c., basic) and polyimide washer under the ring (supplementary)",
                4.0,
                2.0,
                4000.0,
                "1 kV a.c. from the sensor's sheet, from memory; washer 0.05 mm polyimide, 6 kV, from memory",
            ),
        ),
    ),
    Barrier(
        "across the open contacts of the mains relay",
        ("L_FUSED", "L_SW"),
        FUNCTIONAL,
        264.0,
        False,
        "no isolation is claimed: a relay contact is not a disconnector; unplug before touching",
        {},
        (Given("K1, one contact", 3.0, 1.5, 1400.0, "class of part: full gap of a guided contact; from memory"),),
    ),
)


def side_of(domain: str) -> str:
    """Return the side of a barrier that a domain is on."""
    return SELV if domain in _SELV_DOMAINS else domain


def crossing(sheets: Iterable[Sheet]) -> dict[tuple[str, str], frozenset[str]]:
    """Return every part that joins two sides: (sheet, reference) -> its sides."""
    found = {}
    for sheet in sheets:
        for part in sheet.parts:
            sides = frozenset(side_of(sheet.nets[net].domain) for net in part.pins.values() if net != NC)
            if len(sides) > 1:
                found[sheet.name, part.ref] = sides
    return found


def findings(sheets: Iterable[Sheet], barriers: Iterable[Barrier] = BARRIERS) -> list[str]:
    """Return in words every barrier that gives less than it needs, and every part across none."""
    sheets, barriers = list(sheets), list(barriers)
    out = []
    for barrier in barriers:
        wanted = barrier.need()
        for given in barrier.given():
            for what, has, wants in (
                ("creepage", given.creepage_mm, wanted.creepage_mm),
                ("clearance", given.clearance_mm, wanted.clearance_mm),
                ("strength", given.strength_v, wanted.strength_v),
            ):
                if has < wants:
                    out.append(f"{barrier.name}: {given.what} gives {what} {has:g}, needed {wants:g}")
    known = {key: frozenset(barrier.sides) for barrier in barriers for key in barrier.parts}
    across = crossing(sheets)
    for key, sides in across.items():
        if key not in known:
            out.append(f"{key[0]} {key[1]} joins {' and '.join(sorted(sides))} and is in no barrier")
        elif known[key] != sides:
            out.append(f"{key[0]} {key[1]} joins {' and '.join(sorted(sides))}, listed as {sorted(known[key])}")
    out += [
        f"{sheet} {ref} is listed in a barrier and crosses none" for sheet, ref in known if (sheet, ref) not in across
    ]
    return out
