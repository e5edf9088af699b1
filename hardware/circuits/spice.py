"""Turns a sheet into an ngspice deck, so that what is simulated is the drawn circuit.

Resistors, capacitors, diodes, suppressors, transistors, fuses, links, the
shunt, relay coils and closed switch contacts come straight from the parts.
Gates are sources with the thresholds and the delay of their family. The
converter's inputs load the node they sample. Isolators, isolated supplies,
regulators and connectors are left out: a test puts supplies in their place.

Model cards are written from typical data-sheet figures, from memory; what they
do not say (spread, temperature) is the Monte Carlo's business.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from circuits.netlist import NC, NetlistError, Part, Sheet

MODELS = """
* 1N4148: 0.62 V at 1 mA, 4 pF, 4 ns
.model d4148 d(is=2.52n rs=0.57 n=1.75 cjo=4p m=0.4 tt=5.8n bv=100 ibv=1u)
* BAV99: 0.715 V at most at 1 mA, 1.5 pF
.model bav99 d(is=2.5n rs=0.6 n=1.78 cjo=1.5p m=0.3 tt=5.8n bv=100 ibv=1u)
* BAT46: 0.20 V at 0.1 mA, 0.37 V at 10 mA, 10 pF at 0 V, 6 pF at 1 V
.model bat46 d(is=66n rs=5 n=1.05 cjo=10p vj=0.4 m=0.4 tt=0 bv=110 ibv=100u)
* BAT54: 0.24 V at 0.1 mA, 0.32 V at 1 mA, 10 pF
.model bat54 d(is=0.2u rs=2 n=1.4 cjo=10p vj=0.4 m=0.4 bv=35 ibv=100u)
* SS110: 0.7 V at 1 A
.model ss110 d(is=0.3u rs=0.1 n=1.05 cjo=110p vj=0.5 m=0.45 bv=110 ibv=100u)
"""
# NX7002AK: about 0.15 S at 0.1 A; the threshold is stated at 0.25 mA, where the square law adds this.
_FET_KP = 0.15
_FET_EXTRA_V = (0.5e-3 / _FET_KP) ** 0.5
FET_THRESHOLD_V = (1.1, 1.6, 2.1)  # Nexperia sheet, from memory: minimum, typical, maximum
# Reverse current of the BAT46, 5 uA at 75 V, which its card does not give.
_BAT46_LEAK_OHM = 15e6

# Coil resistance and inductance. Resistance: 12 V and 30 mA, 12 V and 0.65 W. No
# sheet states an inductance; 0.6 H is common for coils of this power (from
# memory), and the tests halve and double it.
COILS = {"relay_guided": (400.0, 0.6), "relay_power": (220.0, 0.4)}

# TTL input threshold (0.8 to 2.0 V allowed), output resistance and load that give
# about 10 ns. 74HCT00, from memory.
HCT_THRESHOLD_V = 1.4
_HCT_OHM, _HCT_F = 60.0, 150e-12

# ADS1115, SBAS444D table 8-? "input impedance", from memory: full scale ->
# (differential, common mode against 0.7 V). That the common-mode current is drawn
# against 0.7 V: maker's forum, read.
ADS_INPUT_OHM = {0.256: (710e3, 100e6), 2.048: (4.9e6, 6e6), 4.096: (15e6, 6e6)}
ADS_COMMON_V = 0.7

_OMITTED = ("J", "MOV", "LAMP", "BUZZER", "OPEN")


def node(net: str, ground: str, prefix: str = "", shared: Iterable[str] = ()) -> str:
    """Return the deck's name of a net."""
    if net == ground:
        return "0"
    return net.lower() if net in shared else prefix + net.lower()


def lines(
    sheet: Sheet,
    ground: str,
    *,
    only: Iterable[str] | None = None,
    skip: Iterable[str] = (),
    values: Mapping[str, float] | None = None,
    shorted: Sequence[tuple[str, str, str]] = (),
    prefix: str = "",
    shared: Iterable[str] = (),
) -> list[str]:
    """Return the deck lines of a sheet's parts.

    Args:
        ground: the net that is node 0.
        only: references to take; all by default.
        skip: references to leave out, as if they were open.
        values: reference -> value in place of the part's own (ohms, farads,
            volts; for a transistor its threshold).
        shorted: (reference, pin, pin) joined by a milliohm.
        prefix: put before every element and node, for many copies in one deck.
        shared: nets that keep their own name in spite of a prefix.

    Raises:
        NetlistError: a reference is not on the sheet.
    """
    wanted = None if only is None else set(only)
    left_out = set(skip)
    given = dict(values or {})
    known = {part.ref for part in sheet.parts}
    unknown = (left_out | set(given) | (wanted or set()) | {ref for ref, _, _ in shorted}) - known
    if unknown:
        raise NetlistError(f"{sheet.name}: no part {', '.join(sorted(unknown))}")
    out: list[str] = []
    for part in sheet.parts:
        if part.ref in left_out or (wanted is not None and part.ref not in wanted):
            continue
        at = {pin: node(net, ground, prefix, shared) for pin, net in part.pins.items() if net != NC}
        out += _element(part, at, given.get(part.ref), prefix + part.ref.lower())
    for ref, a, b in shorted:
        pins = sheet.part(ref).pins
        ends = f"{node(pins[a], ground, prefix, shared)} {node(pins[b], ground, prefix, shared)}"
        out.append(f"rshort_{prefix}{ref.lower()}_{len(out)} {ends} 1m")
    return out


def _element(part: Part, at: Mapping[str, str], given: float | None, name: str) -> list[str]:
    kind = part.kind
    if kind in _OMITTED or (kind == "IC" and part.model != "74hct00"):
        return []
    if kind in ("R", "C"):
        return [f"{kind.lower()}_{name} {at['1']} {at['2']} {part.si() if given is None else given:.9g}"]
    if kind == "CP":
        return [f"c_{name} {at['+']} {at['-']} {part.si() if given is None else given:.9g}"]
    if kind == "NTC":
        return [f"r_{name} {at['1']} {at['2']} {part.si() if given is None else given:.9g}"]
    if kind == "D":
        found = [f"d_{name} {at['A']} {at['K']} {part.model}"]
        if part.model == "bat46":
            found.append(f"rleak_{name} {at['A']} {at['K']} {_BAT46_LEAK_OHM}")
        return found
    if kind == "D2":
        return [f"d_{name}a {at['A']} {at['M']} {part.model}", f"d_{name}b {at['M']} {at['K']} {part.model}"]
    if kind == "Z":
        volts = part.si() if given is None else given
        # 0.25 W zeners are stated at 5 mA, suppressors at 1 mA with far less slope.
        at_a, ohm, pf = (5e-3, 7.0, 100.0) if part.rating.startswith("0.25") else (1e-3, 0.5, 300.0)
        return [
            f"d_{name} {at['A']} {at['K']} z_{name}",
            f".model z_{name} d(is=1n n=1.5 rs={ohm} bv={volts:.6g} ibv={at_a} cjo={pf}p)",
        ]
    if kind == "NFET":
        threshold = FET_THRESHOLD_V[1] if given is None else given
        return [
            f"m_{name} {at['D']} {at['G']} {at['S']} {at['S']} m_{name} w=1u l=1u",
            f".model m_{name} nmos(level=1 vto={threshold - _FET_EXTRA_V:.6g} kp={_FET_KP} rd=0.5 "
            f"cgso=2.7e-5 cgdo=6e-6 cbd=13p is=1e-12)",
        ]
    if kind in ("F", "PTC", "LINK"):
        ohm = {"F": 0.01, "PTC": 0.4, "LINK": 0.001}[kind]
        return [f"r_{name} {at['1']} {at['2']} {ohm if given is None else given:.9g}"]
    if kind == "SHUNT":
        return [
            f"r_{name} {at['I+']} {at['I-']} {part.si() if given is None else given:.9g}",
            f"r_{name}p {at['I+']} {at['S+']} 1m",
            f"r_{name}n {at['I-']} {at['S-']} 1m",
        ]
    if kind == "RELAY":
        ohm, henry = COILS[part.model]
        return [
            f"r_{name} {at['A1']} {name}_coil {ohm}",
            f"l_{name} {name}_coil {at['A2']} {henry if given is None else given:.6g}",
            # iron loss: a coil does not ring with the transistors' capacitance for long
            f"r_{name}fe {name}_coil {at['A2']} 20k",
        ]
    if kind == "SWITCH":
        # Contacts named x1-x2 are normally closed, x3-x4 open (EN 50005, from memory).
        pairs = [(a, a[:-1] + "2") for a in at if a.endswith("1")]
        return [f"r_{name}_{a} {at[a]} {at[b]} 0.05" for a, b in pairs]
    if part.model == "74hct00":
        return [line for n in "1234" for line in _nand(name + n, at[f"{n}A"], at[f"{n}B"], at[f"{n}Y"], at["VCC"])]
    raise NetlistError(f"{part.ref}: no simulation of a {kind}")


def _nand(name: str, a: str, b: str, y: str, vcc: str) -> list[str]:
    high = [f"(0.5+0.5*tanh(12*(v({x})-{HCT_THRESHOLD_V})))" for x in (a, b)]
    return [
        f"b_{name} {name}_o 0 v=v({vcc})*(1-{high[0]}*{high[1]})",
        f"r_{name} {name}_o {y} {_HCT_OHM}",
        f"c_{name} {y} 0 {_HCT_F}",
    ]


def ads_input(name: str, plus: str, minus: str, full_scale_v: float, *, share: str = "") -> list[str]:
    """Return what the ADS1115 draws from two nodes while it compares them.

    Args:
        share: node of a control voltage, 1 while the converter samples this pair
            and 0 otherwise; empty for always. Node 0 is the converter's ground.
    """
    differential, common = ADS_INPUT_OHM[full_scale_v]
    gate = f"*v({share})" if share else ""
    found = [f"b_{name}d {plus} {minus} i=(v({plus})-v({minus}))/{differential}{gate}"]
    for k, x in enumerate((plus, minus)):
        found.append(f"b_{name}c{k} {x} 0 i=(v({x})-{ADS_COMMON_V})/{common}{gate}")
    return found


def deck(title: str, *groups: Iterable[str]) -> str:
    """Return a whole deck without its end: title, model cards, lines."""
    return "\n".join([title, MODELS.strip(), *(line for group in groups for line in group)]) + "\n"
