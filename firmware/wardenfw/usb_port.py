"""USB serial as bytes that never block the scan.

`write` to a full USB buffer waits up to half a second for the host, and
readiness promises room for one byte only: so bytes go one at a time, each
after asking.
"""

import micropython
import select
import sys


class UsbPort:
    def __init__(self):
        # Bytes of a message are not for the interpreter: 3 would stop it.
        micropython.kbd_intr(-1)
        self._in = sys.stdin.buffer
        self._out = sys.stdout.buffer
        self._poll_in = select.poll()
        self._poll_in.register(sys.stdin, select.POLLIN)
        self._poll_out = select.poll()
        self._poll_out.register(sys.stdout, select.POLLOUT)
        self._one = bytearray(1)

    def ready(self):
        """Return True when at least one byte can be written."""
        for _ in self._poll_out.ipoll(0):
            return True
        return False

    def read_into(self, buffer):
        """Read what has arrived, at most the buffer; return how many bytes."""
        n = 0
        size = len(buffer)
        one = self._one
        readinto = self._in.readinto
        poll = self._poll_in.ipoll
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
        n = 0
        size = len(view)
        one = self._one
        write = self._out.write
        poll = self._poll_out.ipoll
        while n < size:
            for _ in poll(0):
                break
            else:
                return n
            one[0] = view[n]
            write(one)
            n += 1
        return n
