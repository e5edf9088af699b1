"""What the firmware's pure logic answers to a fixed set of inputs; runs under MicroPython and CPython alike.

Prints one line per answer. Numbers go out as the 32-bit floats of the wire, or
as whole numbers; nothing depends on the order of a dict.
"""

import struct
import sys

from wardenfw import scale, wire
from wardenfw.burst import Burst
from wardenfw.calibration import SLOTS, Calibration, date_of
from wardenfw.commands import fitted
from wardenfw.frames import FrameBuilder, FrameRing
from wardenfw.guard import Guard
from wardenfw.history import History
from wardenfw.relay import Relay
from wardenfw.stage import load
from wardenfw.watch import PIECES

NAN = float("nan")


def f32(value):
    # One spelling of NaN: its sign and payload are nobody's business.
    if value != value:
        return "nan"
    return "".join(f"{b:02x}" for b in struct.pack("<f", value))


class Lcg:
    """Knuth's MMIX numbers cut to 31 bits a draw: the same everywhere, no library's business."""

    def __init__(self, seed):
        self._state = seed

    def below(self, n):
        self._state = (self._state * 6364136223846793005 + 1442695040888963407) & 0xFFFFFFFFFFFFFFFF
        return (self._state >> 33) % n


def show(name, *values):
    print(name, *values)


def wire_vectors():
    show("crc", wire.crc32(b"123456789"), wire.crc32(b""), wire.crc32(bytes(32)), wire.crc32(b"\xff" * 32))
    lines = [
        wire.encode(wire.HELLO_REQUEST, 1),
        wire.encode(wire.ACK, 2, wire.pack_ack(0xFFFFFFFF, 7, 2500)),
        wire.encode(wire.OPEN, 3, wire.pack_open(12, "Schluß €")),
        wire.encode(wire.GO, 4, wire.pack_u32(123456789)),
        wire.encode(wire.EVENT, 5, wire.pack_event(99, wire.EV_TRIPPED, 1, 0, wire.TRIPPED, 3, 1.25, 0.5, "x" * 300)),
        wire.encode(wire.REPLY, 6, wire.pack_reply(3, wire.ARM, wire.DONE, wire.ARMED, "42")),
        wire.encode(wire.BURST_REQUEST, 7, wire.pack_burst_request(5, 12)),
        wire.encode(wire.FRAME, 8, bytes(range(wire.FRAME_SIZE))),
        wire.encode(wire.HELLO, 9, b"{}", version=9),
    ]
    for line in lines:
        show("line", str(line, "ascii").strip(), wire.decode(line[:-1])[:3])
    rng = Lcg(1)
    refused = 0
    for n in range(400):
        line = bytearray(lines[n % len(lines)][:-1])
        for _ in range(1 + rng.below(3)):
            line[rng.below(len(line))] ^= 1 << rng.below(8)
        if bytes(line) == lines[n % len(lines)][:-1]:
            continue
        try:
            wire.decode(bytes(line))
            show("accepted damage", n)
        except wire.WireError as error:
            refused += 1
            show("refused", n, error)
    show("refusals", refused)
    for junk in (b"", b"A", b"AAAA", b"=" * 16, b"A" * 4000, b"\x00" * 20, b"AAAA\nAAAAAAAAAAAA"):
        try:
            wire.decode(junk)
            show("accepted junk", junk)
        except wire.WireError as error:
            show("junk", len(junk), error)


def scale_vectors():
    for counts in (1000, 5000, 15728, 21845, 32768, 40000, 54613, 64000):
        show("ntc", counts, f32(scale.ntc_celsius(counts)))
    for celsius in (-20.0, 0.0, 25.0, 60.0, 85.0, 110.0):
        show("ohm", f32(scale.ntc_ohm(celsius)), f32(scale.ntc_counts(celsius)))
    for channel in range(wire.N_CHANNELS):
        for counts in (985, 13200, 20000, scale.MISSING):
            show("si", channel, counts, f32(scale.to_si(channel, counts)))
        top = wire.CEILINGS[channel]
        for low, high in ((-top, top), (NAN, top / 3), (top / 7, NAN)):
            show("bounds", channel, scale.count_bounds(channel, low, high))
    for amperes in (0.001, 0.5, 2.0, 15.0, 20.0):
        show("alert", scale.alert_counts(0, amperes), scale.alert_counts(1, -amperes))


def _stage(extra=(), drop=None, alert=10.0):
    limits = []
    for name in wire.MUST_LIMIT:
        if name != drop:
            channel = wire.CHANNELS.index(name)
            top = wire.CEILINGS[channel] / 2
            limits.append((channel, wire.VALUE, 1, -top if name[-2:] == "_v" else NAN, top, 30, 0))
    limits.extend(extra)
    return wire.pack_stage(7, True, False, limits, alert, alert)


def foot_vectors():
    for sixteenths in (-3200, -16, -1, 0, 1, 16, 160, 1600, 16000, 160000, 524272):
        show("peak", sixteenths, scale.peak_steps(sixteenths))
    for steps in (-5000, -1, 0, 1, 100, 2699, 2700, 2701, 20000, 400000):
        show("held", steps, f32(scale.peak_counts(steps)))
    for counts in (-5, 0, 1, 2, 10, 100, 1000, 32767):
        show("foot", counts, f32(scale.to_si(11, counts)))


def _record(number, entries, board="0123456789abcdef"):
    return wire.pack_calibration(board, 9825, 365, number, "Prüfmeter 6½ Stellen", entries)


# Channel, points, degrees of freedom, gain, offset, centre, u_a, u_b; 32-bit floats exactly.
ENTRIES = (
    (0, 5, 3, 1.015625, 0.03125, 2.0, 0.0009765625, 0.000244140625),
    (3, 2, 255, 0.9921875, -0.25, -30.0, 0.015625, 0.0),
    (4, 9, 7, 1.0078125, 0.00390625, 0.0, 0.0009765625, 0.0009765625),
    (8, 3, 1, 0.984375, 0.5, 40.0, 0.125, 0.0),
    (11, 4, 2, 1.125, -0.0625, 5.0, 0.0625, 0.015625),
)


def calibrated_vectors():
    for board, day, due, number, reference, entries in (
        wire.unpack_calibration(_record(4294967295, ENTRIES)),
        wire.unpack_calibration(_record(0, ())),
    ):
        show("record", board, day, due, number, reference, len(entries))
        for entry in entries:
            show(" entry", entry[:3], [f32(x) for x in entry[3:]])
    show("record", wire.crc32(_record(1, ENTRIES)), len(_record(1, ENTRIES)))
    for cut in (0, 1, 93, 94, 97, 98, 200, 217):
        try:
            wire.unpack_calibration(_record(1, ENTRIES)[:cut])
            show("accepted", cut)
        except wire.WireError as error:
            show("refused", cut, error)
    scale.calibrate(ENTRIES)
    scale_vectors()
    stage_vectors()
    guard_vectors()
    frame_vectors()
    burst_vectors()
    scale.reset()
    show("reset", [f32(g) for g in scale.GAIN], [f32(g) for g in scale.GAIN_OF_TEN], scale.OFFSET)


class Files:
    def __init__(self):
        self.held = {}
        self.room = -1

    def read_into(self, name, offset, buf):
        if name not in self.held:
            return -1
        data = self.held[name][offset : offset + len(buf)]
        buf[: len(data)] = data
        return len(data)

    def write(self, name, data):
        if self.room >= 0:
            self.held[name] = data[: self.room]
            raise OSError(28)
        self.held[name] = data


def store_vectors():
    files = Files()
    store = Calibration(files, "0123456789abcdef")
    store.load()

    def told(name, answer=None):
        held = [len(files.held.get(slot, b"")) for slot in SLOTS]
        show("store", name, answer, store.number, store.words, store.crc_hex(), held, f32(scale.GAIN[0]))

    told("new")
    told("first", store.store(_record(1, ENTRIES)))
    told("again", store.store(_record(1, ENTRIES)))
    told("lower", store.store(_record(0, ENTRIES)))
    told("second", store.store(_record(2, ENTRIES[1:])))
    told("foreign", store.store(_record(3, ENTRIES, "fedcba9876543210")))
    told("junk", store.store(b"junk"))
    for channel, points, gain, offset in (
        (13, 1, 1.0, 0.0),
        (0, 0, 1.0, 0.0),
        (0, 1, 0.75, 0.0),
        (0, 1, NAN, 0.0),
        (8, 1, 1.0, 5.5),
        (11, 1, 1.0, float("-inf")),
    ):
        told("absurd", store.store(_record(9, ((channel, points, 1, gain, offset, 0.0, 0.0, 0.0),))))
    for files.room in (0, 1, 100, 213):
        told("cut", store.store(_record(9, ENTRIES))[0])
    files.room = -1
    told("third", store.store(_record(9, ENTRIES)))
    scale.reset()
    for day in (0, 59, 60, 365, 366, 1520, 9825, 9826, 36524, 36583):
        show("date", day, date_of(day))


def hello_vectors():
    for length in (0, 10, 40, 200):
        parts = {}
        for i in range(19):
            parts["part_%02d" % i] = "w" * length  # noqa: UP031 - as the board has it
        facts = {"cal": "c" * (20 + length), "selftest": {"ok": False, "parts": parts, "tested": 19}}
        data = fitted(facts)
        # The order of a dict is the interpreter's.
        show("hello", length, len(data) <= wire.MAX_PAYLOAD, sorted({len(parts[name]) for name in parts}), facts["cal"])


SLOW = (
    (11, wire.RATE, 5, NAN, 0.5, 0, 1000),
    (11, wire.SPREAD, 5, -0.1, 0.2, 0, 1000),
    (12, wire.SPREAD, 5, NAN, 0.3, 20, 10000),
    (0, wire.RATE, 4, NAN, 0.5, 200, 1000),
    (8, wire.RATE, 4, NAN, 0.2, 0, 2000),
    (6, wire.SPREAD, 8, -0.002, 0.002, 20, 1000),
    (9, wire.SPREAD, 8, NAN, 1.5, 0, 10000),
    (3, wire.RATE, 7, -5.0, NAN, 100, 500),
)


def stage_vectors():
    payloads = [
        _stage(),
        _stage(SLOW),
        _stage(drop="sink_left_c"),
        _stage(alert=16.0),
        _stage(alert=NAN),
        _stage(((0, wire.VALUE, 1, NAN, 15.5, 0, 0),)),
        _stage(((0, wire.VALUE, 1, NAN, NAN, 0, 0),)),
        _stage(((0, wire.VALUE, 1, 2.0, 1.0, 0, 0),)),
        _stage(((13, wire.VALUE, 1, NAN, 1.0, 0, 0),)),
        _stage(((0, 3, 1, NAN, 1.0, 0, 0),)),
        _stage(((0, wire.VALUE, 0, NAN, 1.0, 0, 0),)),
        _stage(((0, wire.VALUE, 13, NAN, 1.0, 0, 0),)),
        _stage(((0, wire.RATE, 4, NAN, 1.0, 0, 100),)),
        _stage(((0, wire.RATE, 4, NAN, 1.0, 20000, 1000),)),
        _stage(((0, wire.RATE, 4, NAN, float("inf"), 0, 1000),)),
        _stage()[:-1],
        _stage() + b"\x00",
        b"",
    ]
    for payload in payloads:
        answer, stage = load(payload)
        show("stage", answer)
        if answer == wire.DONE:
            for table in stage.fast:
                for limit in table:
                    show(" fast", limit[:7], f32(limit[7]), f32(limit[8]), limit[9:])
            for limit in stage.slow:
                show(" slow", limit[:7], f32(limit[7]), f32(limit[8]), limit[9:])


def fine(channel, counts):
    if counts == scale.MISSING:
        return counts
    if scale.SHAPE[channel] == scale.CELSIUS:
        return scale.ntc_millicelsius(counts)
    counts *= scale.FINE_PER_COUNT
    return scale.peak_steps(counts) if scale.SHAPE[channel] == scale.PEAK else counts


def guard_vectors():
    _, stage = load(_stage(SLOW))
    guard = Guard()
    guard.load(stage)
    rng = Lcg(5)
    # Counts in the middle of what each channel may read.
    middle = [20000, 20000, 100000, 100000, -60, 20, 1400, 1400, 30000, 30000, 33000, 30, 30]
    raw = list(middle)
    for run in range(6):
        guard.restart()
        t_ms = 0
        for scan in range(700):
            for i in range(wire.N_CHANNELS):
                raw[i] = middle[i] + rng.below(5)
            if scan > 400:
                # One thing at a time goes wrong.
                if run == 0:
                    raw[0] = 600000
                elif run == 1:
                    raw[0] = middle[0] + (scan - 400) * 300
                elif run == 2:
                    raw[6] = middle[6] + 400
                elif run == 3:
                    raw[8] = scale.MISSING
                elif run == 4:
                    raw[9] = 30000 - (scan - 400) * 60
                elif run == 5:
                    raw[11] = middle[11] + (scan - 400) // 4
            for slot in range(4):
                found = guard.check(slot, raw, t_ms)
                if found is not None:
                    show("found", run, scan, slot, found[0], found[1], f32(found[2]), f32(found[3]))
                    break
            t_ms += 10
            if scan % 10 == 9:
                guard.push([fine(i, raw[i]) for i in range(wire.N_CHANNELS)])
                for i in range(guard.n_slow()):
                    found = guard.check_slow(i, t_ms)
                    if found is not None:
                        show("slow", run, scan, i, found[0], found[1], f32(found[2]), f32(found[3]))


def watch_vectors():
    """Both rules on readings that grow, leap, come in bursts and go missing."""
    limits = [(name, wire.VALUE, 1, NAN, top, 0, 0) for name, top in ((0, 1.0), (1, 1.0), (6, 0.022), (7, 0.022))]
    limits += [(name, wire.VALUE, 1, NAN, 60.0, 0, 0) for name in (2, 8, 9)] + [(3, wire.VALUE, 1, -60.0, NAN, 0, 0)]
    limits += [(name, wire.VALUE, 5, -2.0, 2.0, 0, 0) for name in (4, 5, 11, 12)]
    limits += [(name, wire.RATE, 4, NAN, 0.0004, 0, 10000) for name in (6, 7)]
    answer, stage = load(wire.pack_stage(3, False, False, limits, 2.0, 2.0))
    show("watched", answer, stage.tops)
    rng = Lcg(11)
    for run in range(8):
        guard = Guard()
        guard.load(stage)
        guard.restart()
        watch = guard.watch
        bias = 1408 * scale.FINE_PER_COUNT * 16
        for n in range(900):
            means = [20000 * 16, 20000 * 16, 215000 * 16, 215000 * 16, 0, 0, 1408 * 16, 1408 * 16, 35000, 35000, 23000]
            means += [150 + rng.below(20), 150 + rng.below(20)]
            low = [means[11] - 10, means[12] - 10]
            if n > 200 and run < 5:
                # Sixteenths, so that slow growth is growth too: 1 in 64 a frame down to 1 in 1024.
                bias += (bias - 1400 * scale.FINE_PER_COUNT * 16) // (64 << run)
                means[6] = min(bias // 16, 32000 * 16)
                means[0] = means[1] = 20000 * 16 + (means[6] - 1408 * 16) * 3
                means[8] = 35000 + (means[6] - 1408 * 16) // 4
            elif run == 5 and n % 50 > 46:
                low[0] = means[11] = 4000
                means[0] = 24000 * 16
            elif run == 6 and n > 400:
                low[1] = means[12] = 9000
                means[1] = 26000 * 16
            elif run == 7 and n > 100:
                means[6] = scale.MISSING if rng.below(9) == 0 else means[6] + rng.below(n * 20)
            guard.push(means)
            watch.frame(means, low)
            for piece in range(PIECES):
                found = watch.step(piece)
                if found is not None:
                    # Their last digit is the interpreter's: 3.125 is 3.12 here and 3.13 there.
                    words = "".join([c for c in found[4] if c not in "0123456789."])
                    show("seen", run, n, piece, found[0], found[1], f32(found[2]), f32(found[3]), words)
            if n % 150 == 149:
                show("base", run, n, watch.oscillation.base)


def history_vectors():
    history = History(2)
    rng = Lcg(9)
    for n in range(900):
        history.push([n * 3, scale.MISSING if rng.below(7) == 0 else rng.below(1000) - 500])
        if n % 37 == 0:
            show(
                "history",
                n,
                [history.back(tier, c, k) for tier in (0, 1) for c in (0, 1) for k in (0, 1, 9, 64)],
                [history.mean(0, 0, k) for k in (1, 10, 60)],
            )


class Totals:
    def __init__(self, rng):
        n = wire.N_CHANNELS
        self.scans = 10
        self.missed = [10 if rng.below(9) == 0 else rng.below(3) for _ in range(n)]
        base = [10000 + rng.below(5000) for _ in range(n)]
        self.low = [b - rng.below(20) for b in base]
        self.high = [b + rng.below(20) for b in base]
        self.total = [base[i] * (10 - self.missed[i]) for i in range(n)]


def frame_vectors():
    ring = FrameRing()
    builder = FrameBuilder(ring)
    rng = Lcg(11)
    for n in range(200):
        builder.begin(Totals(rng), 1000 + n * 100, n * 10, 3, 0, wire.CLOSED, 0x1B)
        while not builder.step():
            pass
        seq = ring.following - 1
        if n % 10 == 0:
            show("frame", str(wire.encode(wire.FRAME, seq, ring.frame(seq)), "ascii").strip())
        if n % 50 == 49:
            ring.acknowledge(seq - 20)
            show("ring", ring.oldest, ring.following, ring.lost, ring.frame(ring.oldest - 1), ring.frame(seq + 1))
    show("ring", ring.oldest, ring.following, ring.lost)


def burst_vectors():
    burst = Burst()
    rng = Lcg(13)
    for scan in range(600):
        raw = scale_array([10000 + rng.below(3000) for _ in range(wire.N_CHANNELS)])
        if scan == 420:
            burst.trip(17)
        burst.record(scan * 10, scan & 0xFF, raw)
    show("burst", burst.trip_seq, burst.total(), burst.trip_index(), burst.is_complete())
    out = bytearray(wire.BURST_RECORD_SIZE * 2)
    for first in (0, 100, 199, 200, 248):
        burst.record_bytes(out, 0, first)
        burst.record_bytes(out, wire.BURST_RECORD_SIZE, first + 1)
        payload = wire.pack_burst(burst.trip_seq, first, burst.total(), burst.trip_index(), bytes(out))
        show("burst", str(wire.encode(wire.BURST, first, payload), "ascii").strip())


def scale_array(values):
    from array import array

    return array("i", values)


class Pin:
    def __init__(self, level=0):
        self.level = level

    def value(self, x=None):
        if x is None:
            return self.level
        self.level = x


def relay_vectors():
    enable, pulse, bypass, aux = Pin(1), Pin(1), Pin(1), Pin(1)
    relay = Relay(enable, pulse, bypass, aux)

    def state(name):
        show("relay", name, enable.level, pulse.level, bypass.level, relay.coil_on, relay.contact_closed())

    state("made")
    show("close", relay.close(True))
    for _ in range(3):
        relay.tick()
        state("tick")
    aux.level = 0
    state("contact")
    relay.on_alert(None)
    relay.tick()
    state("alert")
    show("close", relay.close(False))
    state("refused")
    relay.alert_latched = False
    show("close", relay.close(False))
    relay.tick()
    state("closed")
    relay.drop()
    state("dropped")


for vectors in (
    wire_vectors,
    scale_vectors,
    foot_vectors,
    calibrated_vectors,
    store_vectors,
    hello_vectors,
    stage_vectors,
    guard_vectors,
    watch_vectors,
    history_vectors,
    frame_vectors,
    burst_vectors,
    relay_vectors,
):
    vectors()
print("end", len(sys.path) > 0)
