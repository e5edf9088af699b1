"""How a part that crosses the barrier is drawn: module side left, board side right, a capacitor each."""

from __future__ import annotations

from circuits.drawing_sheet import Schematic


def crossing(
    s: Schematic,
    ref: str,
    top: float,
    left: tuple[str, ...],
    right: tuple[str, ...],
    left_capacitor: str,
    right_capacitor: str,
) -> None:
    """Place an isolator or isolated supply across the barrier at x = 32, its upper edge at `top`."""
    low = top - 0.5 - 0.5 * max(len(left), len(right))
    s.box(ref, (30.0, low), (34.0, top), left=left, right=right, label=(30.1, top + 0.5))
    s.two(left_capacitor, (26.8, top), (26.8, top - 2.2), text="left")
    s.two(right_capacitor, (37.2, top), (37.2, top - 2.2))
