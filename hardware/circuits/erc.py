"""Electrical rules over all sheets: `python -m circuits.erc` prints what breaks them.

A rule is a function from the sheets to findings; the sheets of the main board
are one circuit, each module another, and the modules are plugged in.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

from circuits import erc_firmware, insulation
from circuits.erc_facts import (
    ACROSS,
    GATE_V,
    GPIO,
    GROUND,
    ICS,
    INPUT,
    LAMP_NOMINAL_V,
    MAINS_NOMINAL_V,
    MAINS_V,
    NOMINAL_KINDS,
    OPEN_DRAIN,
    OUTPUT,
    PLUGS,
    SOURCE,
    SUPPLY,
    VOLTS,
)
from circuits.netlist import COIL12, MAINS, NC, Net, Part, Sheet
from circuits.sheets import MAIN_BOARD, SHEETS

Sheets = Mapping[str, Sheet]

DECOUPLING_F = 100e-9 * 0.999
SOURCE_CAPACITOR_F = 1e-6 * 0.999
PULL_UP_OHM = (1e3, 47e3)
VOLTAGE_MARGIN = 1.1


@dataclass(frozen=True)
class Finding:
    """
    Attributes:
        rule: name of the rule.
        where: sheet or board, and part or net.
    """

    rule: str
    where: str
    text: str

    def __str__(self) -> str:
        return f"{self.rule}: {self.where}: {self.text}"


@dataclass(frozen=True)
class Circuit:
    """The sheets of one circuit board taken together.

    Attributes:
        board: kind of circuit board, key of erc_facts.VOLTS.
    """

    name: str
    board: str
    parts: tuple[Part, ...]
    nets: Mapping[str, Net]

    def on(self, net: str) -> list[tuple[Part, str]]:
        return [(part, pin) for part in self.parts for pin, name in part.pins.items() if name == net]

    def role(self, net: str) -> str:
        return self.nets[net].role if net in self.nets else "signal"


def circuits_of(sheets: Sheets) -> list[Circuit]:
    """Return the main board and every module as one circuit each."""
    main = [sheets[name] for name in MAIN_BOARD if name in sheets]
    found = []
    if main:
        nets = {name: net for sheet in main for name, net in sheet.nets.items()}
        found.append(Circuit("main", "main", tuple(part for sheet in main for part in sheet.parts), nets))
    for sheet in sheets.values():
        if sheet.name not in MAIN_BOARD:
            found.append(Circuit(sheet.name, sheet.board, sheet.parts, sheet.nets))
    return found


def pin_type(part: Part, pin: str) -> str:
    """Return the type of an integrated circuit's pin; empty for other parts."""
    known = ICS.get(part.value) if part.kind == "IC" else None
    return known.pins.get(pin, "") if known else ""


def nets_joined(sheets: Sheets) -> Iterator[Finding]:
    """Every net joins two pins or more; only the middle of two diodes may stand alone."""
    for circuit in circuits_of(sheets):
        for net in circuit.nets:
            pins = circuit.on(net)
            lonely_middle = len(pins) == 1 and pins[0][0].kind == "D2" and pins[0][1] == "M"
            if len(pins) < 2 and not lonely_middle:
                there = ", ".join(f"{part.ref}.{pin}" for part, pin in pins) or "nothing"
                yield Finding("nets joined", f"{circuit.name} {net}", f"joins only {there}")


def references_unique(sheets: Sheets) -> Iterator[Finding]:
    """On one circuit board a reference means one part."""
    for circuit in circuits_of(sheets):
        for ref, n in Counter(part.ref for part in circuit.parts).items():
            if n > 1:
                yield Finding("references unique", f"{circuit.name} {ref}", f"stands for {n} parts")


def domains_agree(sheets: Sheets) -> Iterator[Finding]:
    """A net of the main board lies in one insulation domain on all of its sheets."""
    seen: dict[str, Net] = {}
    for name in MAIN_BOARD:
        for net in sheets[name].nets.values() if name in sheets else ():
            first = seen.setdefault(net.name, net)
            if first != net:
                text = f"is {first.domain} {first.role} on one sheet, {net.domain} {net.role} on another"
                yield Finding("domains agree", f"{name} {net.name}", text)


def supplies_present(sheets: Sheets) -> Iterator[Finding]:
    """Every integrated circuit has its supply, its ground and a capacitor across them."""
    for circuit in circuits_of(sheets):
        wanted: Counter[tuple[str, str]] = Counter()
        sourced: set[tuple[str, str]] = set()
        for part in circuit.parts:
            if part.kind != "IC":
                continue
            where = f"{circuit.name} {part.ref}"
            if part.value not in ICS:
                yield Finding("supplies present", where, f"pins of {part.value} are unknown, add it to erc_facts.py")
                continue
            known = ICS[part.value]
            for pin in sorted(set(known.pins) ^ set(part.pins)):
                yield Finding("supplies present", where, f"pin {pin} is not on both the sheet and the data sheet")
            for pin, kind in known.pins.items():
                net = part.pins.get(pin, NC)
                role = {SUPPLY: "supply", SOURCE: "supply", GROUND: "ground"}.get(kind)
                if role and circuit.role(net) != role:
                    yield Finding("supplies present", where, f"{pin} is a {role} pin on {net}")
            for supply, ground in known.pairs:
                pair = (part.pins.get(supply, NC), part.pins.get(ground, NC))
                if known.pins[supply] == SOURCE:
                    sourced.add(pair)
                else:
                    wanted[pair] += 1
        for pair in {*wanted, *sourced}:
            there = [p.si() for p in circuit.parts if p.kind in ("C", "CP") and set(p.pins.values()) == set(pair)]
            have = sum(1 for farad in there if farad >= DECOUPLING_F)
            where = f"{circuit.name} {pair[0]} to {pair[1]}"
            needed = wanted[pair] + (pair in sourced)
            if have < needed:
                text = f"{have} capacitors of 100 nF or more for {needed} supply pins"
                yield Finding("supplies present", where, text)
            if pair in sourced and not any(farad >= SOURCE_CAPACITOR_F for farad in there):
                yield Finding("supplies present", where, "no capacitor of 1 uF or more at the source")


def barriers_rated(sheets: Sheets) -> Iterator[Finding]:
    """Nothing joins two insulation domains but a declared barrier with a rating that is enough."""
    for text in insulation.findings(sheets.values()):
        # A sheet that is not looked at is not missed.
        absent = [name for name in SHEETS if name not in sheets]
        if not any(text.startswith(name) for name in absent):
            yield Finding("barriers rated", "insulation", text)
    for (name, ref), sides in insulation.crossing(sheets.values()).items():
        part = sheets[name].part(ref)
        if insulation.SELV in sides and not ("reinforced" in part.rating or re.search(r"\d mm", part.rating)):
            yield Finding("barriers rated", f"{name} {ref}", f"rating {part.rating!r} says nothing of its insulation")


def ratings_suffice(sheets: Sheets) -> Iterator[Finding]:
    """Every part bears the worst voltage and power of its place."""
    for circuit in circuits_of(sheets):
        for part in circuit.parts:
            for text in _overstress(circuit, part):
                yield Finding("ratings suffice", f"{circuit.name} {part.ref}", text)


def _overstress(circuit: Circuit, part: Part) -> Iterator[str]:
    on_mains = [net for net in part.pins.values() if net in circuit.nets and circuit.nets[net].domain == MAINS]
    rated_v = _rated(part.rating, "V")
    if on_mains:
        wants = MAINS_V
        if part.kind in NOMINAL_KINDS:
            wants = LAMP_NOMINAL_V if part.kind == "LAMP" else MAINS_NOMINAL_V
        if rated_v is None or rated_v < wants:
            yield f"rated {part.rating!r} on mains, needed {wants:g} V"
        return
    volts, watts = _worst(circuit, part)
    if part.kind in ("R", "C", "CP", "D", "D2", "F", "PTC", "NFET"):
        wants = volts if part.kind in ("R", "PTC") else volts * VOLTAGE_MARGIN
        if part.kind == "R" and "fusible" in part.part_class:
            rated_v = volts  # made to open: its rating is the power
        if rated_v is None:
            yield f"rating {part.rating!r} names no voltage, {volts:.1f} V can lie across it"
        elif rated_v < wants and not (part.kind == "PTC" and rated_v >= volts):
            yield f"rated {rated_v:g} V, needed {wants:.1f} V"
    if part.kind == "R":
        rated_w = _rated(part.rating, "W")
        if rated_w is None or rated_w < watts:
            yield f"rated {part.rating!r}, takes {watts:.2f} W"
    if part.kind == "NFET" and _span(circuit, part.pins["G"], part.pins["S"]) > GATE_V:
        yield f"gate to source {_span(circuit, part.pins['G'], part.pins['S']):.1f} V, allowed {GATE_V:g} V"
    if part.kind == "IC" and part.value in ICS:
        for pin, (low, high) in ICS[part.value].limits_v.items():
            net = part.pins.get(pin, NC)
            if net == NC:
                continue
            least, most = _range(circuit, net)
            if least < low - 1e-9 or most > high + 1e-9:
                yield f"{pin} sees {least:g} to {most:g} V, bears {low:g} to {high:g} V"


def _worst(circuit: Circuit, part: Part) -> tuple[float, float]:
    """Return the worst voltage across a part and the power it takes, volts and watts."""
    stated = ACROSS.get((circuit.board, part.ref))
    if stated is not None:
        return stated.volts, stated.power_w
    if part.kind == "D":
        # Backwards; forwards a diode limits by itself.
        volts = max(0.0, _range(circuit, part.pins["K"])[1] - _range(circuit, part.pins["A"])[0])
    elif part.kind == "D2":
        joined = [part.pins["K"], part.pins["A"]]
        volts = max(0.0, _range(circuit, joined[0])[1] - _range(circuit, joined[1])[0])
    elif part.kind == "NFET":
        volts = _span(circuit, part.pins["D"], part.pins["S"])
    else:
        nets = [net for net in part.pins.values() if net != NC]
        volts = max((_span(circuit, a, b) for a, b in combinations(nets, 2)), default=0.0)
    watts = volts**2 / part.si() if part.kind == "R" else 0.0
    return volts, watts


def _span(circuit: Circuit, a: str, b: str) -> float:
    if a == b:
        return 0.0
    (a0, a1), (b0, b1) = _range(circuit, a), _range(circuit, b)
    return max(a1 - b0, b1 - a0)


def _range(circuit: Circuit, net: str) -> tuple[float, float]:
    known = VOLTS[circuit.board].get(net)
    if known is not None:
        return known
    domain = circuit.nets[net].domain
    return (0.0, 13.2) if domain == COIL12 else (0.0, 3.45)


def _rated(rating: str, unit: str) -> float | None:
    """Return the first figure of a rating with this unit; None where there is none."""
    found = re.search(rf"([\d.]+)\s*(k?){unit}\b", rating)
    return None if found is None else float(found[1]) * (1e3 if found[2] else 1.0)


def outputs_alone(sheets: Sheets) -> Iterator[Finding]:
    """No two outputs drive one net, and a net of open drains has one pull-up and no output."""
    for circuit, net, pins in _plugged(sheets):
        outputs = [f"{c.name} {part.ref}.{pin}" for c, part, pin in pins if pin_type(part, pin) == OUTPUT]
        drains = [f"{c.name} {part.ref}.{pin}" for c, part, pin in pins if pin_type(part, pin) == OPEN_DRAIN]
        where = f"{circuit} {net}"
        if len(outputs) > 1:
            yield Finding("outputs alone", where, f"driven by {', '.join(outputs)}")
        if drains and outputs:
            yield Finding("outputs alone", where, f"{outputs[0]} drives against {drains[0]}")
        if drains:
            ups = [part for c, part, _ in pins if part.kind == "R" and _pulls_up(c, part)]
            if len(ups) != 1:
                names = ", ".join(part.ref for part in ups) or "none"
                yield Finding("outputs alone", where, f"open drain with {len(ups)} pull-ups ({names}), needed one")


def _pulls_up(circuit: Circuit, part: Part) -> bool:
    at_supply = any(circuit.role(net) == "supply" for net in part.pins.values())
    return at_supply and PULL_UP_OHM[0] <= part.si() <= PULL_UP_OHM[1]


def _plugged(sheets: Sheets) -> Iterator[tuple[str, str, list[tuple[Circuit, Part, str]]]]:
    """Yield every signal net once with all its pins, the modules being plugged into their sockets."""
    circuits = {circuit.name: circuit for circuit in circuits_of(sheets)}
    away: dict[tuple[str, str], list[tuple[str, str]]] = {}
    plugged_in: set[tuple[str, str]] = set()
    for (module, plug), socket in PLUGS.items():
        main = circuits.get("main")
        if module not in circuits or main is None:
            continue
        ends = {part.ref: part for part in main.parts}.get(socket)
        own = {part.ref: part for part in circuits[module].parts}.get(plug)
        if ends is None or own is None:
            continue
        for pin, net in own.pins.items():
            there = ends.pins.get(pin, NC)
            if net != NC and there != NC and circuits[module].role(net) == "signal":
                away.setdefault(("main", there), []).append((module, net))
                plugged_in.add((module, net))
    for circuit in circuits.values():
        for net in circuit.nets:
            if (circuit.name, net) in plugged_in or circuit.role(net) != "signal":
                continue
            members = [(circuit.name, net), *away.get((circuit.name, net), [])]
            yield (
                circuit.name,
                net,
                [(circuits[name], part, pin) for name, n in members for part, pin in circuits[name].on(n)],
            )


def inputs_held(sheets: Sheets) -> Iterator[Finding]:
    """Every logic input and every gate has a level whatever the processor does."""
    for circuit in circuits_of(sheets):
        for part in circuit.parts:
            for pin, net in part.pins.items():
                is_gate = part.kind == "NFET" and pin == "G"
                if pin_type(part, pin) != INPUT and not is_gate:
                    if net == NC and part.kind == "IC" and pin not in getattr(ICS.get(part.value), "may_float", ()):
                        yield Finding("inputs held", f"{circuit.name} {part.ref}.{pin}", "is joined to nothing")
                    continue
                if net == NC:
                    yield Finding("inputs held", f"{circuit.name} {part.ref}.{pin}", "input joined to nothing")
                elif not _held(circuit, net):
                    text = f"{net} has no level of its own while the processor starts"
                    yield Finding("inputs held", f"{circuit.name} {part.ref}.{pin}", text)


def _held(circuit: Circuit, start: str) -> bool:
    """Does a resistor, a link, an output or a supply hold the net, directly or through resistors?"""
    seen, todo = {start}, [start]
    while todo:
        net = todo.pop()
        if circuit.role(net) != "signal":
            return True
        for part, pin in circuit.on(net):
            if pin_type(part, pin) == OUTPUT:
                return True
            if part.kind in ("R", "LINK"):
                fresh = {n for n in part.pins.values() if n not in seen and n != NC}
                seen |= fresh
                todo.extend(fresh)
    return False


def connectors_match(sheets: Sheets) -> Iterator[Finding]:
    """Plug and socket have the same pins with the same names, and each net goes where its name says."""
    for (module, plug), socket in PLUGS.items():
        if module not in sheets or "board" not in sheets:
            continue
        own, other = sheets[module].part(plug), sheets["board"].part(socket)
        where = f"{module} {plug} in {socket}"
        if set(own.pins) != set(other.pins):
            yield Finding("connectors match", where, f"pins {', '.join(own.pins)} meet {', '.join(other.pins)}")
        for pin in sorted(set(own.pins) & set(other.pins)):
            used = own.pins[pin] != NC and other.pins[pin] != NC
            if used and own.pin_label(pin) != other.pin_label(pin):
                yield Finding(
                    "connectors match", where, f"pin {pin} is {own.pin_label(pin)} and {other.pin_label(pin)}"
                )
            a, b = own.pins[pin], other.pins[pin]
            same_name = a == b or re.fullmatch(rf"{a}(\d|_\w+)", b)
            if used and not same_name:
                yield Finding("connectors match", where, f"pin {pin} joins {a} to {b}")


def pins_agree(sheets: Sheets) -> Iterator[Finding]:
    """The processor's pins are those of the firmware and of hardware/README.md."""
    if "board" in sheets:
        gpio = {pin: net for pin, net in _processor(sheets).pins.items() if pin.startswith("GP")}
        for text in erc_firmware.pin_findings(gpio):
            yield Finding("pins agree", "board U1", text)


def _processor(sheets: Sheets) -> Part:
    return next(part for part in sheets["board"].parts if part.kind == "IC" and GPIO in ICS[part.value].pins.values())


def addresses_agree(sheets: Sheets) -> Iterator[Finding]:
    """I2C addresses, as the straps set them, are those of the firmware and differ on one bus."""
    by_bus: dict[str, list[tuple[int, str]]] = {}
    found: dict[str, int] = {}
    for (module, plug), socket in PLUGS.items():
        if module not in sheets or "board" not in sheets:
            continue
        address = _address(sheets[module])
        if address is None:
            yield Finding("addresses agree", module, "its address straps give no address")
            continue
        found[module] = address
        sda = next((pin for pin in sheets[module].part(plug).pins if sheets[module].part(plug).pins[pin] == "SDA"), "")
        bus = sheets["board"].part(socket).pins.get(sda, NC)
        by_bus.setdefault(bus, []).append((address, module))
    for bus, members in by_bus.items():
        for (one, first), (two, second) in combinations(members, 2):
            if one == two:
                yield Finding("addresses agree", bus, f"{first} and {second} both answer at 0x{one:02x}")
    for text in erc_firmware.address_findings(found):
        yield Finding("addresses agree", "firmware", text)


def _address(sheet: Sheet) -> int | None:
    """Return the address that the straps set; None where they set none.

    Source: data sheets of INA228 (0x40, A0 to supply adds one) and ADS1115
    (0x48, ADDR to supply adds one), from memory.
    """
    for part in sheet.parts:
        strap, base = {"INA228": ("A0", 0x40), "ADS1115": ("ADDR", 0x48)}.get(part.value, ("", 0))
        if not strap:
            continue
        reached = _linked(sheet, part.pins[strap])
        grounds = {net for net in reached if sheet.nets[net].role == "ground"}
        supplies = {net for net in reached if sheet.nets[net].role == "supply"}
        if bool(grounds) == bool(supplies):
            return None
        return base + (1 if supplies else 0)
    return None


def _linked(sheet: Sheet, start: str) -> set[str]:
    """Return the nets that closed links join to one."""
    reached, todo = {start}, [start]
    while todo:
        net = todo.pop()
        for part, _ in sheet.on(net):
            if part.kind == "LINK":
                fresh = set(part.pins.values()) - reached
                reached |= fresh
                todo.extend(fresh)
    return reached


def scale_agrees(sheets: Sheets) -> Iterator[Finding]:
    """The firmware's conversion constants are what the sheets' values give."""
    for text in erc_firmware.scale_findings(sheets):
        yield Finding("scale agrees", "firmware", text)


RULES: tuple[Callable[[Sheets], Iterator[Finding]], ...] = (
    nets_joined,
    references_unique,
    domains_agree,
    supplies_present,
    barriers_rated,
    ratings_suffice,
    outputs_alone,
    inputs_held,
    connectors_match,
    pins_agree,
    addresses_agree,
    scale_agrees,
)


def check(sheets: Sheets = SHEETS) -> list[Finding]:
    """Return everything that breaks a rule."""
    return [finding for rule in RULES for finding in rule(sheets)]


def main() -> int:
    """Print the findings; the exit status says whether there were any."""
    found = check()
    for finding in found:
        sys.stdout.write(f"{finding}\n")
    sys.stdout.write(f"{len(RULES)} rules over {len(SHEETS)} sheets: {len(found)} findings\n")
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
