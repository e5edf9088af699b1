"""NTC on one of the board's own converter inputs, told open or short from hot or cold."""

from wardenfw.scale import MISSING, NTC_OPEN_COUNTS, NTC_SHORT_COUNTS


class Ntc:
    def __init__(self, adc):
        self._read = adc.read_u16

    def counts(self):
        """Return counts of 65535, MISSING when the sensor or its wire is open or shorted."""
        v = self._read()
        return v if NTC_SHORT_COUNTS <= v <= NTC_OPEN_COUNTS else MISSING

    def check(self):
        """Return "ok" or what is wrong."""
        v = self._read()
        if v > NTC_OPEN_COUNTS:
            return "open"
        return "short" if v < NTC_SHORT_COUNTS else "ok"
