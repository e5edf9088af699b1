"""Sole owner of the relay pins: coil enable, dead-man pulses, limiter bypass, contact readback.

The coil is held only while `enable` is high and `pulse` keeps changing; the
charge pump behind `pulse` lets go by itself when the loop stalls. Imports no
`machine`: pins are passed in and are called like `pin.value(0)`.
"""


class Relay:
    def __init__(self, enable, pulse, bypass, aux):
        self._enable = enable
        self._pulse = pulse
        self._bypass = bypass
        self._aux = aux
        self._level = 0
        self.coil_on = False
        self.bypass_on = False
        # Set by the alert interrupt; while it is set the coil cannot be driven.
        self.alert_latched = False
        self.drop()

    def drop(self):
        """Open the mains relay and put the limiter back in. Safe to call at any time, any number of times."""
        self._enable.value(0)
        self._pulse.value(0)
        self.coil_on = False
        self._bypass.value(0)
        self.bypass_on = False

    def on_alert(self, pin):
        """Interrupt handler of the alert line: must not allocate, so it only drops and latches."""
        self._enable.value(0)
        self._pulse.value(0)
        self.alert_latched = True

    def close(self, bypass):
        """Drive the coil; return False, with everything dropped, if the alert line came in between."""
        self.set_bypass(bypass)
        self.coil_on = True
        self._enable.value(1)
        if self.alert_latched:
            self.drop()
            return False
        return True

    def set_bypass(self, on):
        self._bypass.value(1 if on else 0)
        self.bypass_on = on

    def tick(self):
        """Give the dead-man charge pump its next edge; called in every slot and before a collection."""
        if self.coil_on and not self.alert_latched:
            self._level ^= 1
            self._pulse.value(self._level)

    def contact_closed(self):
        """Return False only when the mirror contact says that the mains contact is open.

        The mirror contact is closed, and pulls the pin low, while the forcibly
        guided mains contact is open (IEC 61810-3, from memory): a broken wire
        reads as mains on.
        """
        return self._aux.value() == 1
