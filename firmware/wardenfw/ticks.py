"""The board's time: the only module that knows where time comes from."""

from time import sleep_us, ticks_add, ticks_diff, ticks_ms, ticks_us

__all__ = ("MsClock", "sleep_us", "ticks_add", "ticks_diff", "ticks_ms", "ticks_us")


class MsClock:
    """Milliseconds since boot that do not wrap.

    `ticks_ms` wraps after 2^30 ms (12.4 days), less than a long burn-in on a
    bench that is never switched off; on the wire the count wraps at 2^32.
    """

    def __init__(self):
        self._last = ticks_ms()
        self._ms = 0

    def now(self):
        """Return milliseconds since the clock was made; call at least every six days."""
        t = ticks_ms()
        self._ms += ticks_diff(t, self._last)
        self._last = t
        return self._ms
