"""The sheets break no electrical rule, and each rule fires on a sheet broken on purpose.

What a break looks like is common practice of electrical rule checks; figures
are named where they are used.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from circuits import erc, erc_firmware
from circuits.erc_facts import ACROSS, ICS, VOLTS
from circuits.netlist import LOGIC, NC, Net, Part, Sheet
from circuits.sheets import SHEETS
from circuits.stock import capacitor, resistor

Sheets = dict[str, Sheet]


def with_parts(name: str, change: Callable[[tuple[Part, ...]], tuple[Part, ...]], *more: Net) -> Sheets:
    """Return all sheets, one of them with other parts."""
    sheet = SHEETS[name]
    nets = {**sheet.nets, **{net.name: net for net in more}}
    return {**SHEETS, name: replace(sheet, parts=change(sheet.parts), nets=nets)}


def with_part(name: str, ref: str, **changes: object) -> Sheets:
    return with_parts(name, lambda parts: tuple(replace(p, **changes) if p.ref == ref else p for p in parts))


def with_pin(name: str, ref: str, pin: str, net: str, *more: Net) -> Sheets:
    def moved(parts: tuple[Part, ...]) -> tuple[Part, ...]:
        return tuple(replace(p, pins={**p.pins, pin: net}) if p.ref == ref else p for p in parts)

    return with_parts(name, moved, *more)


def without(name: str, *refs: str) -> Sheets:
    return with_parts(name, lambda parts: tuple(p for p in parts if p.ref not in refs))


def added(name: str, *parts: Part) -> Sheets:
    return with_parts(name, lambda there: (*there, *parts))


def found(sheets: Sheets, rule: str) -> str:
    """Return what one rule says, and hold that it says something."""
    told = [str(finding) for finding in erc.check(sheets) if finding.rule == rule]
    assert told, f"{rule} says nothing; all: {erc.check(sheets)}"
    return "\n".join(told)


def test_the_sheets_break_no_rule() -> None:
    assert [str(finding) for finding in erc.check()] == []


def test_the_command_prints_and_tells_by_its_status(capsys: pytest.CaptureFixture[str]) -> None:
    assert erc.main() == 0
    assert f"{len(erc.RULES)} rules over {len(SHEETS)} sheets: 0 findings" in capsys.readouterr().out


def test_a_net_with_one_pin_and_one_with_none() -> None:
    told = found(with_pin("relay_chain", "R2", "2", "ASTRAY", Net("ASTRAY", LOGIC)), "nets joined")
    assert "main ASTRAY: joins only R2.2" in told
    told = found(with_parts("relay_chain", lambda parts: parts, Net("EMPTY", LOGIC)), "nets joined")
    assert "main EMPTY: joins only nothing" in told


def test_one_reference_on_two_sheets_of_a_board() -> None:
    assert "main R1: stands for 2 parts" in found(
        added("ntc_input", resistor("R1", "1k", "P3V3", "GND")), "references unique"
    )


def test_one_net_in_two_domains() -> None:
    broken = with_parts("board", lambda parts: parts, Net("ALERT", "COIL12"))
    assert "ALERT: is COIL12 signal on one sheet, LOGIC signal on another" in found(broken, "domains agree")


@pytest.mark.parametrize(
    ("sheet", "ref", "pair"),
    [
        ("relay_chain", "C5", "P5V to GND"),
        ("rail_pos", "C3", "V33 to GM"),
        ("rail_neg", "C5", "P3V3 to GND"),
        ("output_left", "C8", "V33 to GM"),
        ("output_right", "C11", "P5V to GND"),
    ],
)
def test_a_supply_pin_without_its_capacitor(sheet: str, ref: str, pair: str) -> None:
    broken = without(sheet, ref)
    # The main board's 5 V has a bulk capacitor besides: take that too.
    if sheet == "relay_chain":
        board = broken["board"]
        broken["board"] = replace(board, parts=tuple(p for p in board.parts if p.ref != "C30"))
    assert pair in found(broken, "supplies present")


def test_a_source_without_its_capacitor() -> None:
    assert "V50 to GM: no capacitor of 1 uF or more at the source" in found(
        with_part("rail_pos", "C9", value="100n"), "supplies present"
    )


def test_a_supply_pin_on_a_signal_and_an_unknown_part() -> None:
    assert "VS is a supply pin on ALERT_N" in found(with_pin("rail_pos", "U1", "VS", "ALERT_N"), "supplies present")
    assert "pins of INA999 are unknown" in found(with_part("rail_pos", "U1", value="INA999"), "supplies present")


def test_a_misspelt_pin() -> None:
    pins = {**SHEETS["rail_pos"].part("U1").pins}
    pins["IN"] = pins.pop("IN+")
    assert "pin IN+ is not on both" in found(with_part("rail_pos", "U1", pins=pins), "supplies present")


def test_a_capacitor_across_the_insulation() -> None:
    told = found(added("rail_pos", capacitor("C99", "1n", "GM", "GND")), "barriers rated")
    assert "rail_pos C99 joins RAIL_POS and SELV and is in no barrier" in told


def test_a_barrier_without_a_word_of_its_insulation() -> None:
    told = found(with_part("output_left", "U2", rating="5 V"), "barriers rated")
    assert "output_left U2: rating '5 V' says nothing of its insulation" in told


@pytest.mark.parametrize(
    ("sheet", "ref", "rating", "words"),
    [
        ("rail_pos", "C2", "50 V", "rated 50 V, needed"),  # 85 V of the rail lie across it
        ("rail_pos", "D5", "1 A, 40 V", "rated 40 V, needed"),
        ("relay_chain", "Q1", "20 V, 1 A", "rated 20 V, needed"),  # the coil throws it to 41 V
        ("relay_chain", "C3", "10 V", "rated 10 V, needed"),
        ("relay_chain", "R16", "0.05 W, 150 V", "takes 0.06 W"),  # 5.25 V across 470 ohm
        ("output_left", "R3", "0.5 W, 350 V", "takes 0.82 W"),  # 42.5 V across 2.2 k
        ("ntc_input", "R32", "0.125 W, 150 V", "takes 0.80 W"),  # 89.4 V across 10 k
        ("limiter_bypass", "C20", "X2, 250 V a.c.", "on mains, needed 264 V"),
        ("limiter_bypass", "J4", "48 V, 10 A", "on mains, needed 250 V"),
        ("relay_chain", "F1", "1500 A breaking", "on mains, needed 250 V"),
        ("output_right", "C4", "", "names no voltage"),
    ],
)
def test_a_part_too_weak_for_its_place(sheet: str, ref: str, rating: str, words: str) -> None:
    told = found(with_part(sheet, ref, rating=rating), "ratings suffice")
    assert f"{ref}: " in told
    assert words in told


def test_a_gate_at_the_coil_and_a_pin_at_the_rail() -> None:
    assert "gate to source" in found(with_pin("relay_chain", "Q2", "G", "COIL_A"), "ratings suffice")
    assert "AIN0 sees" in found(with_pin("output_left", "U1", "AIN0", "EMIT"), "ratings suffice")
    assert "GP18 sees 0 to 5.25 V" in found(
        with_pin("board", "U1", "GP18", "AUX_WET", _net("AUX_WET")), "ratings suffice"
    )


def _net(name: str) -> Net:
    return next(sheet.nets[name] for sheet in SHEETS.values() if name in sheet.nets)


def test_two_outputs_on_one_net() -> None:
    told = found(with_pin("relay_chain", "U2", "3Y", "LATCH_Q"), "outputs alone")
    assert "main LATCH_Q: driven by main U2.1Y, main U2.3Y" in told


def test_an_output_against_an_open_drain() -> None:
    assert "drives against" in found(with_pin("rail_pos", "U3", "OUT", "SDA"), "outputs alone")


def test_an_open_drain_without_a_pull_up_and_with_two() -> None:
    assert "open drain with 0 pull-ups (none)" in found(without("rail_pos", "R6"), "outputs alone")
    twice = added("rail_neg", resistor("R99", "10k", "V33", "ALERT_N"))
    assert "open drain with 2 pull-ups (R6, R99)" in found(twice, "outputs alone")


def test_a_bus_is_looked_at_with_all_modules_plugged_in() -> None:
    assert "main SDA0: open drain with 0 pull-ups" in found(without("board", "R60"), "outputs alone")
    twice = added("output_left", resistor("R99", "4.7k", "P3V3", "SDA"))
    assert "main SDA1: open drain with 2 pull-ups" in found(twice, "outputs alone")


def test_an_input_joined_to_nothing() -> None:
    assert "U2.3B: input joined to nothing" in found(with_pin("relay_chain", "U2", "3B", NC), "inputs held")
    assert "U1.IN+: is joined to nothing" in found(with_pin("rail_pos", "U1", "IN+", NC), "inputs held")


@pytest.mark.parametrize(("sheet", "ref", "pin"), [("relay_chain", "R7", "U2.2A"), ("relay_chain", "R8", "U2.4A")])
def test_a_gate_input_that_floats_while_the_processor_starts(sheet: str, ref: str, pin: str) -> None:
    assert f"{pin}: " in found(without(sheet, ref), "inputs held")


def test_a_transistor_that_floats_while_the_processor_starts() -> None:
    assert "Q4.G: BYPASS_GATE has no level" in found(without("limiter_bypass", "R21"), "inputs held")


def test_an_address_pin_with_no_link_closed() -> None:
    opened = with_part("rail_pos", "JP1C", kind="OPEN")
    assert "U1.A0" in found(opened, "inputs held")
    assert "rail_pos: its address straps give no address" in found(opened, "addresses agree")


def test_plug_and_socket_wired_differently() -> None:
    labels = {**SHEETS["rail_pos"].part("J3").labels, "4": "SCL", "5": "SDA"}
    assert "pin 4 is SCL and SDA" in found(with_part("rail_pos", "J3", labels=labels), "connectors match")
    assert "pin 4 joins SCL to SDA0" in found(with_pin("rail_pos", "J3", "4", "SCL"), "connectors match")
    pins = {**SHEETS["output_left"].part("J2").pins, "7": "GND"}
    assert "meet 1, 2, 3, 4, 5, 6" in found(with_part("output_left", "J2", pins=pins), "connectors match")


def test_two_pins_of_the_processor_swapped() -> None:
    pins = {**SHEETS["board"].part("U1").pins, "GP14": "PULSE", "GP15": "ENABLE"}
    told = found(with_part("board", "U1", pins=pins), "pins agree")
    assert "GP14 is PULSE on the sheet, ENABLE in the firmware" in told
    assert "GP15 is ENABLE on the sheet, PULSE in the firmware" in told


def test_a_pin_that_only_the_sheet_knows() -> None:
    pins = {**SHEETS["board"].part("U1").pins, "GP9": "LAMP"}
    told = found(with_part("board", "U1", pins=pins), "pins agree")
    assert "GP9 is LAMP on the sheet, nothing in the firmware" in told
    assert "GP9 is on the sheet only" in told


def test_a_pin_that_only_the_readme_or_the_firmware_knows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    readme = tmp_path / "README.md"
    readme.write_text(erc_firmware.README.read_text(encoding="utf-8") + "| GP12 | new | |\n", encoding="utf-8")
    monkeypatch.setattr(erc_firmware, "README", readme)
    assert "GP12 is in the README only" in found(dict(SHEETS), "pins agree")
    board = tmp_path / "board.py"
    text = erc_firmware.BOARD_PY.read_text(encoding="utf-8")
    board.write_text(text.replace("COIL_SENSE = 22", "COIL_SENSE = 2"), encoding="utf-8")
    monkeypatch.setattr(erc_firmware, "BOARD_PY", board)
    told = found(dict(SHEETS), "pins agree")
    assert "GP22 is COIL_SENSE on the sheet, nothing in the firmware" in told
    assert "GP2 is nothing on the sheet, COIL_SENSE in the firmware" in told


def test_two_modules_with_one_address() -> None:
    told = found(with_pin("output_right", "U1", "ADDR", "GM"), "addresses agree")
    assert "output_left and output_right both answer at 0x48" in told
    assert "output_right answers at 0x48, OUTPUT_RIGHT_ADDRESS is 0x49" in told


@pytest.mark.parametrize(
    ("sheet", "ref", "value", "constant"),
    [
        ("rail_neg", "R1", "5m", "SHUNT_OHM"),
        ("output_left", "R8", "1.1k", "OFFSET_RATIO"),
        ("output_right", "R12", "8.2k", "HF_RATIO"),
        ("output_left", "R2", "12k", "MIDDLE_V"),
        ("ntc_input", "R41", "22k", "NTC_PULLUP_OHM"),
        ("ntc_input", "TH2", "4.7k", "NTC_R25_OHM"),
    ],
)
def test_a_value_that_the_conversion_does_not_know(sheet: str, ref: str, value: str, constant: str) -> None:
    assert f"firmware: {constant} is " in found(with_part(sheet, ref, value=value), "scale agrees")


def test_the_facts_are_about_parts_and_nets_that_exist() -> None:
    """A renamed net or part must not leave its worst case behind and unused."""
    for circuit in erc.circuits_of(SHEETS):
        for net in VOLTS[circuit.board]:
            assert net in circuit.nets, f"{circuit.name}: erc_facts.VOLTS names {net}"
        for board, ref in ACROSS:
            if board == circuit.board:
                assert any(part.ref == ref for part in circuit.parts), f"erc_facts.ACROSS names {board} {ref}"
    used = {part.value for sheet in SHEETS.values() for part in sheet.parts if part.kind == "IC"}
    assert set(ICS) == used
