"""How a program turns the knobs of the virtual bench: the client of its hands port.

One JSON object per line and one answer per line; every call blocks until the
bench has done the act, at one instant of its virtual time.
"""

from __future__ import annotations

import json
import socket
from typing import Any

from benchwarden.errors import LinkError, PlanError


class Hands:
    """A connection to the hands port.

    Args:
        address: "host:port", as the bench printed it under "hands".
        timeout_s: how long one act may take before the bench counts as gone.

    Raises:
        LinkError: the bench is not there, or went away.
    """

    def __init__(self, address: str, timeout_s: float = 10.0) -> None:
        host, _, port = address.rpartition(":")
        try:
            self._socket = socket.create_connection((host, int(port)), timeout=timeout_s)
        except (OSError, ValueError) as error:
            raise LinkError(f"virtual bench at {address} cannot be reached: {error}") from error
        # Acts are small and waited for; Nagle's algorithm would delay each one.
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._reader = self._socket.makefile("rb")
        self._address = address

    def act(self, do: str, **what: Any) -> dict[str, Any]:
        """Do one act and return the bench's answer.

        Raises:
            PlanError: the bench refused it; the message says what is allowed.
            LinkError: the bench went away.
        """
        try:
            self._socket.sendall(json.dumps({"do": do, **what}).encode() + b"\n")
            line = self._reader.readline()
        except OSError as error:
            raise LinkError(f"virtual bench at {self._address} went away: {error}") from error
        if not line:
            raise LinkError(f"virtual bench at {self._address} went away")
        answer: dict[str, Any] = json.loads(line)
        if not answer.pop("ok", False):
            raise PlanError(f"virtual bench: {answer.get('error', 'refused')}")
        return answer

    def variac(self, pct: float) -> None:
        """Turn the variable transformer to `pct` percent of nominal mains."""
        self.act("variac", pct=pct)

    def button(self, hold_s: float = 0.1) -> None:
        """Press the go/stop button for `hold_s` seconds of virtual time."""
        self.act("button", hold_s=hold_s)

    def estop(self, pressed: bool) -> None:
        self.act("estop", pressed=pressed)

    def pot(self, channel: str, mv: float) -> None:
        """Turn a bias pot ("left", "right") so that a cold stage would show `mv` millivolts."""
        self.act("pot", channel=channel, mv=mv)

    def fault(self, name: str, severity: float = 1.0, channel: str = "left") -> None:
        """Let a named fault begin now."""
        self.act("fault", name=name, severity=severity, channel=channel)

    def drive(self, level: float) -> None:
        """Set the test signal, 0 to 1 of the clipping amplitude."""
        self.act("drive", level=level)

    def load(self, connected: bool) -> None:
        self.act("load", connected=connected)

    def unplug(self) -> None:
        """Pull the USB plug: the board loses power."""
        self.act("unplug")

    def plug(self, part: str = "", inserted: bool = True) -> None:
        """Put the USB plug back in; or plug a temperature sensor ("ntc_left", "ntc_right", "ntc_ambient") in or out."""
        if part:
            self.act("plug", part=part, **{"in": inserted})
        else:
            self.act("plug")

    def module(self, part: str, inserted: bool) -> None:
        """Plug a sense module ("rail_pos", "rail_neg", "output_left", "output_right") in or out."""
        self.act("module", part=part, **{"in": inserted})

    def supply(self, volts: float) -> None:
        """Turn the rig's bench supply, 0 to 30 V."""
        self.act("supply", volts=volts)

    def resistor(self, ohm: float) -> None:
        """Put another power resistor into the rig."""
        self.act("resistor", ohm=ohm)

    def apply(self, channel: str, value: float | None) -> None:
        """Drive one channel's sense input from a calibrator, SI units; None takes it off again."""
        self.act("apply", channel=channel, value=value)

    def meter(self, channel: str) -> float:
        """Return what the reference meter shows of a channel, SI units; it has an error of its own."""
        return float(self.act("meter", channel=channel)["value"])

    def disconnect(self) -> None:
        """Break the data line only; the board keeps its power and the program may reconnect."""
        self.act("disconnect")

    def state(self) -> dict[str, Any]:
        """Return what is true on the bench, sensors aside."""
        return self.act("state")

    def close(self) -> None:
        self._reader.close()
        self._socket.close()

    def __enter__(self) -> Hands:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()
