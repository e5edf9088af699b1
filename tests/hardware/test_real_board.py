"""A real board on its bench, relay open throughout: pytest tests/hardware --port PORT.

Nothing here arms or closes; mains does not have to be connected.
"""

from __future__ import annotations

import itertools

import pytest

from benchwarden.core.clock import SystemClock
from benchwarden.errors import LinkError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.serial_port import open_port
from wardenfw import wire

pytestmark = pytest.mark.hardware


@pytest.fixture
def client(request: pytest.FixtureRequest):  # type: ignore[no-untyped-def]
    client = BoardClient(open_port(request.config.getoption("--port")), SystemClock())
    yield client
    client.close()


def test_board_says_who_it_is(client: BoardClient) -> None:
    hello = client.hello()
    assert hello.wire == wire.WIRE_VERSION
    assert hello.state in ("safe", "tripped")
    assert not hello.board.startswith("virtual")
    assert hello.selftest_ok, hello.parts


def test_frames_come_ten_times_a_second_and_none_is_lost(client: BoardClient) -> None:
    client.hello()
    times: list[int] = []
    scans: list[int] = []
    while len(times) < 100:
        received = client.poll(1.0)
        assert received.lost == ()
        times += received.frames["t_ms"].tolist()
        scans += received.frames["scan"].tolist()
        if received.frames.size:
            client.ack(int(received.frame_seqs[-1]), 0, 0)
    steps = [b - a for a, b in itertools.pairwise(times)]
    assert all(98 <= step <= 102 for step in steps), steps
    assert all(b - a == 10 for a, b in itertools.pairwise(scans))


def test_stage_without_its_limits_is_refused(client: BoardClient) -> None:
    client.hello()
    reply = client.request(wire.STAGE, wire.pack_stage(1, True, False, [], 1.0, 1.0))
    assert reply.refusal == wire.R_MISSING_LIMIT


def test_nothing_closes_without_a_stage(client: BoardClient) -> None:
    client.hello()
    assert client.request(wire.GO, wire.pack_u32(1)).refusal != wire.DONE


def test_second_opener_is_told_who_holds_the_port(client: BoardClient, request: pytest.FixtureRequest) -> None:
    with pytest.raises(LinkError, match="held by another program"):
        open_port(request.config.getoption("--port"))
