"""What building.md tells a person to measure is what the sheets' parts give (Ohm's law)."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from circuits.drawing import DRAWINGS, FOLDER
from circuits.sheets import SHEETS

HARDWARE = FOLDER.parent
CHAIN = SHEETS["relay_chain"]
BOARD = SHEETS["board"]
OUTPUT = SHEETS["output_left"]
# Silicon Schottky diode at a quarter milliampere. Source: BAT46 data sheet, from memory.
SCHOTTKY_V = 0.27


def row(page: str, *cells: str) -> str:
    """Return the last cell of the one table row that begins with these cells."""
    text = (HARDWARE / page).read_text(encoding="utf-8")
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in text.splitlines() if line.startswith("|")]
    found = [r[-1] for r in rows if r[: len(cells)] == list(cells)]
    assert len(found) == 1, f"{cells}: {len(found)} rows"
    return found[0]


def volts(cell: str) -> float:
    found = re.match(r"([\d.]+) V", cell)
    assert found, cell
    return float(found[1])


def ohm(sheet: str, *refs: str) -> float:
    return sum(SHEETS[sheet].part(ref).si() for ref in refs)


@pytest.mark.parametrize(
    ("cells", "above", "below"),
    [
        (("ESTOP", "pressed"), ("R1", "R2"), "R3"),
        (("AUX", "K1 42 lifted, or wire off"), ("R16", "R17"), "R18"),
        (("LATCH_SENSE", "latch set"), ("R5",), "R6"),
    ],
)
def test_dividers_from_5_v(cells: tuple[str, ...], above: tuple[str, ...], below: str) -> None:
    low = ohm("relay_chain", below)
    assert volts(row("building.md", *cells)) == pytest.approx(5.0 * low / (low + ohm("relay_chain", *above)), abs=0.006)


@pytest.mark.parametrize(
    ("cells", "unplugged"), [(("ALERT", "no module plugged in"), 2), (("ALERT, either rail module unplugged",), 1)]
)
def test_alert_line_with_modules_unplugged(cells: tuple[str, ...], unplugged: int) -> None:
    up, down = ohm("relay_chain", "R4"), ohm("board", "R64") / unplugged
    assert ohm("board", "R64") == ohm("board", "R65")
    volts_there = SCHOTTKY_V + (3.3 - SCHOTTKY_V) * down / (up + down)
    assert volts(row("building.md", *cells)) == pytest.approx(volts_there, abs=0.03)
    # 74HCT and RP2040 both take 0.8 V as low (their sheets, from memory); the processor's
    # own pull-up of 50 k or more may add to it.
    up_both = 1.0 / (1.0 / up + 1.0 / 50e3)
    assert SCHOTTKY_V + 0.08 + (3.3 - SCHOTTKY_V) * down / (up_both + down) < 0.75


def test_sensor_inputs_and_the_terminal_at_half_supply() -> None:
    up = 1.0 / (1.0 / ohm("ntc_input", "R30") + 1.0 / ohm("ntc_input", "R31"))
    ntc = ohm("ntc_input", "TH1")
    cell = row("building.md", "SINK_LEFT, SINK_RIGHT, AMBIENT", "sensors at 25 C")
    assert volts(cell) == pytest.approx(3.3 * ntc / (ntc + up), abs=0.006)
    low = ohm("output_left", "R2")
    cell = row("building.md", "output module: terminal against GM")
    assert volts(cell) == pytest.approx(3.3 * low / (low + ohm("output_left", "R1")), abs=0.006)


def test_resistances_between_the_terminals() -> None:
    text = " ".join((HARDWARE / "building.md").read_text(encoding="utf-8").split())
    assert f"J1.1 to J1.2 {ohm('output_left', 'R3', 'R4') / 1e3:g} kohm and two diodes" in text
    offset = ohm("output_left", "R6", "R7") / 1e3
    assert f"J1.1 to J1.3 {offset + ohm('output_left', 'R8') / 1e3:g} kohm ({offset:g} k and" in text
    assert f"J2 to GM {ohm('rail_pos', 'R4'):g} ohm" in text
    coil = re.search(r"coil (\d+) ohm", CHAIN.part("K1").rating)
    assert coil is not None
    assert f"coil, {coil[1]} ohm" in row("building.md", "K1 A1", "K1 A2")


def test_the_pages_name_files_and_references_that_exist() -> None:
    refs = {part.ref for sheet in SHEETS.values() for part in sheet.parts}
    for page in ("building.md", "wiring.md"):
        text = (HARDWARE / page).read_text(encoding="utf-8")
        named = set(re.findall(r"\b([RCDQJKSU]\d{1,2}|RV\d|JP\d)\b", text))
        assert {name for name in named if not name.startswith("JP")} <= refs, page
        assert {name for name in named if name.startswith("JP")} <= {ref[:3] for ref in refs}, page
        for link in re.findall(r"\]\(([^)#]+)\)", text):
            if link != "opening-time.md":  # made by its own program
                assert (HARDWARE / link).exists(), f"{page}: {link}"
        assert "not a certified" in text.lower() or "not a certified" in text.replace("**", "").lower()


def test_every_wiring_picture_is_on_the_wiring_page() -> None:
    text = (HARDWARE / "wiring.md").read_text(encoding="utf-8")
    for name in DRAWINGS:
        assert not name.startswith("wiring") or f"drawings/{name}.svg" in text


def test_the_cautions_are_where_people_read() -> None:
    for path in (HARDWARE / "wiring.md", HARDWARE / "building.md"):
        head = Path(path).read_text(encoding="utf-8")[:1600]
        for word in ("Mains can kill", "local codes", "licensed"):
            assert word.lower() in head.lower(), f"{path.name}: {word}"
