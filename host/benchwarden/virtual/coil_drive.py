"""Does the mains relay's coil carry current? Dead man, enable, alert latch, emergency stop and 12 V.

12 V -> emergency stop -> coil -> node A -> pump FET -> node B -> enable FET ->
ground, as hardware/README.md has it. The pump FET is held by a charge pump
that needs gated pulses; the gate is a latch that the alert line sets and that
lets go once enable is low and the line high again. Node B is what the board
reads as coil sense, through a pull of its own pin.

Not modelled: voltages in between (a FET is on or off), the rise of the coil's
current (the relay's operate time has it), leakage currents.

Drop-out between 25 and 55 ms and two to four pulses to fill are this design's
tolerance band, drawn by seed; a board of its own has its own figure.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from benchwarden.virtual.clock import VirtualClock

DROP_OUT_US = (25_000, 55_000)
FILL_PULSES = (2, 4)
# Node B follows the gate a threshold lower: it reads low after this share of the
# drop-out, while the pump could still hold the coil. Source: hardware/, simulated.
SENSE_SHARE = 0.5


class CoilDrive:
    """
    Args:
        clock: virtual time.
        rng: seeds the pump's own figures.
        on_coil: called with True when current begins to flow in the coil, False when it ends.
        on_sense: called with the level at node B: 0, 1, or None when nothing drives it.
        on_latch: called with the alert latch's state.
        on_feed: called with whether both coils have their 12 V.

    Attributes:
        coil_on, latch_set, fed: as they are now.
        drop_out_us: time without an edge after which this pump lets go.
        fill_pulses: rising edges that this pump needs.
        pump_shorted, enable_shorted: the FET conducts whatever its gate says.
        latch_stuck: state the latch never leaves, or None.
    """

    def __init__(
        self,
        clock: VirtualClock,
        rng: np.random.Generator,
        on_coil: Callable[[bool], None],
        on_sense: Callable[[int | None], None],
        on_latch: Callable[[bool], None],
        on_feed: Callable[[bool], None],
    ) -> None:
        self._clock = clock
        self._on_coil = on_coil
        self._on_sense = on_sense
        self._on_latch = on_latch
        self._on_feed = on_feed
        self.drop_out_us = int(rng.integers(DROP_OUT_US[0], DROP_OUT_US[1] + 1))
        self.fill_pulses = int(rng.integers(FILL_PULSES[0], FILL_PULSES[1] + 1))
        self.coil_on = False
        self.latch_set = False
        self.fed = True
        self.pump_shorted = False
        self.enable_shorted = False
        self.latch_stuck: bool | None = None
        self._enable = False
        self._level = 0
        self._logic = True
        self._supply = True
        self._loop_closed = True
        self._alert_high = True
        self._gated = False
        self._pulses = 0
        self._last_edge_us = 0
        self._pumped = False
        self._shows = False
        self._sense: int | None = None

    # What the board drives

    def enable(self, level: int) -> None:
        on = bool(level)
        if on != self._enable:
            self._enable = on
            self.weigh()

    def pulse(self, level: int) -> None:
        if level != self._level:
            self._level = level
            self._gate()

    # What the world does

    def alert(self, high: bool) -> None:
        """The alert line moved."""
        self._alert_high = high
        self.weigh()

    def emergency_stop(self, pressed: bool) -> None:
        self._loop_closed = not pressed
        self.weigh()

    def coil_supply(self, on: bool) -> None:
        """The 12 V of the coils came or went."""
        self._supply = on
        self.weigh()

    def logic_supply(self, on: bool) -> None:
        """The board's own supply came or went: without it no gate is driven."""
        self._logic = on
        self.weigh()

    # What follows

    def weigh(self) -> None:
        """Work out anew what the parts do; call after a fault was set."""
        self._latch()
        self._gate()
        self._flow()

    def _latch(self) -> None:
        # Both inputs at once set it: that side is dominant.
        is_set = not self._alert_high or (self.latch_set and self._enable)
        if self.latch_stuck is not None:
            is_set = self.latch_stuck
        if is_set != self.latch_set:
            self.latch_set = is_set
            self._on_latch(is_set)

    def _gate(self) -> None:
        """Pass the pulses on to the pump, whose level shifter lives on the 12 V behind the emergency stop."""
        gated = bool(self._level) and not self.latch_set and self._logic and self._supply and self._loop_closed
        if gated == self._gated:
            return
        self._gated = gated
        now_us = self._clock.now_us
        if now_us - self._last_edge_us > self.drop_out_us:
            self._pulses = 0
        self._last_edge_us = now_us
        if gated:
            self._pulses += 1
            if not self._pumped and self._pulses >= self.fill_pulses:
                self._pumped = True
                self._clock.at(now_us + self._shows_us, self._watch)
            if self._pumped:
                self._shows = True
                self._flow()

    @property
    def _shows_us(self) -> int:
        return int(SENSE_SHARE * self.drop_out_us)

    def _watch(self) -> None:
        """Without an edge, let node B fall first and the pump run dry later."""
        since_us = self._clock.now_us - self._last_edge_us
        if since_us < self._shows_us:
            self._clock.at(self._last_edge_us + self._shows_us, self._watch)
            return
        self._shows = False
        if since_us < self.drop_out_us:
            self._clock.at(self._last_edge_us + self.drop_out_us, self._watch)
        else:
            self._pumped = False
            self._pulses = 0
        self._flow()

    def _flow(self) -> None:
        fed = self._supply and self._loop_closed
        pump = self._pumped or self.pump_shorted
        enable = (self._enable and self._logic) or self.enable_shorted
        sense = 0 if enable else 1 if (self._shows or self.pump_shorted) and fed else None
        if fed != self.fed:
            self.fed = fed
            self._on_feed(fed)
        if sense != self._sense:
            self._sense = sense
            self._on_sense(sense)
        coil_on = fed and pump and enable
        if coil_on != self.coil_on:
            self.coil_on = coil_on
            self._on_coil(coil_on)
