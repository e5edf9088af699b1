"""May the relay be closed, and must it be open? The board's state machine.

Pure logic: time, pins and parts are passed in. The relay is dropped before
anything is said about it. Nothing in here closes it but `go` and a press of
the button, both only out of ARMED.
"""

from wardenfw import scale, wire

CLOSE_WITHIN_MS = 150
OPEN_WITHIN_MS = 100
# A contact that chatters for less is not a contact that disagrees.
CONTACT_LOST_MS = 20
BUTTON_SCANS = 2

OVER_CURRENT = wire.CAUSES.index("over-current")
SENSOR_FAULT = wire.CAUSES.index("sensor-fault")
RELAY_FAULT = wire.CAUSES.index("relay-fault")
HOST_SILENT = wire.CAUSES.index("host-silent")
OPERATOR = wire.CAUSES.index("operator")


class Interlock:
    """
    Args:
        relay: relay.Relay.
        guard: guard.Guard.
        sampler: for `raw`, `set_alerts`, `clear_alerts` and `latched_alert`.
        emit: `emit(event, cause, channel, value, limit, text) -> seq`.
        on_close, on_trip(seq): called when the coil is driven, and after a trip's event.
        random_u32: where challenges come from.
        alert_ok, estop_ok, button, latch_set: `() -> bool` as the pins are now.
    """

    def __init__(
        self, relay, guard, sampler, emit, on_close, on_trip, random_u32, alert_ok, estop_ok, button, latch_set
    ):
        self._relay = relay
        self._guard = guard
        self._sampler = sampler
        self._emit = emit
        self._on_close = on_close
        self._on_trip = on_trip
        self._random_u32 = random_u32
        self._alert_ok = alert_ok
        self._estop_ok = estop_ok
        self._button = button
        self._latch_set = latch_set
        self.state = wire.SAFE
        self.cause = 0
        self.selftest_ok = False
        self.selftest_text = "not run"
        self.stage = None
        self.pending = None
        self._lease_until = -1
        self._challenge = 0
        self._challenge_until = -1
        self._closing_since = 0
        self._opening_since = -1
        self._contact_wrong_since = -1
        self._pressed_scans = 0
        self._button_free = False
        self._alert_told = False

    def stage_id(self):
        return self.stage.stage_id if self.stage else 0

    def bits(self):
        """Return the digital byte of frames and burst records."""
        relay = self._relay
        out = wire.MAINS_ON if relay.contact_closed() else 0
        if not relay.bypass_on:
            out |= wire.LIMITER_IN
        if self.stage and self.stage.drive_on:
            out |= wire.DRIVE_ON
        if relay.coil_on:
            out |= wire.COIL_ON
        if self._estop_ok():
            out |= wire.ESTOP_OK
        if self._alert_ok():
            out |= wire.ALERT_OK
        if self._button():
            out |= wire.BUTTON
        if self._latch_set():
            out |= wire.LATCH_SET
        return out

    def is_energised(self):
        return self.state == wire.CLOSING or self.state == wire.CLOSED

    def renew_lease(self, t_ms, lease_ms):
        if lease_ms:
            self._lease_until = t_ms + max(wire.MIN_LEASE_MS, min(wire.MAX_LEASE_MS, lease_ms))

    def set_selftest(self, ok, text):
        """Take the result of a self-test; a failed one is a fault, a passed one ends no fault by itself."""
        self.selftest_ok = ok
        self.selftest_text = text
        if not ok and self.state == wire.SAFE:
            self.state = wire.FAULT
            self.cause = SENSOR_FAULT

    # What the host or a person asks for: each returns (answer, text).

    def load(self, stage, means):
        if self.state == wire.SAFE:
            return self._take_effect(stage)
        if self.state != wire.CLOSED:
            return wire.R_STATE, "stages are taken in safe and closed"
        broken = self._guard.holds_readings(stage, means)
        if broken is not None:
            return wire.R_READINGS, "%s reads %.4g, limit %.4g" % (wire.CHANNELS[broken[1]], broken[2], broken[3])
        if self.stage.limiter_in and not stage.limiter_in:
            self.pending = stage
            return wire.DONE, "waits for arm and go: takes the limiter out"
        self.pending = None
        return self._take_effect(stage)

    def _take_effect(self, stage):
        try:
            self._sampler.set_alerts(stage.alert_pos_a, stage.alert_neg_a)
        except OSError:
            return wire.R_SENSOR, "a rail monitor does not take its alert threshold"
        self.stage = stage
        self._guard.load(stage)
        if self.state == wire.CLOSED:
            self._relay.set_bypass(not stage.limiter_in)
        self._emit(wire.EV_STAGE, 0, wire.NO_CHANNEL, 0.0, 0.0, "")
        return wire.DONE, ""

    def _missing_channel(self):
        raw = self._sampler.raw
        for table in self.stage.fast:
            for limit in table:
                if raw[limit[0]] == scale.MISSING:
                    return wire.CHANNELS[limit[0]]
        return None

    def _has_alert(self):
        # A dip too short for the processor leaves its mark in the latch.
        return self._relay.alert_latched or not self._alert_ok() or self._latch_set()

    def arm(self, t_ms):
        if self.state == wire.CLOSED:
            if self.pending is None:
                return wire.R_STATE, "closed, and no stage waits"
        elif self.state != wire.SAFE and self.state != wire.ARMED:
            return wire.R_STATE, wire.STATES[self.state]
        else:
            answer, text = self._may_arm(t_ms)
            if answer:
                return answer, text
            if self.state == wire.SAFE:
                self.state = wire.ARMED
                self._button_free = False
        self._challenge = 1 + self._random_u32() % 0x7FFFFFFF
        self._challenge_until = t_ms + wire.CHALLENGE_MS
        self._emit(wire.EV_ARMED, 0, wire.NO_CHANNEL, 0.0, 0.0, "")
        return wire.DONE, str(self._challenge)

    def _may_arm(self, t_ms):
        if not self.selftest_ok:
            return wire.R_SENSOR, "self-test: " + self.selftest_text
        if self.stage is None:
            return wire.R_STATE, "no stage loaded"
        if t_ms >= self._lease_until:
            return wire.R_STATE, "no lease from the host"
        if not self._estop_ok():
            return wire.R_ESTOP, ""
        if self._relay.contact_closed() or self._opening_since >= 0:
            return wire.R_CONTACT, "reads closed, expected open"
        missing = self._missing_channel()
        if missing:
            return wire.R_SENSOR, missing
        try:
            self._sampler.set_alerts(self.stage.alert_pos_a, self.stage.alert_neg_a)
            self._sampler.clear_alerts()
        except OSError:
            return wire.R_SENSOR, "a rail monitor does not answer"
        if not self._alert_ok():
            return wire.R_ALERT, ""
        # The line is high and the enable low: the latch has let go, or it is broken.
        if self._latch_set():
            return wire.R_ALERT, "alert latch stays set"
        self._relay.alert_latched = False
        self._alert_told = False
        return wire.DONE, ""

    def go(self, t_ms, challenge):
        waiting = self.state == wire.CLOSED and self.pending is not None
        if self.state != wire.ARMED and not waiting:
            return wire.R_STATE, wire.STATES[self.state]
        if not self._challenge or challenge != self._challenge or t_ms >= self._challenge_until:
            return wire.R_CHALLENGE, ""
        self._challenge = 0
        if waiting:
            stage, self.pending = self.pending, None
            return self._take_effect(stage)
        return self._close(t_ms)

    def _close(self, t_ms):
        if not self._estop_ok():
            return wire.R_ESTOP, ""
        if self._relay.contact_closed():
            return wire.R_CONTACT, "reads closed, expected open"
        if self._has_alert():
            return wire.R_ALERT, ""
        self._guard.restart()
        self._on_close()
        if not self._relay.close(not self.stage.limiter_in):
            return wire.R_ALERT, ""
        self.state = wire.CLOSING
        self._challenge = 0
        self._closing_since = t_ms
        self._contact_wrong_since = -1
        return wire.DONE, ""

    def open(self, t_ms, cause, text):
        """Open, whatever the state; with a cause that is a trip."""
        self._relay.drop()
        if self.is_energised():
            if cause:
                self.trip(t_ms, cause, wire.NO_CHANNEL, 0.0, 0.0, text)
            else:
                self.state = wire.SAFE
                self.pending = None
                self._opening_since = t_ms
        elif self.state == wire.ARMED:
            self._disarm(text or "asked to open")
        return wire.DONE, ""

    def reset(self, self_test):
        """Leave TRIPPED or FAULT; out of FAULT only through a self-test that passes."""
        if self.state != wire.TRIPPED and self.state != wire.FAULT:
            return wire.R_STATE, wire.STATES[self.state]
        if self._relay.contact_closed() or self._opening_since >= 0:
            return wire.R_CONTACT, "reads closed, expected open"
        if self.state == wire.FAULT or not self.selftest_ok:
            self_test()
            if not self.selftest_ok:
                return wire.R_SENSOR, "self-test: " + self.selftest_text
        self.state = wire.SAFE
        self.cause = 0
        self._emit(wire.EV_RESET, 0, wire.NO_CHANNEL, 0.0, 0.0, "")
        return wire.DONE, ""

    def may_work(self):
        """Is now a time for what holds up the scan? Nothing is armed or closed, no opening is being watched."""
        if self.state != wire.SAFE and self.state != wire.TRIPPED and self.state != wire.FAULT:
            return wire.R_STATE, wire.STATES[self.state]
        if self._opening_since >= 0:
            return wire.R_STATE, "the relay is still opening"
        return wire.DONE, ""

    def may_calibrate(self):
        answer, text = self.may_work()
        if not answer and self._relay.contact_closed():
            return wire.R_STATE, "relay contact reads closed"
        return answer, text

    def recalibrated(self, text):
        """Counts mean something else from now on: the limits of the stage do not."""
        self.stage = None
        self._emit(wire.EV_NOTE, 0, wire.NO_CHANNEL, 0.0, 0.0, text)

    def may_stall(self):
        if self.state != wire.CLOSED or self.stage_id() != wire.COMMISSION_STAGE:
            return wire.R_STATE, "only while a commissioning stage is closed"
        return wire.DONE, ""

    # What happens by itself.

    def trip(self, t_ms, cause, channel, value, limit, text=""):
        """Open now. The first cause latches; a later one is only noted."""
        self._relay.drop()
        self.pending = None
        if self.is_energised():
            self.state = wire.TRIPPED
            self.cause = cause
            self._opening_since = t_ms
            self._on_trip(self._emit(wire.EV_TRIPPED, cause, channel, value, limit, text))
        else:
            self._emit(wire.EV_NOTE, cause, channel, value, limit, text)

    def _disarm(self, text):
        self.state = wire.SAFE
        self._challenge = 0
        self._emit(wire.EV_DISARMED, 0, wire.NO_CHANNEL, 0.0, 0.0, text)

    def alert(self, t_ms):
        """A rail monitor has pulled the alert line; its interrupt has opened the relay already."""
        relay = self._relay
        relay.drop()
        if self._alert_told:
            return
        self._alert_told = True
        relay.alert_latched = True
        raw = (self._sampler.raw[0], self._sampler.raw[1])
        part, silent = self._sampler.latched_alert()
        if part is None and silent is not None:
            # Pulled out, or without supply: such a module pulls the line as well.
            self.trip(t_ms, SENSOR_FAULT, silent, float("nan"), 0.0, "alert line; its rail module does not answer")
            return
        if part is None:
            self.trip(t_ms, OVER_CURRENT, wire.NO_CHANNEL, 0.0, 0.0, "alert line")
            return
        limit = self.stage.alert_pos_a if part == 0 else self.stage.alert_neg_a
        self.trip(
            t_ms,
            OVER_CURRENT,
            part,
            scale.to_si(part, raw[part]),
            limit,
            "alert line; value is the last sample before it",
        )

    def scan(self, t_ms):
        """Look at pins, lease and contact; called once in every scan."""
        pressed = self._pressed()
        state = self.state
        if state == wire.CLOSED or state == wire.CLOSING:
            self._scan_energised(t_ms, pressed)
        elif state == wire.ARMED:
            self._scan_armed(t_ms, pressed)
        self._scan_contact(t_ms)

    def _pressed(self):
        """Return True once per press: held for two scans, after it was seen released."""
        if not self._button():
            self._pressed_scans = 0
            self._button_free = True
            return False
        self._pressed_scans += 1
        if self._pressed_scans == BUTTON_SCANS and self._button_free:
            self._button_free = False
            return True
        return False

    def _scan_armed(self, t_ms, pressed):
        if not self._estop_ok():
            self._disarm("emergency stop")
        elif t_ms >= self._lease_until:
            self._disarm("host silent")
        elif t_ms >= self._challenge_until:
            self._disarm("nobody said go")
        elif self._has_alert():
            self._disarm("alert line")
        elif pressed:
            answer, _ = self._close(t_ms)
            if answer:
                self._disarm(wire.REFUSALS[answer])

    def _scan_energised(self, t_ms, pressed):
        relay = self._relay
        if self._has_alert():
            self.alert(t_ms)
        elif not self._estop_ok():
            self.trip(t_ms, OPERATOR, wire.NO_CHANNEL, 0.0, 0.0, "emergency stop")
        elif pressed:
            self.trip(t_ms, OPERATOR, wire.NO_CHANNEL, 0.0, 0.0, "button")
        elif t_ms >= self._lease_until:
            self.trip(t_ms, HOST_SILENT, wire.NO_CHANNEL, 0.0, 0.0, "lease ended")
        elif self.state == wire.CLOSING:
            since = t_ms - self._closing_since
            if relay.contact_closed():
                self.state = wire.CLOSED
                self._emit(wire.EV_CLOSED, 0, wire.NO_CHANNEL, float(since), float(CLOSE_WITHIN_MS), "ms to contact")
            elif since > CLOSE_WITHIN_MS:
                text = "contact reads open %d ms after the coil was driven" % since
                self.trip(t_ms, RELAY_FAULT, wire.NO_CHANNEL, float(since), float(CLOSE_WITHIN_MS), text)
        elif relay.contact_closed():
            self._contact_wrong_since = -1
        elif self._contact_wrong_since < 0:
            self._contact_wrong_since = t_ms
        elif t_ms - self._contact_wrong_since >= CONTACT_LOST_MS:
            self.trip(t_ms, RELAY_FAULT, wire.NO_CHANNEL, 0.0, 0.0, "contact opened by itself")
        if self.pending is not None and self._challenge and t_ms >= self._challenge_until:
            self.pending = None
            self._challenge = 0
            self._emit(wire.EV_DISARMED, 0, wire.NO_CHANNEL, 0.0, 0.0, "nobody said go; the limiter stays in")

    def _scan_contact(self, t_ms):
        """Has the relay really opened, and does it stay open?"""
        if self.is_energised():
            return
        closed = self._relay.contact_closed()
        if self._opening_since >= 0:
            took = t_ms - self._opening_since
            if not closed:
                self._opening_since = -1
                self._emit(
                    wire.EV_OPENED, self.cause, wire.NO_CHANNEL, float(took), float(OPEN_WITHIN_MS), "ms to contact"
                )
            elif took > OPEN_WITHIN_MS:
                self._opening_since = -1
                self._contact_fault(took, "contact reads closed %d ms after the open: welded?" % took)
        elif not closed:
            self._contact_wrong_since = -1
        elif self.state == wire.FAULT:
            return
        elif self._contact_wrong_since < 0:
            self._contact_wrong_since = t_ms
        elif t_ms - self._contact_wrong_since > OPEN_WITHIN_MS:
            self._contact_fault(t_ms - self._contact_wrong_since, "contact reads closed, nobody closed it")

    def _contact_fault(self, took, text):
        self._relay.drop()
        self.state = wire.FAULT
        if not self.cause:
            self.cause = RELAY_FAULT
        self._emit(wire.EV_TRIPPED, RELAY_FAULT, wire.NO_CHANNEL, float(took), float(OPEN_WITHIN_MS), text)
