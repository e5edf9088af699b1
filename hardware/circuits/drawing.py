"""All drawings, made anew: `python -m circuits.drawing` writes hardware/drawings/*.svg."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

from circuits import (
    drawing_board,
    drawing_limiter,
    drawing_ntc,
    drawing_output,
    drawing_overview,
    drawing_rail,
    drawing_relay,
    wiring_amplifier,
    wiring_mains,
    wiring_rig,
)
from circuits.drawing_page import Page
from circuits.sheets import SHEETS

FOLDER = Path(__file__).parent.parent / "drawings"

_LAYOUTS = {
    "board": drawing_board.draw,
    "relay_chain": drawing_relay.draw,
    "limiter_bypass": drawing_limiter.draw,
    "ntc_input": drawing_ntc.draw,
    "rail_pos": drawing_rail.draw,
    "rail_neg": drawing_rail.draw,
    "output_left": drawing_output.draw,
    "output_right": drawing_output.draw,
}

# File name without its suffix -> what makes the page. Schematics bear their sheet's name.
DRAWINGS: dict[str, Callable[[], Page]] = {
    "overview": drawing_overview.overview,
    **{name: partial(layout, SHEETS[name]) for name, layout in _LAYOUTS.items()},
    "wiring-1-mains": wiring_mains.mains_side,
    "wiring-2-rails": wiring_amplifier.rail_modules,
    "wiring-3-outputs": wiring_amplifier.output_modules,
    "wiring-4-sensors": wiring_amplifier.heatsink_sensors,
    "wiring-5-rig": wiring_rig.rig,
}


def main() -> int:
    """Write every drawing; return how many have text that collides."""
    FOLDER.mkdir(exist_ok=True)
    bad = 0
    for name, make in DRAWINGS.items():
        page = make()
        found = list(page.collisions())
        bad += bool(found)
        for line in found:
            sys.stderr.write(f"{name}: {line}\n")
        (FOLDER / f"{name}.svg").write_text(page.svg(), encoding="utf-8")
    return bad


if __name__ == "__main__":
    raise SystemExit(main())
