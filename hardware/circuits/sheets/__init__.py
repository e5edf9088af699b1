"""All sheets of the sense board, by name."""

from __future__ import annotations

from circuits.netlist import Sheet
from circuits.sheets import board, limiter_bypass, ntc_input, output_module, rail_module, relay_chain

SHEETS: dict[str, Sheet] = {
    sheet.name: sheet
    for sheet in (
        board.SHEET,
        relay_chain.SHEET,
        limiter_bypass.SHEET,
        ntc_input.SHEET,
        rail_module.POSITIVE,
        rail_module.NEGATIVE,
        output_module.LEFT,
        output_module.RIGHT,
    )
}
# Sheets whose nets of one name are one net.
MAIN_BOARD = ("board", "relay_chain", "limiter_bypass", "ntc_input")
