"""Maps each host command to one action and one reply."""

import json

from wardenfw import wire
from wardenfw.stage import Loader

READ_BYTES = 24
MOST_STALL_MS = 2000
# Lengths of a reason in a hello, tried until it fits; every reason is in the INFO in full.
SHORTER = (60, 30, 12, 0)


class LineReader:
    """Puts lines together from whatever bytes have come; bounded."""

    def __init__(self, port):
        self._port = port
        self._chunk = bytearray(READ_BYTES)
        self._line = bytearray(wire.MAX_LINE)
        self._n = 0
        self._skip = False
        self._rest_at = 0
        self._rest_end = 0
        self.bad_lines = 0

    def line(self):
        """Return the next whole line as bytes without its end, None when there is none yet."""
        at, end = self._rest_at, self._rest_end
        chunk = self._chunk
        if at == end:
            at = 0
            end = self._port.read_into(chunk)
            if not end:
                return None
        line, n = self._line, self._n
        while at < end:
            b = chunk[at]
            at += 1
            if b == 10:
                self._rest_at, self._rest_end = at, end
                self._n = 0
                if self._skip:
                    self._skip = False
                    self.bad_lines += 1
                    return None
                return bytes(memoryview(line)[:n])
            if n == wire.MAX_LINE:
                self._skip = True
            elif b != 13:
                line[n] = b
                n += 1
        self._n = n
        self._rest_at = self._rest_end = 0
        return None


class Commands:
    """
    Args:
        app: the parts commands act on: `outbox`, `interlock`, `builder`, `burst`,
            `hello()` (a dict), `info(topic)` (bytes), `self_test()`,
            `calibrate(record)`, `stall(ms)` and `collect_soon()`.
    """

    def __init__(self, app, reader):
        self._app = app
        self._reader = reader
        self._loader = None
        self._loader_seq = 0
        self._burst = []
        self._info_topic = -1
        self._info = b""
        self._stall_ms = 0

    def step(self, t_ms):
        """Do one slot's share: go on with a long command, or take the next line."""
        if self._loader is not None:
            self._load(t_ms)
        elif self._burst:
            self._burst_step()
        elif self._stall_ms:
            self._stall()
        else:
            line = self._reader.line()
            if line is not None:
                self.take(line, t_ms)

    def take(self, line, t_ms):
        """Act on one line; anything that is not an intact message is counted and ignored."""
        try:
            version, kind, seq, payload = wire.decode(line)
        except wire.WireError:
            self._reader.bad_lines += 1
            return
        if version != wire.WIRE_VERSION or kind == wire.HELLO_REQUEST:
            self._say_hello(version == wire.WIRE_VERSION)
            return
        try:
            self._act(kind, seq, payload, t_ms)
        except (ValueError, IndexError):
            # struct.error is a ValueError on the board; what it stands for is a short payload.
            self._answer(seq, kind, wire.R_MALFORMED, "")

    def _answer(self, seq, kind, answer, text):
        payload = wire.pack_reply(seq, kind, answer, self._app.interlock.state, text)
        self._app.outbox.reply(wire.REPLY, seq, payload)

    def _say_hello(self, same_version):
        outbox = self._app.outbox
        if same_version:
            outbox.listener = True
        outbox.reply(wire.HELLO, 0, fitted(self._app.hello()))
        self._app.collect_soon()

    def _act(self, kind, seq, payload, t_ms):
        app = self._app
        lock = app.interlock
        if kind == wire.ACK:
            if len(payload) != 10:
                return
            frame_seq, event_seq, lease_ms = wire.unpack_ack(payload)
            app.outbox.acknowledge(frame_seq, event_seq)
            lock.renew_lease(t_ms, lease_ms)
            return
        if kind == wire.STAGE:
            self._loader = Loader(payload)
            self._loader_seq = seq
            return
        if kind == wire.ARM:
            answer, text = lock.arm(t_ms)
            app.collect_soon()
        elif kind == wire.GO:
            answer, text = lock.go(t_ms, _u32(payload))
        elif kind == wire.OPEN:
            # Opened before the message is looked at any closer.
            cause = payload[0] if payload and payload[0] < len(wire.CAUSES) else wire.CAUSES.index("operator")
            answer, text = lock.open(t_ms, cause, _words(payload))
        elif kind == wire.RESET:
            answer, text = lock.reset(app.self_test)
            app.collect_soon()
        elif kind == wire.RESEND:
            app.outbox.resend_from(_u32(payload))
            answer, text = wire.DONE, ""
        elif kind == wire.BURST_REQUEST:
            if len(payload) != 6:
                raise ValueError
            answer = self._begin_burst(seq, payload)
            if answer == wire.DONE:
                return
            text = ""
        elif kind == wire.INFO_REQUEST:
            answer, text = self._tell(seq, payload)
            if answer == wire.DONE:
                return
        elif kind == wire.CAL_WRITE:
            answer, text = lock.may_calibrate()
            if not answer:
                answer, text = app.calibrate(payload)
                app.collect_soon()
        elif kind == wire.SELF_TEST:
            answer, text = lock.may_work()
            if not answer:
                app.self_test()
                if not lock.selftest_ok:
                    answer, text = wire.R_SENSOR, "self-test: " + lock.selftest_text
        elif kind == wire.STALL:
            ms = _u32(payload)
            if not 0 < ms <= MOST_STALL_MS:
                raise ValueError
            answer, text = lock.may_stall()
            if not answer:
                self._stall_ms = ms
        else:
            answer, text = wire.R_MALFORMED, "unknown kind"
        self._answer(seq, kind, answer, text)

    def _load(self, t_ms):
        answer = self._loader.step()
        if answer is None:
            return
        stage, self._loader = self._loader.stage, None
        text = ""
        if answer == wire.DONE:
            answer, text = self._app.interlock.load(stage, self._app.builder.means)
        self._answer(self._loader_seq, wire.STAGE, answer, text)
        self._app.collect_soon()

    def _tell(self, seq, payload):
        topic, part = wire.unpack_info_request(payload)
        if topic >= len(wire.INFO_TOPICS):
            return wire.R_NOT_STORED, "no topic %d" % topic
        if not part or topic != self._info_topic:
            # Later parts are of the same moment as the first.
            self._info_topic = topic
            self._info = self._app.info(topic)
        data = self._info
        parts = max(1, -(-len(data) // wire.INFO_DATA))
        if part >= parts:
            return wire.R_NOT_STORED, "%s has %d parts" % (wire.INFO_TOPICS[topic], parts)
        at = part * wire.INFO_DATA
        self._app.outbox.reply(wire.INFO, seq, wire.pack_info(topic, part, parts, data[at : at + wire.INFO_DATA]))
        self._app.collect_soon()
        return wire.DONE, ""

    def _stall(self):
        app = self._app
        if app.interlock.may_stall()[0]:
            self._stall_ms = 0
        elif app.outbox.has_replied():
            # Nothing can be said any more once the loop stands still.
            ms, self._stall_ms = self._stall_ms, 0
            app.stall(ms)

    def _begin_burst(self, seq, payload):
        trip_seq, first = wire.unpack_burst_request(payload)
        burst = self._app.burst
        if not burst.is_complete() or burst.trip_seq != trip_seq or first >= burst.total():
            return wire.R_NOT_STORED
        count = min(wire.BURST_RECORDS_PER_CHUNK, burst.total() - first)
        self._burst = [seq, first, count, 0, bytearray(count * wire.BURST_RECORD_SIZE)]
        return wire.DONE

    def _burst_step(self):
        job, burst = self._burst, self._app.burst
        seq, first, count, done, out = job
        if burst.trip_seq == 0:
            # The relay was closed anew; the records are gone.
            self._burst = []
            self._answer(seq, wire.BURST_REQUEST, wire.R_NOT_STORED, "")
            return
        if done < count:
            burst.record_bytes(out, done * wire.BURST_RECORD_SIZE, first + done)
            job[3] = done + 1
            return
        self._burst = []
        payload = wire.pack_burst(burst.trip_seq, first, burst.total(), burst.trip_index(), bytes(out))
        self._app.outbox.reply(wire.BURST, seq, payload)
        self._app.collect_soon()


def fitted(facts):
    """Return a hello as JSON of at most wire.MAX_PAYLOAD bytes; what is too long is cut.

    Names of failed parts go last of all: a host that cannot read which part
    failed still reads that one did, and asks.
    """
    data = json.dumps(facts).encode()
    parts = facts["selftest"]["parts"]
    for room in SHORTER:
        if len(data) <= wire.MAX_PAYLOAD:
            return data
        facts["cal"] = facts["cal"][: max(room, 40)]
        for name in parts:
            parts[name] = parts[name][:room]
        data = json.dumps(facts).encode()
    while len(data) > wire.MAX_PAYLOAD and parts:
        parts.popitem()
        data = json.dumps(facts).encode()
    return data


def _u32(payload):
    if len(payload) != 4:
        raise ValueError
    return wire.unpack_u32(payload)


def _words(payload):
    """Return the text after an OPEN's cause; opening does not depend on its being readable."""
    try:
        return str(payload[1:], "utf-8")
    except ValueError:
        return ""
