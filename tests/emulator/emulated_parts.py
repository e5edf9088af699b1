"""The sense modules on the emulated chip's buses: the bench's own register models, in the chip's time.

The models answer as the data sheets say: results appear when a conversion has
ended (INA228 CNVRF, ADS1115 OS), alert flags stay until DIAG_ALRT is read, a
part that is unplugged does not acknowledge.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from benchwarden.virtual.parts import MUX_0_3, MUX_1_3, MUX_2_3, MUX_3, Ads1115, ByteTarget, Ina228

SHUNT_OHM = 0.010
# At a converter's inputs, by multiplexer code: a bias drop of 11 mV, mid supply, all else quiet.
INPUT_VOLTS = {MUX_0_3: 0.011, MUX_1_3: 0.0, MUX_2_3: 0.0, MUX_3: 1.65}


class EmulatedTime:
    """The chip's time as the models ask for it, and actions at a time to come."""

    def __init__(self, clock: Any) -> None:
        self._clock = clock

    @property
    def now_us(self) -> int:
        return int(self._clock.nanos // 1000)

    def at(self, due_us: int, action: Callable[[], None]) -> None:
        self._clock.create_alarm(action).schedule(max(0, int(due_us * 1000 - self._clock.nanos)))


class RailModule:
    """One INA228 on its shunt.

    Args:
        moved: called when its alert output moves.

    Attributes:
        amperes, volts, die_c: what is there to be measured.
    """

    def __init__(self, time: EmulatedTime, seed: int, moved: Callable[[], None]) -> None:
        self.amperes = self.volts = 0.0
        self.die_c = 30.0
        self._time = time
        self.part = Ina228(
            time,  # type: ignore[arg-type]
            lambda: self.amperes * SHUNT_OHM,
            lambda: self.volts,
            np.random.default_rng(seed),
            lambda high: moved(),
            lambda: self.die_c,
        )
        self.target = _Told(self.part, self._look_ahead)
        self._due_us = 0

    @property
    def present(self) -> bool:
        return self.part.connected

    @present.setter
    def present(self, there: bool) -> None:
        self.part.connected = there

    @property
    def lets_alert_go(self) -> bool:
        return self.part.alert_high or not self.part.connected

    def set_amperes(self, amperes: float) -> None:
        self.amperes = amperes
        self._look_ahead()

    def set_volts(self, volts: float) -> None:
        self.volts = volts

    def _look_ahead(self) -> None:
        """Run the next conversion that may move the alert when it ends, though nobody asks for it then."""
        due_us = self.part.alert_due_us()
        if due_us is None or due_us <= self._due_us:
            return
        self._due_us = due_us
        self._time.at(due_us + 1, self._run_alert)

    def _run_alert(self) -> None:
        self.part.run_alert()
        self._look_ahead()


class _Told(ByteTarget):
    """Tells when a transfer may have moved a threshold."""

    def __init__(self, part: Ina228, told: Callable[[], None]) -> None:
        super().__init__(part)
        self._told = told

    def write(self, byte: int) -> bool:
        taken = super().write(byte)
        self._told()
        return taken


class OutputModule:
    """One ADS1115 with its inputs against the terminal, AIN3.

    Attributes:
        volts: at the inputs, by multiplexer code; INPUT_VOLTS at first.
    """

    def __init__(self, time: EmulatedTime, seed: int) -> None:
        self.volts = dict(INPUT_VOLTS)
        inputs = {code: self._input(code) for code in self.volts}
        self.part = Ads1115(time, inputs, np.random.default_rng(seed))
        self.target = ByteTarget(self.part)

    def _input(self, code: int) -> Callable[[], float]:
        return lambda: self.volts[code]

    @property
    def present(self) -> bool:
        return self.part.connected

    @present.setter
    def present(self, there: bool) -> None:
        self.part.connected = there
