"""USB serial as bytes that do not hold up the scan.

Readiness promises room for one byte; a longer write to a full USB buffer waits
up to half a second for the host. A host that reads empties the buffer within
milliseconds, so pieces are written whole after asking; the first one that had
to wait puts the port into single bytes, each after asking, until the host has
read a whole buffer again.
"""

import micropython
import select
import sys

from wardenfw.ticks import ticks_diff, ticks_us

SLOW_US = 2000
BUFFER_BYTES = 256


class UsbPort:
    def __init__(self):
        # Bytes of a message are not for the interpreter: 3 would stop it.
        micropython.kbd_intr(-1)
        poll_in = select.poll()
        poll_in.register(sys.stdin, select.POLLIN)
        poll_out = select.poll()
        poll_out.register(sys.stdout, select.POLLOUT)
        # Bound once: looking a method up to keep it allocates.
        self._poll_in = poll_in.ipoll
        self._poll_out = poll_out.ipoll
        self._readinto = sys.stdin.buffer.readinto
        self._write = sys.stdout.buffer.write
        self._one = bytearray(1)
        self._careful = 0

    def ready(self):
        """Return True when at least one byte can be written."""
        for _ in self._poll_out(0):
            return True
        return False

    def read_into(self, buffer):
        """Read what has arrived, at most the buffer; return how many bytes."""
        poll, readinto, one = self._poll_in, self._readinto, self._one
        n = 0
        size = len(buffer)
        while n < size:
            for _ in poll(0):
                break
            else:
                return n
            readinto(one)
            buffer[n] = one[0]
            n += 1
        return n

    def write(self, view):
        """Write what fits of `view`; return how many bytes."""
        if not self.ready():
            return 0
        if self._careful:
            return self._write_singly(view)
        before = ticks_us()
        n = self._write(view)
        if ticks_diff(ticks_us(), before) > SLOW_US:
            self._careful = BUFFER_BYTES
        return len(view) if n is None else n

    def _write_singly(self, view):
        one = self._one
        n = 0
        while n < len(view) and self.ready():
            one[0] = view[n]
            self._write(one)
            n += 1
        self._careful = max(0, self._careful - n)
        return n
