"""The link and the journal against the real firmware code, on both kinds of port of the virtual bench."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest

from benchwarden.core.clock import SystemClock
from benchwarden.errors import LinkError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.serial_port import open_port, port_finder
from benchwarden.record.journal import Journal
from benchwarden.record.journal_reader import JournalReader
from benchwarden.virtual.hands import Hands
from wardenfw import wire

pytestmark = [
    pytest.mark.bench,
    # The bench is another process and its line a real one; a stuck one must not hold up the rest.
    pytest.mark.timeout(60),
]

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")


@dataclass
class Bench:
    port: str
    hands: str


@pytest.fixture(
    params=[pytest.param(["--pty"], id="pty", marks=posix_only), pytest.param(["--socket", "0"], id="socket")]
)
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    command = [sys.executable, "-m", "benchwarden", "virtual", "--speed", "100", "--seed", "1", *request.param]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        told = json.loads(process.stdout.readline())
        yield Bench(told["port"], told["hands"])
        process.terminate()


def pump(client: BoardClient, journal: Journal, until: Callable[[], bool]) -> None:
    while not until():
        received = client.poll(0.5)
        journal.append_frames(received.boot, received.frame_seqs, received.frames)
        for message in received.messages:
            if message.kind == wire.EVENT:
                journal.append_event(received.boot, message.seq, message.payload)
        journal.commit()
        client.ack(journal.durable_frame(received.boot), journal.durable_event(received.boot), 2000)


def test_frames_and_events_reach_the_journal_over_a_pulled_cable(bench: Bench, tmp_path: Path) -> None:
    opener = port_finder(bench.port)
    client = BoardClient(opener(), SystemClock(), opener)
    first = client.hello()
    with Hands(bench.hands) as hands, Journal.create(tmp_path / "run", {}) as journal:
        pump(client, journal, lambda: journal.durable_frame(first.boot) >= 40)
        hands.act("unplug")
        with pytest.raises(LinkError):
            pump(client, journal, lambda: False)
        hands.act("plug")
        second = client.reopen(attempts=20, pause_s=0.2)
        assert second.board == first.board
        assert second.boot != first.boot, "the board lives on the cable"
        journal.expect_restart(3.0)
        pump(client, journal, lambda: journal.durable_frame(second.boot) >= 40)
    assert client.counts.lost == 0
    with JournalReader(tmp_path / "run") as reader:
        assert reader.gaps() == []
        _, boots, all_seqs, _ = reader.frames()
        for boot in (first.boot, second.boot):
            seqs = all_seqs[boots == boot].tolist()
            assert seqs == list(range(seqs[0], seqs[0] + len(seqs)))
            assert len(seqs) >= 40
        events = [wire.unpack_event(e.payload)[1] for e in reader.events()]
        assert events == [wire.EV_BOOT, wire.EV_BOOT]
        t_s = [t for block in reader.blocks() for t in block.t_s.tolist()]
        steps = sorted(b - a for a, b in pairwise(t_s))
    assert steps[-1] == pytest.approx(3.0)
    assert steps[0] > 0.05
    assert steps[-2] < 0.15
    client.close()


def hello_as_second(port: str) -> None:
    second = BoardClient(open_port(port), SystemClock())
    try:
        second.hello(2.0)
    finally:
        second.close()


def test_a_command_is_answered_and_a_second_host_is_told(bench: Bench) -> None:
    client = BoardClient(open_port(bench.port), SystemClock())
    client.hello()
    reply = client.request(wire.ARM, timeout_s=10.0)
    assert not reply.done
    assert reply.why
    with pytest.raises(LinkError, match=r"held by another program|heard (instead|before that)"):
        hello_as_second(bench.port)
    client.close()
