"""The rig in place of an amplifier: a bench supply and a power resistor, to calibrate and commission a board.

The supply feeds the resistor through the mains relay's contact and both rail
modules' shunts: supply + -> contact -> positive shunt -> resistor -> negative
shunt -> supply -. Each module's voltage sense is laid across the resistor, so
both rails read what the resistor gets, the negative one with its sign. The
outputs' sense inputs hang on nothing until a calibrator drives them.

A calibrator drives any one input instead, relay closed or not: `apply`.

Not modelled: ripple and noise of the supply, its rise and fall (some
milliseconds at most are nothing to a relay of ten), warming of the resistor,
resistance of leads, what the sense inputs draw.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable
from dataclasses import dataclass, field

from benchwarden.core.channels import CHANNELS
from benchwarden.virtual.faults import BOARD_FAULTS

MOST_V = 30.0
RESISTOR_OHM = (0.5, 10_000.0)
# Contact, shunts, leads and the supply's own.
LOOP_OHM = 0.12
MOST_A = 15.0
ROOM_C = 23.0
STEP_S = 0.01
# What a calibrator may put on an input: |value| at most, by the channel's unit.
APPLY_MOST = {"a": 15.0, "v": 85.0, "c": 150.0}
SIDES = ("left", "right")


@dataclass(frozen=True, order=True)
class _Pending:
    at_s: float
    name: str = field(compare=False)
    severity: float = field(compare=False)
    channel: str = field(compare=False)


class Rig:
    """Supply and resistor; see bench_load.BenchLoad for what the board needs of it.

    Attributes:
        supply_v: what the bench supply is set to; it limits at MOST_A.
        resistor_ohm: the resistor.
    """

    def __init__(self) -> None:
        self.t_s = 0.0
        self.mains_closed = False
        self.bypass_closed = False
        self.supply_v = 0.0
        self.resistor_ohm = 10.0
        self.sensor: dict[str, Callable[[float], float] | str] = {}
        self.board_faults: set[str] = set()
        self.active_faults: list[tuple[str, float, str]] = []
        self._applied: dict[str, float] = {}
        self._pending: list[_Pending] = []
        self._due_s = 0.0
        self._settled_closed = False
        self.rail_pos_a = self.rail_neg_a = self.rail_pos_v = self.rail_neg_v = 0.0
        self.offset_left_v = self.offset_right_v = self.bias_left_v = self.bias_right_v = 0.0
        self.sink_left_c = self.sink_right_c = self.ambient_c = ROOM_C
        self.hf_left_v = self.hf_right_v = 0.0
        self._rest = {name: float(vars(self)[name]) for name in CHANNELS}

    def supply(self, volts: float) -> None:
        """Turn the bench supply.

        Raises:
            ValueError: outside 0 to MOST_V, safety extra-low voltage with room to spare.
        """
        if not 0.0 <= volts <= MOST_V:
            raise ValueError(f"volts = {volts!r}; allowed: 0 to {MOST_V:g}")
        self.supply_v = volts
        self._settle()

    def resistor(self, ohm: float) -> None:
        """Put another resistor in.

        Raises:
            ValueError: outside RESISTOR_OHM.
        """
        low, high = RESISTOR_OHM
        if not low <= ohm <= high:
            raise ValueError(f"ohm = {ohm!r}; allowed: {low:g} to {high:g}")
        self.resistor_ohm = ohm
        self._settle()

    def apply(self, channel: str, value: float | None) -> None:
        """Let a calibrator drive one channel's sense input; None takes it off again.

        Raises:
            ValueError: no such channel, or beyond what its input is made for.
        """
        if channel not in CHANNELS:
            raise ValueError(f"channel = {channel!r}; allowed: {', '.join(CHANNELS)}")
        if value is None:
            self._applied.pop(channel, None)
        else:
            most = APPLY_MOST[channel[-1]]
            if not -most <= value <= most:
                raise ValueError(f"value = {value!r}; allowed: {-most:g} to {most:g}")
            self._applied[channel] = value
        self._settle()

    def _settle(self) -> None:
        """Put the currents and voltages where contact, supply, resistor and calibrator have them."""
        self._settled_closed = self.mains_closed
        values = dict(self._rest)
        if self.mains_closed:
            amperes = min(self.supply_v / (self.resistor_ohm + LOOP_OHM), MOST_A)
            volts = amperes * self.resistor_ohm
            values.update(rail_pos_a=amperes, rail_neg_a=amperes, rail_pos_v=volts, rail_neg_v=-volts)
        values.update(self._applied)
        vars(self).update(values)

    def step(self, dt_s: float) -> None:
        """Advance by dt_s seconds; the board looks anew every 10 ms, and at once when the contact moved."""
        self._due_s += dt_s
        moved = self._settled_closed != self.mains_closed
        if self._due_s < STEP_S - 1e-9 and not moved:
            return
        self.t_s += self._due_s
        self._due_s = 0.0
        if moved:
            self._settle()
        while self._pending and self._pending[0].at_s <= self.t_s:
            self._begin(self._pending.pop(0))

    def inject(self, name: str, severity: float, at_s: float = 0.0, channel: str = "left") -> None:
        """Let a named fault of board, modules or relay chain begin at at_s; at once if that is past.

        Raises:
            ValueError: name, severity or channel is not one of those allowed.
        """
        if name not in BOARD_FAULTS:
            raise ValueError(f"fault {name!r}; allowed on the rig: {', '.join(sorted(BOARD_FAULTS))}")
        if not 0.0 <= severity <= 1.0:
            raise ValueError(f"severity {severity!r}; allowed: 0 to 1")
        if channel not in SIDES:
            raise ValueError(f"channel {channel!r}; allowed: {', '.join(SIDES)}")
        pending = _Pending(at_s, name, severity, channel)
        if at_s <= self.t_s:
            self._begin(pending)
        else:
            bisect.insort(self._pending, pending)

    def _begin(self, item: _Pending) -> None:
        self.active_faults.append((item.name, item.severity, item.channel))
        self.board_faults.add(item.name)

    def state(self) -> dict[str, object]:
        """Return the truth in plain values."""
        return {
            "t_s": self.t_s,
            "rig": True,
            "supply_v": self.supply_v,
            "resistor_ohm": self.resistor_ohm,
            "applied": dict(sorted(self._applied.items())),
            "mains_closed": self.mains_closed,
            "bypass_closed": self.bypass_closed,
            "damaged": [],
            "faults": [list(item) for item in self.active_faults],
            "board_faults": sorted(self.board_faults),
        }
