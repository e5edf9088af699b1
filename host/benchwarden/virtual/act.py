"""What a hand can do at the virtual bench: one act, at one instant, answered in plain values."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from benchwarden.core.channels import CHANNELS as READINGS
from benchwarden.virtual.board import BUTTON, ESTOP, VirtualBoard
from benchwarden.virtual.dut import CHANNELS, Dut
from benchwarden.virtual.reference_meter import ACCURACY, ReferenceMeter, kind_of
from benchwarden.virtual.rig import APPLY_MOST, MOST_V, RESISTOR_OHM, Rig


class Refused(ValueError):
    """The act is not one of those that exist, or its values are out of range; the message says what is allowed."""


def _number(request: dict[str, Any], key: str, low: float, high: float, default: float | None = None) -> float:
    value = request.get(key, default)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
        raise Refused(f"{key} = {value!r}; allowed: {low:g} to {high:g}")
    return float(value)


def _truth(request: dict[str, Any], key: str) -> bool:
    value = request.get(key)
    if not isinstance(value, bool):
        raise Refused(f"{key} = {value!r}; allowed: true, false")
    return value


def _channel(request: dict[str, Any]) -> str:
    value = request.get("channel", "left")
    if value not in CHANNELS:
        raise Refused(f"channel = {value!r}; allowed: {', '.join(CHANNELS)}")
    return str(value)


def _one_of(request: dict[str, Any], key: str, allowed: Iterable[str]) -> str:
    value = request.get(key)
    names = list(allowed)
    if value not in names:
        raise Refused(f"{key} = {value!r}; allowed: {', '.join(names)}")
    return str(value)


class Acts:
    """
    Args:
        board: the bench that is acted on.
        connection: called with "unplug", "plug" or "disconnect" before the board feels it.
    """

    def __init__(self, board: VirtualBoard, connection: Callable[[str], None]) -> None:
        self._board = board
        self._connection = connection
        self._presses = 0
        self._meter = ReferenceMeter(board.seed)
        self._acts: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
            "variac": self._variac,
            "button": self._button,
            "estop": self._estop,
            "pot": self._pot,
            "fault": self._fault,
            "drive": self._drive,
            "load": self._load,
            "unplug": self._unplug,
            "plug": self._plug,
            "disconnect": self._disconnect,
            "state": self._state,
            "supply": self._supply,
            "resistor": self._resistor,
            "apply": self._apply,
            "meter": self._read_meter,
            "module": self._module,
        }

    def do(self, request: object) -> dict[str, Any]:
        """Return the answer to one request; never raises for what the request says."""
        if not isinstance(request, dict) or request.get("do") not in self._acts:
            seen = request.get("do") if isinstance(request, dict) else request
            return {"ok": False, "error": f"do = {seen!r}; allowed: {', '.join(sorted(self._acts))}"}
        try:
            return {"ok": True, **self._acts[request["do"]](request)}
        except ValueError as error:
            return {"ok": False, "error": str(error)}

    def _amplifier(self) -> Dut:
        if not isinstance(self._board.dut, Dut):
            raise Refused("there is no amplifier on the rig; allowed there: supply, resistor, apply, meter")
        return self._board.dut

    def _rig(self) -> Rig:
        if not isinstance(self._board.dut, Rig):
            raise Refused("there is an amplifier on this bench; supply, resistor and apply need the rig")
        return self._board.dut

    def _variac(self, request: dict[str, Any]) -> dict[str, Any]:
        self._amplifier().variac_pct = _number(request, "pct", 0, 120)
        return {}

    def _button(self, request: dict[str, Any]) -> dict[str, Any]:
        hold_us = int(_number(request, "hold_s", 0.001, 3600, 0.1) * 1e6)
        clock, drive = self._board.clock, self._board.chip.drive
        self._presses += 1
        press = self._presses

        def let_go() -> None:
            if press == self._presses:
                drive(BUTTON, None)

        drive(BUTTON, 0)
        clock.at(clock.now_us + hold_us, let_go)
        return {}

    def _estop(self, request: dict[str, Any]) -> dict[str, Any]:
        pressed = _truth(request, "pressed")
        self._board.drive.emergency_stop(pressed)
        self._board.chip.drive(ESTOP, 1 if pressed else 0)
        return {}

    def _pot(self, request: dict[str, Any]) -> dict[str, Any]:
        self._amplifier().pot(_channel(request), _number(request, "mv", 0, 250))
        return {}

    def _fault(self, request: dict[str, Any]) -> dict[str, Any]:
        severity = _number(request, "severity", 0, 1, 1.0)
        self._board.dut.inject(str(request.get("name")), severity, 0.0, _channel(request))
        return {}

    def _drive(self, request: dict[str, Any]) -> dict[str, Any]:
        self._amplifier().drive_level = _number(request, "level", 0, 2)
        return {}

    def _load(self, request: dict[str, Any]) -> dict[str, Any]:
        self._amplifier().load_connected = _truth(request, "connected")
        return {}

    def _unplug(self, request: dict[str, Any]) -> dict[str, Any]:
        # The firmware's end comes with the bench's next turn: this one still has to answer.
        self._connection("unplug")
        return {}

    def _plug(self, request: dict[str, Any]) -> dict[str, Any]:
        if "part" in request:
            ntcs = self._board.ntcs
            ntcs[_one_of(request, "part", ntcs)].connected = _truth(request, "in")
            return {}
        self._connection("plug")
        return {}

    def _module(self, request: dict[str, Any]) -> dict[str, Any]:
        self._board.plug_module(_one_of(request, "part", self._board.modules), _truth(request, "in"))
        return {}

    def _supply(self, request: dict[str, Any]) -> dict[str, Any]:
        rig = self._rig()
        rig.supply(_number(request, "volts", 0, MOST_V))
        return {}

    def _resistor(self, request: dict[str, Any]) -> dict[str, Any]:
        rig = self._rig()
        rig.resistor(_number(request, "ohm", *RESISTOR_OHM))
        return {}

    def _apply(self, request: dict[str, Any]) -> dict[str, Any]:
        rig = self._rig()
        channel = _one_of(request, "channel", READINGS)
        most = APPLY_MOST[channel[-1]]
        rig.apply(channel, None if request.get("value") is None else _number(request, "value", -most, most))
        return {}

    def _read_meter(self, request: dict[str, Any]) -> dict[str, Any]:
        channel = _one_of(request, "channel", READINGS)
        stated = ACCURACY[kind_of(channel)]
        return {
            "value": self._meter.reads(channel, float(vars(self._board.dut)[channel])),
            "accuracy_pct": stated.gain_pct,
            "accuracy_offset": stated.offset,
            "step": stated.step,
            "unit": stated.unit,
        }

    def _disconnect(self, request: dict[str, Any]) -> dict[str, Any]:
        self._connection("disconnect")
        return {}

    def _state(self, request: dict[str, Any]) -> dict[str, Any]:
        board = self._board
        truth: dict[str, Any] = dict(board.dut.state())
        truth.update(
            t_s=board.clock.now_us / 1e6,
            board_ms=(board.clock.now_us - board.clock.boot_us) // 1000,
            powered=board.powered,
            coil_on=board.drive.coil_on,
            contact_closed=board.mains.contact_closed,
            welded=board.mains.welded,
            resets=list(board.chip.resets),
            estop_pressed=board.chip.pads[ESTOP].world == 1,
        )
        return truth
