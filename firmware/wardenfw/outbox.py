"""What goes to the host next: replies first, then events, then frames, then frames asked for again."""

import binascii
import struct

from wardenfw import wire

KEPT_EVENTS = 32
KEPT_REPLIES = 8
RESEND_EVENT_MS = 500


class Outbox:
    """
    Args:
        port: see board.Board.
        ring: the frames.

    Attributes:
        newest_event: sequence number of the last event, 0 when there was none.
        listener: a host has said hello; before that, frames are kept and not sent.
    """

    def __init__(self, port, ring):
        self._port = port
        self._ring = ring
        self._replies = []
        self._events = []  # [seq, payload, sent at ms or -1]
        self.newest_event = 0
        self.lost_events = 0
        self.lost_replies = 0
        self.listener = False
        self._next_frame = 1
        self._again = 0
        self._again_end = 0
        self._line = None
        self._at = 0
        self._waiting = False
        # A frame is put together here: ten a second must leave little behind.
        self._body = bytearray(wire.HEADER_SIZE + wire.FRAME_SIZE + wire.CRC_SIZE)
        self._body_payload = memoryview(self._body)[wire.HEADER_SIZE : wire.HEADER_SIZE + wire.FRAME_SIZE]
        self._body_summed = memoryview(self._body)[: wire.HEADER_SIZE + wire.FRAME_SIZE]

    def wake(self):
        """There may be something to send again: a new frame, or time to resend an event."""
        self._waiting = True

    def _frame_line(self, seq, payload):
        """Return what wire.encode would, with a quarter of its garbage."""
        body = self._body
        struct.pack_into(wire._HEADER, body, 0, wire.WIRE_VERSION, wire.FRAME, wire.FRAME_SIZE, seq)
        self._body_payload[:] = payload
        struct.pack_into("<I", body, wire.HEADER_SIZE + wire.FRAME_SIZE, wire.crc32(self._body_summed))
        return binascii.b2a_base64(body)

    def has_replied(self):
        """Return True when every reply has left the board."""
        return self._line is None and not self._replies

    def reply(self, kind, seq, payload):
        if len(self._replies) >= KEPT_REPLIES:
            self._replies.pop(0)
            self.lost_replies += 1
        self._replies.append((kind, seq, payload))
        self._waiting = True

    def event(self, payload):
        """Keep an event until it is acknowledged; return its sequence number."""
        self.newest_event += 1
        if len(self._events) >= KEPT_EVENTS:
            self._events.pop(0)
            self.lost_events += 1
        self._events.append([self.newest_event, payload, -1])
        self._waiting = True
        return self.newest_event

    def acknowledge(self, frame_seq, event_seq):
        if not self.listener:
            # Nobody has met this start of the board: it is meant for the one before, and waited on the way.
            return
        self._ring.acknowledge(frame_seq)
        while self._events and self._events[0][0] <= event_seq:
            self._events.pop(0)

    def resend_from(self, seq):
        self._again = max(seq, self._ring.oldest)
        self._again_end = self._next_frame
        self._waiting = True

    def _pick(self, t_ms):
        if self._replies:
            kind, seq, payload = self._replies.pop(0)
            return wire.encode(kind, seq, payload)
        if not self.listener:
            return None
        for entry in self._events:
            if entry[2] < 0 or t_ms - entry[2] >= RESEND_EVENT_MS:
                entry[2] = t_ms
                return wire.encode(wire.EVENT, entry[0], entry[1])
        ring = self._ring
        seq = self._next_frame
        if seq < ring.following:
            seq = max(seq, ring.oldest)
            if seq < ring.following:
                self._next_frame = seq + 1
                return self._frame_line(seq, ring.frame(seq))
            self._next_frame = seq
        if self._again < self._again_end:
            seq = max(self._again, ring.oldest)
            self._again = seq + 1
            payload = ring.frame(seq)
            if payload is not None and seq < self._again_end:
                return self._frame_line(seq, payload)
        return None

    def step(self, t_ms, budget):
        """Send at most `budget` bytes."""
        line = self._line
        if line is None:
            if not self._waiting:
                return
            line = self._pick(t_ms)
            if line is None:
                self._waiting = False
                return
            self._line = line = memoryview(line)
            self._at = 0
            # Encoding was this slot's share of the work.
            return
        at = self._at
        end = at + budget
        if end > len(line):
            end = len(line)
        at += self._port.write(line[at:end])
        if at >= len(line):
            self._line = None
        self._at = at
