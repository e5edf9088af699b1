"""The whole firmware under MicroPython, on pins that answer from a trace.

The trace (record.py) holds everything that the firmware asked of its chip on
the virtual bench, with the answers. Here every question must come again, in the
same order and with the same values, or this stops and says where; the bytes
the firmware sends are printed. Runs under CPython as well.
"""

import struct
import sys


def _find():
    for folder in sys.path:
        try:
            with open(folder + "/trace.bin", "rb") as file:
                return file.read()
        except OSError:
            pass
    raise SystemExit("no trace.bin on sys.path")


class TraceEnd(BaseException):
    pass


class Mismatch(BaseException):
    pass


TRACE = _find()
at = 0
ended = False
pins = {}
handlers = {}
sent = bytearray()


def _interrupts():
    """Run the handlers of interrupts that came at this point."""
    global at
    while at < len(TRACE) and TRACE[at] == 88:  # X
        number = TRACE[at + 1]
        at += 2
        handlers[number](pins[number])


def ask(question):
    """The firmware does `question` (bytes); it must be the next in the trace."""
    global at, ended
    _interrupts()
    end = at + len(question)
    if ended or end > len(TRACE):
        ended = True
        raise TraceEnd
    if TRACE[at:end] != question:
        if at >= len(TRACE) - 4:
            ended = True
            raise TraceEnd
        raise Mismatch(f"byte {at}: firmware does {question!r}, trace holds {TRACE[at : at + 24]!r}")
    at = end


def answer(n):
    global at
    _interrupts()
    if TRACE[at] != 61:  # =
        raise Mismatch(f"byte {at}: no answer")
    at += 1
    end = at + n
    out = TRACE[at:end]
    at = end
    return out


def more(n):
    """Return the rest of an answer."""
    global at
    at += n
    return TRACE[at - n : at]


class Pin:
    IN, OUT, OPEN_DRAIN = 0, 1, 2
    PULL_UP, PULL_DOWN = 1, 2
    IRQ_FALLING, IRQ_RISING = 4, 8

    def __init__(self, number, mode=-1, pull=-1, value=None):
        self.number = number
        pins[number] = self
        level = 255 if value is None else value
        ask(struct.pack("<BBbbB", 80, number, mode, pull, level))

    def init(self, mode=-1, pull=-1, value=None):
        level = 255 if value is None else value
        ask(struct.pack("<BBbbB", 112, self.number, mode, -2 if pull is None else pull, level))

    def value(self, x=None):
        if x is None:
            ask(bytes((103, self.number)))
            return answer(1)[0]
        ask(bytes((115, self.number, 1 if x else 0)))

    def irq(self, handler=None, trigger=0, hard=False):
        handlers[self.number] = handler
        ask(bytes((113, self.number, trigger, 1 if hard else 0)))


class I2C:
    def __init__(self, number, sda, scl, freq, timeout):
        self.number = number
        ask(struct.pack("<BBBBII", 73, number, sda.number, scl.number, freq, timeout))

    def _status(self):
        code = answer(1)[0]
        if code:
            raise OSError(code)

    def writeto(self, address, data):
        ask(bytes((119, self.number, address, len(data))) + bytes(data))
        self._status()

    def readfrom_mem_into(self, address, register, buffer):
        ask(bytes((114, self.number, address, register, len(buffer))))
        self._status()
        buffer[:] = more(len(buffer))

    def writeto_mem(self, address, register, data):
        ask(bytes((109, self.number, address, register, len(data))) + bytes(data))
        self._status()


class ADC:
    def __init__(self, number):
        self._number = number

    def read_u16(self):
        ask(bytes((97, self._number)))
        return struct.unpack("<H", answer(2))[0]


class WDT:
    def __init__(self, timeout):
        ask(struct.pack("<BI", 87, timeout))

    def feed(self):
        ask(b"F")


class Memory:
    def __getitem__(self, address):
        ask(struct.pack("<BI", 107, address))
        return struct.unpack("<I", answer(4))[0]

    def __setitem__(self, address, word):
        ask(struct.pack("<BII", 75, address, word))


class Flash:
    def _ask(self, letter, name, rest=b""):
        ask(bytes((letter, len(name))) + name.encode() + rest)

    def read_into(self, name, offset, buf):
        self._ask(102, name, struct.pack("<IH", offset, len(buf)))
        n = struct.unpack("<h", answer(2))[0]
        if n > 0:
            buf[:n] = more(n)
        return n

    def size(self, name):
        self._ask(101, name)
        return struct.unpack("<i", answer(4))[0]

    def names(self, folder):
        self._ask(100, folder)
        n = struct.unpack("<H", answer(2))[0]
        return str(more(n), "ascii").split("\n")

    def write(self, name, data):
        self._ask(118, name, struct.pack("<H", len(data)) + bytes(data))
        answer(0)


class Machine:
    mem32 = Memory()
    Pin, I2C, ADC, WDT = Pin, I2C, ADC, WDT
    WDT_RESET = 3

    @staticmethod
    def reset_cause():
        ask(b"c")
        return answer(1)[0]


class Port:
    def read_into(self, buffer):
        ask(b"R")
        n = answer(1)[0]
        buffer[:n] = more(n)
        return n

    def write(self, view):
        sent.extend(view)
        ask(bytes((79, len(view))))
        return answer(1)[0]

    def ready(self):
        return True


def _time(letter):
    question = bytes((letter,))

    def read():
        ask(question)
        return struct.unpack("<I", answer(4))[0]

    return read


def sleep_us(us):
    ask(struct.pack("<BI", 122, us))
    answer(0)


class NoCollection:
    @staticmethod
    def collect():
        pass


def main():
    # What stands for the chip has to be there before anything imports it.
    sys.modules["machine"] = Machine
    import time

    for name in ("ticks_us", "ticks_ms", "ticks_diff", "ticks_add", "sleep_us"):
        if not hasattr(time, name):
            setattr(time, name, None)
    from wardenfw import ticks

    mask = (1 << 30) - 1
    ticks.ticks_us = _time(117)
    ticks.ticks_ms = _time(116)
    ticks.ticks_diff = lambda a, b: ((a - b + (1 << 29)) & mask) - (1 << 29)
    ticks.ticks_add = lambda a, b: (a + b) & mask
    ticks.sleep_us = sleep_us
    from wardenfw import app, board

    class Board(board.Board):
        def board_id(self):
            return "virtual-replayed"

        def interpreter(self):
            return "any"

        def random_u32(self):
            ask(b"n")
            return struct.unpack("<I", answer(4))[0]

    app.gc = NoCollection
    try:
        app.build(Board(Port(), Flash())).run()
    except TraceEnd:
        print("the trace ends here")
    print("consumed", at, "of", len(TRACE))
    print(str(bytes(sent), "ascii"))


main()
