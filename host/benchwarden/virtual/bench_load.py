"""What the virtual board needs of whatever hangs on its relay and its sense modules: an amplifier or the rig."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol


class BenchLoad(Protocol):
    """
    Attributes:
        t_s: model time; changes when the values at the terminals may have.
        mains_closed, bypass_closed: what the relays' contacts do; set by the board.
        sensor: what a channel's sensor does to the truth.
        board_faults: named faults outside the load that the board has not acted on.
        active_faults: (name, severity, channel) of every fault begun.

    Every channel is an attribute of the instance, by its name, in SI units.
    """

    t_s: float
    mains_closed: bool
    bypass_closed: bool
    sensor: dict[str, Callable[[float], float] | str]
    board_faults: set[str]
    active_faults: list[tuple[str, float, str]]

    def step(self, dt_s: float) -> None: ...

    def inject(self, name: str, severity: float, at_s: float = 0.0, channel: str = "left") -> None: ...

    def state(self) -> dict[str, object]: ...
