"""Do the sheets and the firmware mean the same board? Pins, addresses, conversion constants.

The firmware's modules are read as text, not imported: one of them needs the
processor.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from circuits.erc_facts import ADDRESS_SHEETS, INNER_PINS, PIN_NETS
from circuits.netlist import Sheet

ROOT = Path(__file__).parents[2]
BOARD_PY = ROOT / "firmware" / "wardenfw" / "board.py"
SCALE_PY = ROOT / "firmware" / "wardenfw" / "scale.py"
README = ROOT / "hardware" / "README.md"

# The peak detector gives away some per cent, which the divider makes up for;
# tests/ngspice holds the whole path to 1 %.
DETECTOR_SHARE = 0.08


def constants(path: Path) -> dict[str, float]:
    """Return the numbers that a module assigns by name at its top."""
    found: dict[str, float] = {}
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if not isinstance(node, ast.Assign):
            continue
        target, value = node.targets[0], node.value
        names = target.elts if isinstance(target, ast.Tuple) else [target]
        values = value.elts if isinstance(value, ast.Tuple) else [value]
        for name, number in zip(names, values, strict=False):
            if (
                isinstance(name, ast.Name)
                and isinstance(number, ast.Constant)
                and isinstance(number.value, int | float)
            ):
                found[name.id] = number.value
    return found


def readme_pins() -> set[int]:
    """Return the GP numbers in the pin table of hardware/README.md."""
    rows = [line.split("|")[1] for line in README.read_text(encoding="utf-8").splitlines() if line.startswith("| GP")]
    return {int(number) for row in rows for number in re.findall(r"GP(\d+)", row)}


def pin_findings(gpio: Mapping[str, str]) -> Iterator[str]:
    """Tell where the processor's pins on the sheet, in the firmware and in the README differ.

    Args:
        gpio: "GP4" -> net, as drawn.
    """
    firmware = constants(BOARD_PY)
    expected = {f"GP{int(firmware[name])}": net for name, net in PIN_NETS.items() if name in firmware}
    for name in PIN_NETS:
        if name not in firmware:
            yield f"the firmware has no pin {name}"
    for name in firmware:
        if name.startswith("ADC_") and name not in PIN_NETS and name not in INNER_PINS:
            yield f"the firmware reads {name}, which is on no sheet"
    for pin in sorted(set(expected) | set(gpio)):
        if expected.get(pin) != gpio.get(pin):
            yield f"{pin} is {gpio.get(pin, 'nothing')} on the sheet, {expected.get(pin, 'nothing')} in the firmware"
    drawn = {int(pin[2:]) for pin in gpio}
    for number in sorted(drawn ^ readme_pins()):
        yield f"GP{number} is {'on the sheet' if number in drawn else 'in the README'} only"


def address_findings(found: Mapping[str, int]) -> Iterator[str]:
    """Tell where a module's address is not the firmware's. `found`: module sheet -> address."""
    firmware = constants(BOARD_PY)
    for name, sheet in ADDRESS_SHEETS.items():
        if sheet in found and found[sheet] != firmware.get(name):
            yield f"{sheet} answers at 0x{found[sheet]:02x}, {name} is 0x{int(firmware.get(name, 0)):02x}"


def scale_findings(sheets: Mapping[str, Sheet]) -> Iterator[str]:
    """Tell where a conversion constant is not what the parts give."""
    firmware = constants(SCALE_PY)
    for where, name, given, share in _given(sheets):
        has = firmware.get(name)
        # A share is lost between the parts and the reading, never gained.
        if has is None or not has * (1.0 - share - 1e-9) <= given <= has * (1.0 + 1e-9):
            yield f"{name} is {has}, the parts of {where} give {given:.6g}"


def _given(sheets: Mapping[str, Sheet]) -> Iterator[tuple[str, str, float, float]]:
    """Yield (sheet, constant, value from the parts, share that may be missing from it)."""
    for name in ("rail_pos", "rail_neg"):
        if name in sheets:
            yield name, "SHUNT_OHM", sheets[name].part("R1").si(), 0.0
    for name in ("output_left", "output_right"):
        if name in sheets:
            ohm = {ref: sheets[name].part(ref).si() for ref in ("R1", "R2", "R6", "R7", "R8", "R11", "R12")}
            yield name, "OFFSET_RATIO", (ohm["R6"] + ohm["R7"] + ohm["R8"]) / ohm["R8"], 0.0
            yield name, "HF_RATIO", (ohm["R11"] + ohm["R12"]) / ohm["R12"], DETECTOR_SHARE
            yield name, "MIDDLE_V", 3.3 * ohm["R2"] / (ohm["R1"] + ohm["R2"]), 0.0
    if "ntc_input" in sheets:
        sheet = sheets["ntc_input"]
        for lead in ("NTC_LEFT", "NTC_RIGHT", "NTC_AMBIENT"):
            ups = [part for part, _ in sheet.on(lead) if part.kind == "R" and "P3V3" in part.pins.values()]
            conductance = sum(1.0 / part.si() for part in ups)
            yield f"ntc_input {lead}", "NTC_PULLUP_OHM", 1.0 / conductance if conductance else 0.0, 0.0
            for part, _ in sheet.on(lead):
                if part.kind == "NTC":
                    yield f"ntc_input {part.ref}", "NTC_R25_OHM", part.si(), 0.0
