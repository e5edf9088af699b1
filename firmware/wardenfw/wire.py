"""Frames and messages between board and host; the host imports this same file.

One message per line: base64 of header, payload and CRC-32, newline ended.
The header is `<BBHI`: wire version, kind, payload length, sequence number. Its
layout never changes, so that a board of any version can be refused by name.
All numbers are little-endian, all quantities SI, a missing value is NaN.

Source: CRC-32/ISO-HDLC (reflected 0x04C11DB7) detects every error burst of up
to 32 bits; base64 is RFC 4648 section 4.
"""

import binascii
import struct

WIRE_VERSION = 2

CHANNELS = (
    "rail_pos_a",
    "rail_neg_a",
    "rail_pos_v",
    "rail_neg_v",
    "offset_left_v",
    "offset_right_v",
    "bias_left_v",
    "bias_right_v",
    "sink_left_c",
    "sink_right_c",
    "ambient_c",
    "hf_left_v",
    "hf_right_v",
)
N_CHANNELS = len(CHANNELS)
NO_CHANNEL = 255

# Bits of the digital byte in frames and burst records.
BIT_NAMES = ("mains_on", "limiter_in", "drive_on")
MAINS_ON = 1  # mirror contact of the mains relay reads open: the mains contact may be closed
LIMITER_IN = 2  # limiter bypass relay is open
DRIVE_ON = 4  # the present stage says the test signal is applied
COIL_ON = 8  # the board is holding the mains relay in
ESTOP_OK = 16  # emergency stop loop is closed
ALERT_OK = 32  # no rail monitor pulls the alert line
BUTTON = 64  # go/stop button is pressed
LATCH_SET = 128  # the hardware's alert latch holds the pulses back

# Index is the number on the wire; 0 means no cause.
CAUSES = (
    "none",
    "over-current",
    "dc-offset",
    "over-temperature",
    "thermal-runaway",
    "oscillation",
    "rail-imbalance",
    "rail-missing",
    "bias-unstable",
    "sensor-fault",
    "relay-fault",
    "host-silent",
    "operator",
)

# Board states. SAFE: relay open, no stage armed. ARMED: relay open, stage
# accepted, waiting for a person. CLOSING: coil driven, contact not yet read
# back. CLOSED: supervised. TRIPPED: relay open, cause latched until a person
# resets it. FAULT: self-test or contact says the board cannot be trusted.
STATES = ("safe", "armed", "closing", "closed", "tripped", "fault")
SAFE, ARMED, CLOSING, CLOSED, TRIPPED, FAULT = range(6)

# Board to host.
HELLO, FRAME, EVENT, REPLY, BURST, INFO = 1, 2, 3, 4, 5, 6
# Host to board. ACK renews the lease; GO needs the challenge of the last ARM.
HELLO_REQUEST, ACK, STAGE, ARM, GO, OPEN, RESET, RESEND, BURST_REQUEST = 16, 17, 18, 19, 20, 21, 22, 23, 24
# With the relay open only: store a calibration, test everything anew. STALL
# stops the scan while a commissioning stage is closed, to prove the dead man.
INFO_REQUEST, CAL_WRITE, SELF_TEST, STALL = 25, 26, 27, 28
KIND_NAMES = {
    HELLO: "hello",
    FRAME: "frame",
    EVENT: "event",
    REPLY: "reply",
    BURST: "burst",
    INFO: "info",
    HELLO_REQUEST: "hello request",
    ACK: "ack",
    STAGE: "stage",
    ARM: "arm",
    GO: "go",
    OPEN: "open",
    RESET: "reset",
    RESEND: "resend",
    BURST_REQUEST: "burst request",
    INFO_REQUEST: "info request",
    CAL_WRITE: "calibration",
    SELF_TEST: "self-test",
    STALL: "stall",
}

# What an INFO is about. SELFTEST and PROGRAM are JSON, CALIBRATION is the
# record in force as `pack_calibration` made it, empty when there is none.
INFO_TOPICS = ("selftest", "calibration", "program")
SELFTEST_INFO, CALIBRATION_INFO, PROGRAM_INFO = range(3)
# The stage id under which STALL is obeyed; no plan uses it.
COMMISSION_STAGE = 65000

# What an EVENT tells. Index is the number on the wire.
EVENTS = (
    "boot",
    "stage-loaded",
    "armed",
    "closed",
    "opened",
    "tripped",
    "reset",
    "note",
    "sensor",
    "disarmed",
)
EV_BOOT, EV_STAGE, EV_ARMED, EV_CLOSED, EV_OPENED, EV_TRIPPED, EV_RESET, EV_NOTE, EV_SENSOR, EV_DISARMED = range(10)

# Why the board refuses a command. Index is the number on the wire; 0 is done.
REFUSALS = (
    "done",
    "not allowed in this board state",
    "limit outside the board's hard ceiling",
    "stage lacks a limit the board insists on",
    "malformed message",
    "challenge does not match or has expired",
    "emergency stop is open",
    "a sensor is faulty",
    "relay contact disagrees",
    "readings are outside the new stage's limits",
    "alert line is asserted",
    "nothing stored under that number",
    "calibration cannot be right",
    "flash does not hold what was written",
)
(
    DONE,
    R_STATE,
    R_CEILING,
    R_MISSING_LIMIT,
    R_MALFORMED,
    R_CHALLENGE,
    R_ESTOP,
    R_SENSOR,
    R_CONTACT,
    R_READINGS,
    R_ALERT,
    R_NOT_STORED,
    R_CALIBRATION,
    R_FLASH,
) = range(14)

_HEADER = "<BBHI"
HEADER_SIZE = struct.calcsize(_HEADER)
CRC_SIZE = 4
MAX_PAYLOAD = 800
MAX_LINE = (HEADER_SIZE + MAX_PAYLOAD + CRC_SIZE + 2) // 3 * 4 + 1

# t_ms, scan index, stage id, mask of valid channels, overruns since boot,
# board state, digital bits, then mean, minimum and maximum of every channel
# since the last frame. t_ms is the time of the last scan in the frame,
# milliseconds since boot, wrapping only after 49 days.
FRAME_FORMAT = "<IIHHHBB" + "f" * (3 * N_CHANNELS)
FRAME_SIZE = struct.calcsize(FRAME_FORMAT)
FRAME_HEAD = "<IIHHHBB"
FRAME_HEAD_SIZE = struct.calcsize(FRAME_HEAD)

# Full-rate record around a trip: t_ms, digital bits, three spare bytes, one
# sample of every channel.
BURST_RECORD = "<IBxxx" + "f" * N_CHANNELS
BURST_RECORD_SIZE = struct.calcsize(BURST_RECORD)
BURST_RECORDS_PER_CHUNK = 12
_BURST_HEAD = "<IHHHH"  # trip event seq, first record, records here, records in all, index of trip

_EVENT = "<IBBBBHHff"  # t_ms, event, cause, channel, state, stage id, 0, value, limit; text follows
_REPLY = "<IBBB"  # seq and kind answered, refusal, state; text follows
_ACK = "<IIH"  # newest frame and event held on disk, lease to renew in ms (0: none)
_STAGE = "<HBBHHff"  # stage id, bits wanted, n limits, min bits, 0, alert amperes pos, neg
_LIMIT = "<BBBBffHH"
LIMIT_SIZE = struct.calcsize(_LIMIT)
_INFO = "<BBBx"  # topic, part, parts; data follows
INFO_DATA = 700
# format, entries, day of calibration since 2000-01-01, days until due, number
# of this record, board id, reference in words
_CAL_HEAD = "<BBHHI24s60s"
# channel, points, degrees of freedom (255: that many or more), spare; gain,
# offset, centre, u_a, u_b
_CAL_ENTRY = "<BBBxfffff"
CAL_FORMAT = 1
CAL_EPOCH = "2000-01-01"
MAX_LIMITS = 40

# Kinds of limit. VALUE: the sample itself, outside for at least for_ms.
# RATE: slope over window_ms, per second. SPREAD: sample minus the mean of the
# last window_ms, for jumps.
VALUE, RATE, SPREAD = 0, 1, 2
LIMIT_KINDS = ("value", "rate", "spread")

# Outermost limit the board will accept, whatever a host asks for: |low|,|high|
# per channel, in CHANNELS order. Source: the ranges of the sense modules in
# hardware/ (amperes, volts, degrees Celsius); a wider limit could never trip.
CEILINGS = (15.0, 15.0, 85.0, 85.0, 85.0, 85.0, 0.25, 0.25, 110.0, 110.0, 70.0, 40.0, 40.0)
# Every stage must bound these from above (rail_neg_v from below), or it is refused.
MUST_LIMIT = (
    "rail_pos_a",
    "rail_neg_a",
    "rail_pos_v",
    "rail_neg_v",
    "offset_left_v",
    "offset_right_v",
    "bias_left_v",
    "bias_right_v",
    "sink_left_c",
    "sink_right_c",
)
MAX_LEASE_MS = 10_000
MIN_LEASE_MS = 500
MAX_FOR_MS = 10_000
CHALLENGE_MS = 30_000


class WireError(ValueError):
    """A line that is not a whole, intact message."""


def crc32(data):
    return binascii.crc32(data) & 0xFFFFFFFF


def encode(kind, seq, payload=b"", version=WIRE_VERSION):
    """Return one wire line, newline included."""
    body = struct.pack(_HEADER, version, kind, len(payload), seq) + payload
    return binascii.b2a_base64(body + struct.pack("<I", crc32(body)))


def decode(line):
    """Return (version, kind, seq, payload) of one line without its newline.

    Raises WireError for anything that is not exactly what `encode` makes:
    wrong alphabet, wrong length, wrong CRC, or a spelling of the same bytes
    that `encode` would not have chosen.
    """
    n = len(line)
    if n < 16 or n & 3 or n >= MAX_LINE:
        raise WireError("length")
    try:
        body = binascii.a2b_base64(line)
    except ValueError:
        raise WireError("base64")
    # Lenient decoders skip foreign characters and ignore spare bits; encoding
    # again is C code on both ends and leaves no such room.
    if binascii.b2a_base64(body)[:-1] != line:
        raise WireError("base64")
    size = len(body) - CRC_SIZE
    if size < HEADER_SIZE:
        raise WireError("length")
    if struct.unpack_from("<I", body, size)[0] != crc32(body[:size]):
        raise WireError("crc")
    version, kind, length, seq = struct.unpack_from(_HEADER, body, 0)
    if length != size - HEADER_SIZE:
        raise WireError("length")
    return version, kind, seq, body[HEADER_SIZE:size]


def _text(data):
    # MicroPython's bytes.decode has no errors argument; the CRC already
    # vouches for what the other end wrote.
    return str(data, "utf-8")


def _clip(text, room=120):
    # Cutting bytes may split a character; drop the torn one.
    data = text.encode()[:room]
    while data:
        try:
            str(data, "utf-8")
            return data
        except UnicodeError:
            data = data[:-1]
    return data


def pack_event(t_ms, event, cause=0, channel=NO_CHANNEL, state=SAFE, stage_id=0, value=0.0, limit=0.0, text=""):
    return struct.pack(_EVENT, t_ms, event, cause, channel, state, stage_id, 0, value, limit) + _clip(text)


def unpack_event(payload):
    """Return (t_ms, event, cause, channel, state, stage_id, value, limit, text)."""
    t_ms, event, cause, channel, state, stage_id, _, value, limit = struct.unpack_from(_EVENT, payload, 0)
    return t_ms, event, cause, channel, state, stage_id, value, limit, _text(payload[struct.calcsize(_EVENT) :])


def pack_reply(to_seq, to_kind, refusal, state, text=""):
    return struct.pack(_REPLY, to_seq, to_kind, refusal, state) + _clip(text)


def unpack_reply(payload):
    """Return (to_seq, to_kind, refusal, state, text)."""
    to_seq, to_kind, refusal, state = struct.unpack_from(_REPLY, payload, 0)
    return to_seq, to_kind, refusal, state, _text(payload[struct.calcsize(_REPLY) :])


def pack_ack(frame_seq, event_seq, lease_ms):
    return struct.pack(_ACK, frame_seq, event_seq, lease_ms)


def unpack_ack(payload):
    """Return (newest durable frame seq, newest durable event seq, lease_ms)."""
    return struct.unpack(_ACK, payload)


def pack_stage(stage_id, limiter_in, drive_on, limits, alert_pos_a, alert_neg_a):
    """Return a STAGE payload.

    Args:
        limits: sequence of (channel, kind, cause, low, high, for_ms, window_ms)
            with numbers as on the wire; NaN leaves a side unbounded.
        alert_pos_a, alert_neg_a: rail current at which the monitors pull the
            alert line, amperes.
    """
    bits = (LIMITER_IN if limiter_in else 0) | (DRIVE_ON if drive_on else 0)
    out = bytearray(struct.calcsize(_STAGE) + LIMIT_SIZE * len(limits))
    struct.pack_into(_STAGE, out, 0, stage_id, bits, len(limits), 0, 0, alert_pos_a, alert_neg_a)
    at = struct.calcsize(_STAGE)
    for channel, kind, cause, low, high, for_ms, window_ms in limits:
        struct.pack_into(_LIMIT, out, at, channel, kind, cause, 0, low, high, for_ms, window_ms)
        at += LIMIT_SIZE
    return bytes(out)


def unpack_stage(payload):
    """Return (stage_id, limiter_in, drive_on, limits, alert_pos_a, alert_neg_a)."""
    head = struct.calcsize(_STAGE)
    if len(payload) < head:
        raise WireError("length")
    stage_id, bits, count, _, _, alert_pos_a, alert_neg_a = struct.unpack_from(_STAGE, payload, 0)
    if len(payload) != head + LIMIT_SIZE * count:
        raise WireError("length")
    limits = []
    for i in range(count):
        channel, kind, cause, _, low, high, for_ms, window_ms = struct.unpack_from(
            _LIMIT, payload, head + LIMIT_SIZE * i
        )
        limits.append((channel, kind, cause, low, high, for_ms, window_ms))
    return stage_id, bool(bits & LIMITER_IN), bool(bits & DRIVE_ON), limits, alert_pos_a, alert_neg_a


def pack_u32(value):
    """Payload of GO (challenge), RESEND (first frame seq)."""
    return struct.pack("<I", value)


def unpack_u32(payload):
    return struct.unpack("<I", payload)[0]


def pack_open(cause, text=""):
    """Payload of OPEN: the host's cause and why, in words."""
    return bytes((cause,)) + _clip(text)


def unpack_open(payload):
    return payload[0], _text(payload[1:])


def pack_burst_request(trip_seq, first):
    return struct.pack("<IH", trip_seq, first)


def unpack_burst_request(payload):
    return struct.unpack("<IH", payload)


def pack_burst(trip_seq, first, total, trip_index, records):
    """Payload of BURST; `records` is whole BURST_RECORDs, oldest first."""
    count = len(records) // BURST_RECORD_SIZE
    return struct.pack(_BURST_HEAD, trip_seq, first, count, total, trip_index) + records


def unpack_burst(payload):
    """Return (trip_seq, first, count, total, trip_index, records as bytes)."""
    head = struct.calcsize(_BURST_HEAD)
    trip_seq, first, count, total, trip_index = struct.unpack_from(_BURST_HEAD, payload, 0)
    if len(payload) != head + count * BURST_RECORD_SIZE:
        raise WireError("length")
    return trip_seq, first, count, total, trip_index, payload[head:]


def pack_info(topic, part, parts, data):
    """Return an INFO payload: one of `parts` pieces, at most INFO_DATA bytes each."""
    return struct.pack(_INFO, topic, part, parts) + data


def unpack_info(payload):
    """Return (topic, part, parts, data)."""
    topic, part, parts = struct.unpack_from(_INFO, payload, 0)
    return topic, part, parts, payload[struct.calcsize(_INFO) :]


def pack_info_request(topic, part):
    return bytes((topic, part))


def unpack_info_request(payload):
    """Return (topic, part)."""
    if len(payload) != 2:
        raise WireError("length")
    return payload[0], payload[1]


def pack_calibration(board, day, due_days, number, reference, entries):
    """Return a calibration record: payload of CAL_WRITE, what flash holds, what INFO hands out.

    A reading r in SI, as an uncalibrated board gives it, becomes
    gain * r + offset. The standard uncertainty of a corrected value v is
    sqrt(u_a^2 + (u_b * (v - centre))^2), before noise and drift.

    Args:
        board: id of the board it belongs to, at most 24 bytes.
        day: date of the calibration, days since 2000-01-01.
        due_days: days after that until the next one is due.
        number: counts the records of this board; the board keeps the higher one.
        reference: what it was compared with, at most 60 bytes.
        entries: sequence of (channel, points, degrees of freedom, gain, offset, centre, u_a, u_b).
    """
    out = struct.pack(
        _CAL_HEAD, CAL_FORMAT, len(entries), day, due_days, number, _clip(board, 24), _clip(reference, 60)
    )
    for entry in entries:
        out += struct.pack(_CAL_ENTRY, *entry)
    return out + struct.pack("<I", crc32(out))


def unpack_calibration(record):
    """Return (board, day, due_days, number, reference, entries) of a whole, intact record.

    Raises WireError for anything else.
    """
    head, size = struct.calcsize(_CAL_HEAD), struct.calcsize(_CAL_ENTRY)
    if len(record) < head + CRC_SIZE:
        raise WireError("length")
    form, count, day, due_days, number, board, reference = struct.unpack_from(_CAL_HEAD, record, 0)
    end = head + size * count
    if len(record) != end + CRC_SIZE:
        raise WireError("length")
    if struct.unpack_from("<I", record, end)[0] != crc32(record[:end]):
        raise WireError("crc")
    if form != CAL_FORMAT:
        raise WireError("format")
    entries = [struct.unpack_from(_CAL_ENTRY, record, head + size * i) for i in range(count)]
    return _text(board.rstrip(b"\0")), day, due_days, number, _text(reference.rstrip(b"\0")), entries
