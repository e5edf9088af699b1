"""A schematic drawn over a netlist, which alone says what joins what.

A layout places symbols and draws wires; references, values and net names come
from the netlist. What the layout draws is read back as geometry: a wire that
joins two nets, a pin left out and a net in pieces without a name are errors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType

from schemdraw import elements as elm

from circuits import drawing_symbols as symbols
from circuits.drawing_page import Page, Point
from circuits.netlist import EARTH, NC, Part, Sheet
from circuits.sheets import MAIN_BOARD, SHEETS

STUB = 0.4
TEXT_SIZE = 9.5
PIN_SIZE = 8.5
_WIDE = ("coil", "contact-no", "contact-nc", "button-no", "lamp")
_COMMON_RESISTOR = "0.125 W"
_COMMON_CAPACITORS = ("25 V", "50 V", "63 V")
_STEP = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "up": (0.0, 1.0), "down": (0.0, -1.0)}


class LayoutError(ValueError):
    """A layout contradicts its netlist."""


@dataclass(frozen=True)
class PlacedPin:
    at: Point
    away: str  # direction pointing away from the symbol
    net: str


@dataclass(frozen=True)
class Wire:
    net: str
    a: Point
    b: Point

    def holds(self, p: Point) -> bool:
        (x0, y0), (x1, y1) = self.a, self.b
        return (
            min(x0, x1) - 1e-6 <= p[0] <= max(x0, x1) + 1e-6
            and min(y0, y1) - 1e-6 <= p[1] <= max(y0, y1) + 1e-6
            and (abs(p[0] - x0) < 1e-6 if x0 == x1 else abs(p[1] - y0) < 1e-6)
        )


class Schematic:
    """A page on which the parts of one sheet are placed and wired."""

    def __init__(self, sheet: Sheet, note: str, width: float, height: float) -> None:
        self.sheet = sheet
        self.page = Page(sheet.title, note, width, height)
        self.parts: dict[str, Part] = {part.ref: part for part in sheet.parts}
        self.pins: dict[str, PlacedPin] = {}
        self.wires: list[Wire] = []
        self._tagged: list[tuple[Point, str]] = []
        self._elsewhere = _nets_elsewhere(sheet)

    # placing

    def two(
        self,
        ref: str,
        start: Point,
        end: Point,
        pins: tuple[str, str] | None = None,
        symbol: str | None = None,
        text: str = "",
        note: str = "",
    ) -> None:
        """Place a symbol with two ends.

        Args:
            pins: names of the pins at start and end; the part's own order by default.
            symbol: key of `symbols.TWO_ENDED`; from the part's kind by default.
            text: side of the label: up, down, left or right.
            note: replaces the value in the label, for the second symbol of a part.
        """
        part = self.part(ref)
        first, second = pins or tuple(part.pins)
        colour = self.colour(part, first)
        self._draw_two(symbol or symbols.key_of(part), start, end, colour)
        horizontal = start[1] == end[1]
        if horizontal:
            outward = ("left", "right") if start[0] < end[0] else ("right", "left")
        else:
            outward = ("down", "up") if start[1] < end[1] else ("up", "down")
        self.pin(ref, first, start, outward[0])
        self.pin(ref, second, end, outward[1])
        middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
        side = text or ("up" if horizontal else "right")
        lines = f"{ref}\n{note}" if note else _caption(part)
        reach = 0.6 if (symbol or symbols.key_of(part)) in _WIDE else 0.42
        if side == "up":
            rise = 0.33 * lines.count("\n") - 0.05
            self.page.text((middle[0], middle[1] + reach + rise), lines, TEXT_SIZE, "center")
        elif side == "down":
            self.page.text((middle[0], middle[1] - reach - 0.14), lines, TEXT_SIZE, "center")
        elif side == "right":
            self.page.text((middle[0] + reach, middle[1] + 0.09), lines, TEXT_SIZE, "left")
        else:
            self.page.text((middle[0] - reach, middle[1] + 0.09), lines, TEXT_SIZE, "right")

    def _draw_two(self, key: str, start: Point, end: Point, colour: str) -> None:
        drawn = symbols.TWO_ENDED[key]
        if isinstance(drawn, type) and issubclass(drawn, elm.Element):
            self.page.element(drawn(), start, end, colour)
        else:
            drawn(self.page, start, end, colour)
        self.page.lines.append((start, end))
        # The body: text may not stand on it.
        (x0, y0), (x1, y1) = start, end
        cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
        if y0 == y1:
            self.page.lines.append(((cx - 0.45, cy + 0.2), (cx + 0.45, cy + 0.2)))
            self.page.lines.append(((cx - 0.45, cy - 0.2), (cx + 0.45, cy - 0.2)))
        else:
            self.page.lines.append(((cx - 0.2, cy - 0.45), (cx - 0.2, cy + 0.45)))
            self.page.lines.append(((cx + 0.2, cy - 0.45), (cx + 0.2, cy + 0.45)))

    def pair(self, ref: str, start: Point, end: Point, text: str = "right") -> None:
        """Place two diodes in series: anode at `start`, cathode at `end`, the middle between them."""
        part = self.part(ref)
        colour = self.colour(part, "M")
        middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
        self.page.element(elm.Diode(), start, middle, colour)
        self.page.element(elm.Diode(), middle, end, colour)
        self.page.lines.append((start, end))
        down = start[1] < end[1]
        self.pin(ref, "A", start, "down" if down else "up")
        self.pin(ref, "M", middle, "left" if text == "right" else "right")
        self.pin(ref, "K", end, "up" if down else "down")
        at = (middle[0] + 0.3, middle[1] + 0.5) if text == "right" else (middle[0] - 0.3, middle[1] + 0.5)
        self.page.text(at, f"{ref}\n{part.value}", TEXT_SIZE, "left" if text == "right" else "right")

    def shunt(self, ref: str, start: Point) -> None:
        """Place a four-terminal shunt lying down, 3 long from `start`; the sense ends leave downwards."""
        part = self.part(ref)
        x, y = start
        colour = self.colour(part, "I+")
        self.page.element(elm.ResistorIEC().linewidth(2.0), start, (x + 3.0, y), colour)
        for pin, at, away in (
            ("I+", (x, y), "left"),
            ("I-", (x + 3.0, y), "right"),
            ("S+", (x + 0.9, y - 0.6), "down"),
            ("S-", (x + 2.1, y - 0.6), "down"),
        ):
            self.pin(ref, pin, at, away)
            if away == "down":
                self.page.line([(at[0], y), at], colour)
        self.page.text((x + 1.5, y + 0.75), f"{ref}\n{part.value}", TEXT_SIZE, "center")

    def fet(self, ref: str, gate: Point, pins: tuple[str, str, str] = ("G", "D", "S"), text: str = "right") -> None:
        """Place an N-channel FET: gate at `gate`, drain 1.0 right and 1.0 up of it, source 1.0 down."""
        part = self.part(ref)
        x, y = gate
        symbols.nfet(self.page, gate, self.colour(part, pins[0]))
        self.pin(ref, pins[0], gate, "left")
        self.pin(ref, pins[1], (x + 1.0, y + 1.0), "up")
        self.pin(ref, pins[2], (x + 1.0, y - 1.0), "down")
        at = (x + 1.25, y + 0.2) if text == "right" else (x + 0.3, y + 0.75)
        self.page.text(at, f"{ref}\n{part.value}", TEXT_SIZE, "left" if text == "right" else "right")

    def nand(self, ref: str, at: Point, inputs: tuple[str, str], output: str, note: str) -> None:
        """Place one NAND gate, inputs at `at` + (0, +-0.5), output 2.5 to the right."""
        part = self.part(ref)
        x, y = at
        symbols.nand(self.page, at, self.colour(part, output))
        self.pin(ref, inputs[0], (x, y + 0.5), "left")
        self.pin(ref, inputs[1], (x, y - 0.5), "left")
        self.pin(ref, output, (x + 2.5, y), "right")
        self.page.text((x + 1.15, y + 0.05), ref, TEXT_SIZE, "center")
        self.page.text((x + 1.15, y - 0.25), note, 7.5, "center")
        for pin, dx, dy in ((inputs[0], 0.3, 0.56), (inputs[1], 0.3, -0.44), (output, 2.2, 0.06)):
            self.page.text((x + dx, y + dy), pin, 7.0, "center", symbols.GREY)

    def box(
        self,
        ref: str,
        low: Point,
        high: Point,
        left: Sequence[str] = (),
        right: Sequence[str] = (),
        top: Sequence[str] = (),
        bottom: Sequence[str] = (),
        label: Point | None = None,
        numbers: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        """Place a part as a box with pins along its edges; '' leaves a place free.

        Pins stand on half units from the upper corners down, or about the middle of
        the upper and lower edge, and end half a unit outside. `numbers` are written at the pins outside.
        """
        part = self.part(ref)
        (x0, y0), (x1, y1) = low, high
        self.page.rectangle(low, high, symbols.INK, 1.4, "#f6f6f2")
        for side, edge, names_there in (
            ("left", x0, left),
            ("right", x1, right),
            ("up", y1, top),
            ("down", y0, bottom),
        ):
            for i, name in enumerate(names_there):
                if not name:
                    continue
                if side in ("left", "right"):
                    y = y1 - 0.5 - 0.5 * i
                    step = -0.5 if side == "left" else 0.5
                    start, end = (edge, y), (edge + step, y)
                    inside = ((edge - 0.25 * step, y - 0.08), "left" if side == "left" else "right")
                else:
                    x = (x0 + x1) / 2 + i - (len(names_there) - 1) / 2
                    step = 0.5 if side == "up" else -0.5
                    start, end = (x, edge), (x, edge + step)
                    inside = ((x, edge - 0.3 if side == "up" else edge + 0.15), "center")
                self.page.line([start, end], self.colour(part, name))
                self.page.text(inside[0], part.pin_label(name), PIN_SIZE, inside[1])
                if name in numbers:
                    beside = (start[0] * 0.6 + end[0] * 0.4, end[1] + 0.06)
                    self.page.text(beside, numbers[name], 7.0, "center", symbols.GREY)
                self.pin(ref, name, end, side)
        at = label or ((x0 + x1) / 2, y1 + 0.5)
        self.page.text(at, f"{ref}\n{part.value}", TEXT_SIZE, "center" if label is None else "left")

    def pin(self, ref: str, pin: str, at: Point, away: str) -> None:
        """Note where a pin stands and which way leads away from its symbol."""
        key = f"{ref}.{pin}"
        if key in self.pins:
            raise LayoutError(f"{self.sheet.name}: {key} is drawn twice")
        try:
            net = self.part(ref).pins[pin]
        except KeyError:
            raise LayoutError(f"{self.sheet.name}: {ref} has no pin {pin}") from None
        self.pins[key] = PlacedPin(_snap(at), away, net)

    def part(self, ref: str) -> Part:
        try:
            return self.parts[ref]
        except KeyError:
            raise LayoutError(f"{self.sheet.name}: no part {ref} in the netlist") from None

    def colour(self, part: Part, pin: str) -> str:
        return symbols.colour_of(self.sheet, part.pins[pin])

    # joining

    def wire(self, *stops: str | tuple[float | None, float | None], net: str = "") -> None:
        """Draw a wire along stops: "REF.PIN", (x, y), (x, None) or (None, y).

        None keeps the coordinate of the stop before. Stops that are not in line get
        a corner, sideways first.
        """
        path: list[Point] = []
        for stop in stops:
            if isinstance(stop, str):
                try:
                    placed = self.pins[stop]
                except KeyError:
                    raise LayoutError(f"{self.sheet.name}: {stop} is not placed") from None
                if net and placed.net != net:
                    raise LayoutError(f"{self.sheet.name}: {stop} is on {placed.net}, the wire on {net}")
                net, point = placed.net, placed.at
            else:
                before = path[-1] if path else (0.0, 0.0)
                point = _snap((before[0] if stop[0] is None else stop[0], before[1] if stop[1] is None else stop[1]))
            if path and path[-1][0] != point[0] and path[-1][1] != point[1]:
                path.append((point[0], path[-1][1]))
            path.append(point)
        if net not in self.sheet.nets:
            raise LayoutError(f"{self.sheet.name}: a wire on no known net ({net!r})")
        self.page.line(path, symbols.colour_of(self.sheet, net))
        self.wires.extend(Wire(net, a, b) for a, b in pairwise(path) if a != b)

    def tag(self, at: Point | str, away: str, net: str = "") -> None:
        """Name a net at a point: ground (hanging) and supply (standing) by symbol, others by a flag."""
        if isinstance(at, str):
            net, at = self.pins[at].net, self.pins[at].at
        at = _snap(at)
        net = net or self._net_at(at)
        colour = symbols.colour_of(self.sheet, net)
        dx, dy = _STEP[away]
        end = (at[0] + STUB * dx, at[1] + STUB * dy)
        self._tagged.append((at, net))
        role = self.sheet.nets[net].role
        self.page.line([at, end], colour)
        if role == "ground" and away == "down":
            symbols.ground(self.page, end, self.sheet.nets[net].domain, colour)
            low = 0.75 if self.sheet.nets[net].domain == EARTH else 0.55
            self.page.text((end[0], end[1] - low), net, PIN_SIZE, "center", colour)
            return
        if role == "supply" and away == "up":
            self.page.line([(end[0] - 0.25, end[1]), (end[0] + 0.25, end[1])], colour, 2.0)
            self.page.text((end[0], end[1] + 0.1), net, PIN_SIZE, "center", colour)
            return
        if away in ("left", "right"):
            self.page.text((end[0] + 0.1 * dx, end[1] - 0.08), net, PIN_SIZE, "right" if dx < 0 else "left", colour)
        else:
            self.page.text((end[0], end[1] + (0.08 if dy > 0 else -0.28)), net, PIN_SIZE, "center", colour)

    def barrier(self, points: Sequence[Point], text: str = "", at: Point | None = None) -> None:
        """Draw an insulation barrier as a bold dashed line."""
        self.page.line(points, symbols.BARRIER, 3.2, dashed=True)
        if text:
            where = at or (points[0][0] + 0.15, points[0][1] + 0.1)
            self.page.text(where, text, PIN_SIZE, "left", symbols.BARRIER)

    # reading back

    def finish(self) -> Page:
        """Name what is still unnamed, dot the junctions and check against the netlist.

        Raises:
            LayoutError: the drawing shows something other than the netlist.
        """
        for part in self.sheet.parts:
            for pin in part.pins:
                if f"{part.ref}.{pin}" not in self.pins:
                    raise LayoutError(f"{self.sheet.name}: {part.ref}.{pin} is not drawn")
        for key, pin in self.pins.items():
            if pin.net == NC:
                self._cross(pin.at)
            elif not self._is_met(key, pin) and self._goes_on(pin.net):
                self.tag(key, pin.away)
        self._refuse_shorts()
        for net in self.sheet.nets:
            pieces = self._pieces(net)
            names = [at for at, name in self._tagged if name == net]
            if len(pieces) > 1 or names or net in self._elsewhere or self.sheet.nets[net].role != "signal":
                for piece in pieces:
                    if not any(at in piece for at in names):
                        raise LayoutError(f"{self.sheet.name}: a piece of {net} at {sorted(piece)[0]} has no name")
        for at in sorted({p for w in self.wires for p in (w.a, w.b)}):
            if self._arms(at) > 2:
                self.page.dot(at, symbols.colour_of(self.sheet, self._net_at(at)))
        return self.page

    def _goes_on(self, net: str) -> bool:
        """Has a net more than the one pin, here or elsewhere? The middle of two diodes may have not."""
        return len(self.sheet.on(net)) > 1 or net in self._elsewhere or self.sheet.nets[net].role != "signal"

    def _cross(self, at: Point) -> None:
        x, y = at
        for slope in (-0.12, 0.12):
            self.page.line([(x - 0.12, y - slope), (x + 0.12, y + slope)])

    def _is_met(self, key: str, pin: PlacedPin) -> bool:
        return (
            any(w.holds(pin.at) for w in self.wires)
            or any(at == pin.at for at, _ in self._tagged)
            or any(other.at == pin.at for name, other in self.pins.items() if name != key)
        )

    def _refuse_shorts(self) -> None:
        ends = [(w.net, p) for w in self.wires for p in (w.a, w.b)]
        ends += [(p.net, p.at) for p in self.pins.values()] + [(net, at) for at, net in self._tagged]
        for wire in self.wires:
            for net, p in ends:
                if net != wire.net and wire.holds(p):
                    raise LayoutError(f"{self.sheet.name}: {net} and {wire.net} touch at {p}")
        by_place: dict[Point, str] = {}
        for net, p in ends:
            if by_place.setdefault(p, net) != net:
                raise LayoutError(f"{self.sheet.name}: {net} and {by_place[p]} touch at {p}")

    def _pieces(self, net: str) -> list[set[Point]]:
        pieces: list[set[Point]] = []
        wires = [w for w in self.wires if w.net == net]
        points = {p.at for p in self.pins.values() if p.net == net} | {at for at, n in self._tagged if n == net}
        points |= {p for w in wires for p in (w.a, w.b)}
        groups = [{p for p in points if w.holds(p)} for w in wires] + [{p} for p in points]
        for group in groups:
            joined = [piece for piece in pieces if piece & group]
            pieces = [piece for piece in pieces if not piece & group] + [group.union(*joined)]
        return pieces

    def _arms(self, at: Point) -> int:
        arms = sum(1 for pin in self.pins.values() if pin.at == at)
        for wire in self.wires:
            if at in (wire.a, wire.b):
                arms += 1
            elif wire.holds(at):
                arms += 2
        return arms + sum(1 for place, _ in self._tagged if place == at)

    def _net_at(self, at: Point) -> str:
        return next(w.net for w in self.wires if w.holds(at))


def _nets_elsewhere(sheet: Sheet) -> set[str]:
    """Return the nets that a sheet of the main board shares with the others."""
    if sheet.name not in MAIN_BOARD:
        return set()
    return {net for name in MAIN_BOARD if name != sheet.name for net in SHEETS[name].nets}


def _caption(part: Part) -> str:
    """Return reference and value, with tolerance and rating where a common part would not do."""
    value = part.value
    if part.kind in ("R", "SHUNT") and part.tolerance < 0.01:
        value += f" {100 * part.tolerance:g} %"
    lines = [part.ref, value]
    if part.kind == "R" and not part.rating.startswith(_COMMON_RESISTOR) and part.tolerance >= 0.01:
        lines.append(part.rating.split(",")[0])
    if part.kind == "C" and part.rating not in _COMMON_CAPACITORS:
        lines.append(part.rating)
    return "\n".join(lines)


def _snap(p: Point) -> Point:
    """Return the point on the grid of a twentieth, so that places compare equal."""
    return (round(round(p[0] * 20) / 20, 2), round(round(p[1] * 20) / 20, 2))
