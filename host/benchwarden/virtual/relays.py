"""When do the relays' contacts really move: operate and release times, mirror contact, bounce, welding.

The mains relay's contacts are forcibly guided: its mirror contact is closed
only while the mains contact is open, and stays open when that one welds
(IEC 61810-3, from memory).

Operate 10 ms and release 5 ms are usual for small relays of that kind with a
zener diode across the coil; lead, lag and bounce of the mirror contact likewise
common practice, no source. None of it is measured.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from benchwarden.virtual.clock import VirtualClock

OPERATE_US = 10_000
RELEASE_US = 5_000
SPREAD = 0.1
# The mirror contact opens before the mains contact closes, and closes after it opened.
MIRROR_LEAD_US = 1_500
MIRROR_LAG_US = 800
BOUNCE_US = 1_000


class MainsRelay:
    """The relay that feeds the amplifier.

    Args:
        clock: virtual time.
        rng: seeds the bounce and this relay's own times.
        on_contact: called with the mains contact's new position (True: closed).
        on_mirror: called with the mirror contact's position (True: closed).

    Attributes:
        contact_closed, mirror_closed: the contacts as they are.
        welded: the mains contact does not open any more.
    """

    def __init__(
        self,
        clock: VirtualClock,
        rng: np.random.Generator,
        on_contact: Callable[[bool], None],
        on_mirror: Callable[[bool], None],
    ) -> None:
        self._clock = clock
        self._rng = rng
        self._on_contact = on_contact
        self._on_mirror = on_mirror
        # Parts of one type differ in their times.
        self._operate_us = int(OPERATE_US * (1 + SPREAD * float(rng.uniform(-1, 1))))
        self._release_us = int(RELEASE_US * (1 + SPREAD * float(rng.uniform(-1, 1))))
        self.contact_closed = False
        self.mirror_closed = True
        self.welded = False
        self._move = 0

    def coil(self, on: bool) -> None:
        """Current begins to flow in the coil, or ends."""
        self._move += 1
        move = self._move
        if on:
            self._later(self._operate_us - MIRROR_LEAD_US, move, self._open_mirror)
            self._later(self._operate_us, move, self._close)
        else:
            self._later(self._release_us, move, self._open)

    def _later(self, after_us: int, move: int, action: Callable[[], None]) -> None:
        def arrive() -> None:
            # A coil that changed its mind meanwhile moves nothing.
            if move == self._move:
                action()

        self._clock.at(self._clock.now_us + after_us, arrive)

    def _close(self) -> None:
        if not self.contact_closed:
            self.contact_closed = True
            self._on_contact(True)

    def _open(self) -> None:
        if self.welded and self.contact_closed:
            return
        if self.contact_closed:
            self.contact_closed = False
            self._on_contact(False)
        if self.mirror_closed:
            return
        move = self._move
        self._later(MIRROR_LAG_US, move, lambda: self._mirror(True))
        # It chatters before it rests.
        count = 2 * int(self._rng.integers(1, 4))
        for at_us in sorted(self._rng.integers(50, BOUNCE_US, count).tolist()):
            self._later(MIRROR_LAG_US + at_us, move, lambda: self._mirror(not self.mirror_closed))

    def _open_mirror(self) -> None:
        if self.mirror_closed:
            self._mirror(False)

    def _mirror(self, closed: bool) -> None:
        if closed != self.mirror_closed:
            self.mirror_closed = closed
            self._on_mirror(closed)


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
