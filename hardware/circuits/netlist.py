"""What is joined to what: parts, nets and sheets as plain data.

A sheet lists its parts; a part maps each of its pins to a net; a net has an
insulation domain and a role. Everything else (drawings, rules, bill of
materials, simulation decks) is read from these.

Nets of the sheets that share the main board (relay_chain, limiter_bypass,
ntc_input, board) are one and the same where their names are; the nets of a
module sheet are its own, and leave it through its connector only. A pin that
is joined to nothing is on the net NC.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

NC = "NC"

# Insulation domains: two of them may meet only across a part that is named as
# a barrier between them.
LOGIC = "LOGIC"  # USB, the computer, the person
COIL12 = "COIL12"  # 12 V SELV for the coils; shares its ground with LOGIC
MAINS = "MAINS"
EARTH = "EARTH"
RAIL_POS = "RAIL_POS"
RAIL_NEG = "RAIL_NEG"
OUT_LEFT = "OUT_LEFT"
OUT_RIGHT = "OUT_RIGHT"
SENSOR = "SENSOR"  # NTC leads: LOGIC potential, lying on a heatsink
DOMAINS = (LOGIC, COIL12, MAINS, EARTH, RAIL_POS, RAIL_NEG, OUT_LEFT, OUT_RIGHT, SENSOR)

ROLES = ("signal", "supply", "ground")

# Pin names of every kind that has fixed ones; other kinds name their own.
KINDS: Mapping[str, tuple[str, ...] | None] = MappingProxyType(
    {
        "R": ("1", "2"),
        "C": ("1", "2"),
        "CP": ("+", "-"),  # polarised capacitor
        "D": ("A", "K"),
        "D2": ("A", "M", "K"),  # two diodes in series in one case, middle brought out
        "Z": ("A", "K"),  # zener or one-way suppressor
        "NFET": ("G", "D", "S"),
        "F": ("1", "2"),
        "PTC": ("1", "2"),
        "MOV": ("1", "2"),
        "NTC": ("1", "2"),
        "LAMP": ("1", "2"),
        "BUZZER": ("+", "-"),
        "LINK": ("1", "2"),  # closed in this build
        "OPEN": ("1", "2"),  # a place for a link, left open in this build
        "SHUNT": ("I+", "I-", "S+", "S-"),
        "RELAY": None,
        "SWITCH": None,
        "J": None,
        "IC": None,
    }
)

_SI = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
_VALUE = re.compile(r"([0-9.]+)\s*([pnumkM]?)")


class NetlistError(ValueError):
    """A part or a sheet contradicts itself; the message names both."""


@dataclass(frozen=True)
class Net:
    """
    Attributes:
        domain: one of DOMAINS.
        role: one of ROLES.
    """

    name: str
    domain: str
    role: str = "signal"


@dataclass(frozen=True)
class Part:
    """One part as it is bought.

    Attributes:
        ref: reference, unique on its sheet.
        kind: key of KINDS.
        value: as printed; resistors, capacitors: a number with an SI letter.
        pins: pin name -> net name.
        part_class: what to look for, in the trade's words.
        example: one orderable part of that class.
        rating: what the place needs, not what the example has more of.
        tolerance: of the value, as a fraction, at 25 C.
        tempco: of the value, 1/K, either way.
        model: key of spice.MODELS, or of spice.BLOCKS for what has more than a card.
        labels: pin name -> what the pin is called, where the name is a number.
        note: why it is there, or what to mind.
    """

    ref: str
    kind: str
    value: str
    pins: Mapping[str, str]
    part_class: str
    example: str
    rating: str = ""
    tolerance: float = 0.0
    tempco: float = 0.0
    model: str = ""
    labels: Mapping[str, str] = field(default_factory=dict)
    note: str = ""

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise NetlistError(f"{self.ref}: kind {self.kind!r}, allowed: {', '.join(KINDS)}")
        names = KINDS[self.kind]
        if names is not None and tuple(self.pins) != names:
            raise NetlistError(f"{self.ref}: pins {', '.join(self.pins)}, a {self.kind} has {', '.join(names)}")
        object.__setattr__(self, "pins", MappingProxyType(dict(self.pins)))
        object.__setattr__(self, "labels", MappingProxyType(dict(self.labels)))

    def pin_label(self, pin: str) -> str:
        """Return what the drawing writes at a pin."""
        return self.labels.get(pin, pin)

    def si(self) -> float:
        """Return the value in ohms, farads or volts.

        Raises:
            NetlistError: the value is no number.
        """
        found = _VALUE.match(self.value)
        if found is None:
            raise NetlistError(f"{self.ref}: value {self.value!r}, expected a number with one of {' '.join(_SI)}")
        return float(found[1]) * _SI[found[2]]


@dataclass(frozen=True)
class Sheet:
    """
    Attributes:
        name: file name of its drawing.
        board: which circuit board it is on: main, rail_module, output_module.
    """

    name: str
    title: str
    board: str
    parts: tuple[Part, ...]
    nets: Mapping[str, Net]

    def __post_init__(self) -> None:
        seen: set[str] = set()
        for part in self.parts:
            if part.ref in seen:
                raise NetlistError(f"{self.name}: {part.ref} is listed twice")
            seen.add(part.ref)
            for pin, net in part.pins.items():
                if net != NC and net not in self.nets:
                    raise NetlistError(f"{self.name}: {part.ref}.{pin} is on {net!r}, which has no domain")
        for net in self.nets.values():
            if net.domain not in DOMAINS or net.role not in ROLES:
                raise NetlistError(f"{self.name}: {net.name} has domain {net.domain!r}, role {net.role!r}")
        object.__setattr__(self, "nets", MappingProxyType(dict(self.nets)))

    def part(self, ref: str) -> Part:
        """Return the part with that reference.

        Raises:
            NetlistError: the sheet has none.
        """
        for part in self.parts:
            if part.ref == ref:
                return part
        raise NetlistError(f"{self.name}: no part {ref}")

    def on(self, net: str) -> list[tuple[Part, str]]:
        """Return every (part, pin) on a net."""
        return [(part, pin) for part in self.parts for pin, name in part.pins.items() if name == net]


def nets(domain: str, signals: str = "", supplies: str = "", grounds: str = "") -> dict[str, Net]:
    """Return the nets of one domain from names set apart by blanks."""
    found: dict[str, Net] = {}
    for role, names in (("signal", signals), ("supply", supplies), ("ground", grounds)):
        for name in names.split():
            found[name] = Net(name, domain, role)
    return found


def merged(*groups: Mapping[str, Net]) -> dict[str, Net]:
    """Return all nets of several groups; a net in two of them must be the same in both."""
    found: dict[str, Net] = {}
    for name, net in _items(groups):
        if found.setdefault(name, net) != net:
            raise NetlistError(f"net {name} is {found[name].domain} {found[name].role} and {net.domain} {net.role}")
    return found


def _items(groups: Iterable[Mapping[str, Net]]) -> Iterable[tuple[str, Net]]:
    for group in groups:
        yield from group.items()
