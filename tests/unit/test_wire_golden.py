"""The wire does not change by accident: lines as version 2 has always spelled them.

The container is checked here with the standard library alone (RFC 4648 base64,
CRC-32/ISO-HDLC from zlib), not with the code under test.
"""

from __future__ import annotations

import base64
import json
import struct
import zlib
from pathlib import Path

import pytest

from wardenfw import wire

LINES: dict[str, str] = json.loads((Path(__file__).parents[1] / "data" / "wire_version_2.json").read_text())
KINDS = {name: kind for kind, name in wire.KIND_NAMES.items()}


@pytest.mark.parametrize("name", LINES)
def test_container_by_the_standard_library(name: str) -> None:
    body = base64.b64decode(LINES[name], validate=True)
    version, kind, length, _ = struct.unpack("<BBHI", body[:8])
    assert (version, kind, length) == (2, KINDS[name], len(body) - 12)
    assert struct.unpack("<I", body[-4:])[0] == zlib.crc32(body[:-4])
    # Source: the CRC of a message followed by its CRC is this constant.
    assert zlib.crc32(body) == 0x2144DF1C


@pytest.mark.parametrize("name", LINES)
def test_line_reads_and_spells_as_ever(name: str) -> None:
    version, kind, seq, payload = wire.decode(LINES[name].encode())
    assert wire.encode(kind, seq, payload, version) == LINES[name].encode() + b"\n"


def test_payloads_mean_what_they_meant() -> None:
    def payload(name: str) -> bytes:
        found: bytes = wire.decode(LINES[name].encode())[3]
        return found

    assert wire.unpack_event(payload("event")) == (500, 5, 1, 0, 4, 3, 2.5, 1.0, "alert line")
    assert wire.unpack_reply(payload("reply")) == (9, 19, 0, 1, "1804289383")
    assert wire.unpack_ack(payload("ack")) == (7, 2, 3000)
    assert wire.unpack_u32(payload("go")) == 1804289383
    assert wire.unpack_open(payload("open")) == (12, "by hand")
    assert wire.unpack_burst_request(payload("burst request")) == (2, 12)
    stage_id, limiter_in, drive_on, limits, pos_a, neg_a = wire.unpack_stage(payload("stage"))
    assert (stage_id, limiter_in, drive_on, pos_a, neg_a) == (3, True, False, 0.75, 0.75)
    assert limits[0] == (0, 0, 1, -1.0, 1.5, 300, 0)
    frame = struct.unpack(wire.FRAME_FORMAT, payload("frame"))
    assert frame[:7] == (123456, 12345, 3, 0x1FFF, 0, 3, 11)
    assert frame[7:] == tuple(i * 0.5 for i in range(39))
    assert wire.unpack_info_request(payload("info request")) == (1, 0)
    assert wire.unpack_info(payload("info")) == (2, 0, 1, b'{"files": 3}')
    board, day, due_days, number, reference, entries = wire.unpack_calibration(payload("calibration"))
    assert (board, day, due_days, number, reference) == ("e66138528361bb32", 9460, 365, 2, "bench meter 7")
    assert entries == [(0, 5, 3, 1.25, -0.5, 2.0, 0.125, 0.25), (8, 2, 255, 1.0, 0.5, 40.0, 0.0625, 0.0)]
