"""When do the relays' contacts really move: charge pump, coil, operate time, bounce, welding.

The mains relay's coil is on only with the enable transistor, a live pulse
train, a closed emergency-stop loop, power and an unset alert latch, as
hardware/README.md has it. The auxiliary contact is forced-guided: it moves with
the main contact and bounces by itself.

Sources: operate 7 ms, release 3 ms (Finder 40 series sheet, release without a
diode across the coil); drop-out of the charge pump after 25 ms and the bounce
of 1 ms are this design's own figures, not measured.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from benchwarden.virtual.clock import VirtualClock

OPERATE_US = 7000
RELEASE_US = 3000
DROP_OUT_US = 25_000
# Edges that fill the charge pump.
FILL_EDGES = 4
AUX_LAG_US = 300
BOUNCE_US = 1000


class MainsRelay:
    """The relay that feeds the amplifier.

    Args:
        clock: virtual time.
        rng: seeds the bounce and this relay's own times.
        on_contact: called with the main contact's new position (True: closed).
        on_aux: called with the auxiliary contact's position (True: closed).

    Attributes:
        contact_closed: main contact.
        welded: the main contact does not open any more.
        coil_on: current flows in the coil.
    """

    def __init__(
        self,
        clock: VirtualClock,
        rng: np.random.Generator,
        on_contact: Callable[[bool], None],
        on_aux: Callable[[bool], None],
    ) -> None:
        self._clock = clock
        self._rng = rng
        self._on_contact = on_contact
        self._on_aux = on_aux
        # Parts of one type differ by some percent in their times.
        self._operate_us = int(OPERATE_US * (1 + 0.05 * float(rng.uniform(-1, 1))))
        self._release_us = int(RELEASE_US * (1 + 0.05 * float(rng.uniform(-1, 1))))
        self.contact_closed = False
        self.aux_closed = False
        self.coil_on = False
        self.welded = False
        self._enable = False
        self._powered = True
        self._loop_closed = True
        self._alert_latch = False
        self._alert_high = True
        self._level = 0
        self._edges = 0
        self._last_edge_us = 0
        self._pumped = False
        self._move = 0

    # What drives the coil

    def enable(self, level: int) -> None:
        on = bool(level)
        if on != self._enable:
            self._enable = on
            if not on and self._alert_high:
                self._alert_latch = False
            self._weigh()

    def pulse(self, level: int) -> None:
        if level == self._level:
            return
        self._level = level
        now_us = self._clock.now_us
        self._edges = self._edges + 1 if now_us - self._last_edge_us < DROP_OUT_US else 1
        self._last_edge_us = now_us
        if not self._pumped and self._edges >= FILL_EDGES:
            self._pumped = True
            self._clock.at(now_us + DROP_OUT_US, self._watch_pump)
            self._weigh()

    def _watch_pump(self) -> None:
        """Let the pump run dry once no edge came for the drop-out time."""
        due_us = self._last_edge_us + DROP_OUT_US
        if self._clock.now_us < due_us:
            self._clock.at(due_us, self._watch_pump)
            return
        self._pumped = False
        self._edges = 0
        self._weigh()

    def alert(self, high: bool) -> None:
        """The alert line sets a latch that cuts the pulses; it falls back once enable is low and the line high."""
        self._alert_high = high
        if not high:
            self._alert_latch = True
        elif not self._enable:
            self._alert_latch = False
        self._weigh()

    def emergency_stop(self, pressed: bool) -> None:
        self._loop_closed = not pressed
        self._weigh()

    def power(self, on: bool) -> None:
        self._powered = on
        self._weigh()

    def _weigh(self) -> None:
        on = self._enable and self._pumped and self._powered and self._loop_closed and not self._alert_latch
        if on == self.coil_on:
            return
        self.coil_on = on
        self._move += 1
        move = self._move
        after_us = self._operate_us if on else self._release_us
        self._clock.at(self._clock.now_us + after_us, lambda: self._arrive(move, on))

    # What the contacts do

    def _arrive(self, move: int, closed: bool) -> None:
        if move != self._move or closed == self.contact_closed or (self.welded and not closed):
            return
        self.contact_closed = closed
        self._on_contact(closed)
        self._clock.at(self._clock.now_us + AUX_LAG_US, lambda: self._settle_aux(closed))
        # The auxiliary contact chatters before it rests.
        count = int(self._rng.integers(1, 4))
        for at_us in sorted(self._rng.integers(AUX_LAG_US + 50, AUX_LAG_US + BOUNCE_US, 2 * count).tolist()):
            self._clock.at(self._clock.now_us + at_us, self._flip_aux)

    def _settle_aux(self, closed: bool) -> None:
        self.aux_closed = closed
        self._on_aux(closed)

    def _flip_aux(self) -> None:
        self._settle_aux(not self.aux_closed)


class BypassRelay:
    """The relay that shorts the series lamp: driven straight by its pin, without readback."""

    def __init__(self, clock: VirtualClock, on_contact: Callable[[bool], None]) -> None:
        self._clock = clock
        self._on_contact = on_contact
        self.contact_closed = False
        self._powered = True
        self._wanted = False
        self._coil = False
        self._move = 0

    def drive(self, level: int) -> None:
        self._wanted = bool(level)
        self._weigh()

    def power(self, on: bool) -> None:
        self._powered = on
        self._weigh()

    def _weigh(self) -> None:
        on = self._wanted and self._powered
        if on == self._coil:
            return
        self._coil = on
        self._move += 1
        move = self._move
        self._clock.at(self._clock.now_us + (OPERATE_US if on else RELEASE_US), lambda: self._arrive(move, on))

    def _arrive(self, move: int, closed: bool) -> None:
        if move == self._move and closed != self.contact_closed:
            self.contact_closed = closed
            self._on_contact(closed)
