"""One board at the other end: order, gaps, restarts, replug, versions."""

from __future__ import annotations

import json

import numpy as np
import pytest
from fake_board import FakeBoard, FakeClock, FakePort

from benchwarden.errors import BoardFault, FrameError, LinkError, LinkTimeout, WireVersionError
from benchwarden.link.board_client import BoardClient, challenge_of
from benchwarden.link.decoder import Received
from benchwarden.link.messages import Message
from wardenfw import wire


def met(held: tuple[int, int] | None = None) -> tuple[FakeClock, FakeBoard, BoardClient]:
    clock = FakeClock()
    board = FakeBoard(clock)
    client = BoardClient(board.port(), clock, opener=lambda: board.port("again"), held=held)
    client.hello()
    return clock, board, client


def drain(client: BoardClient, seconds: float = 0.0) -> Received:
    """Poll until nothing comes any more; return all of it as one."""
    frames: list[int] = []
    out = []
    while True:
        received = client.poll(seconds)
        if not received:
            break
        out.append(received)
        frames += received.frame_seqs.tolist()
    return Received(
        frames=out[0].frames if out else received.frames,
        frame_seqs=np.array(frames, dtype=np.uint32),
        messages=tuple(m for part in out for m in part.messages),
        lost=tuple(gap for part in out for gap in part.lost),
        bursts=tuple(b for part in out for b in part.bursts),
        boot=out[-1].boot if out else 0,
    )


def seqs(client: BoardClient, seconds: float = 0.0) -> list[int]:
    return drain(client, seconds).frame_seqs.tolist()


def test_hello_tells_who_the_board_is() -> None:
    _, board, client = met()
    hello = client.hello_facts
    assert hello is not None
    assert (hello.board, hello.boot, hello.wire, hello.state) == (board.board, 77, wire.WIRE_VERSION, "safe")
    facts = hello.facts()
    assert facts["selftest"] == {"ok": True, "parts": {}, "tested": 21}
    assert (facts["cal"], facts["cal_crc"], facts["program"]) == ("uncalibrated", "", "0123456789abcdef")


def test_a_hello_that_names_every_part_and_no_program_is_read() -> None:
    table = {
        "board": "e6", "fw": "0.1.0", "wire": wire.WIRE_VERSION, "boot": 1, "state": "safe",
        "selftest": {"ok": False, "parts": {"rail_pos": "ok", "adc": "die temperature reads 120 C"}},
    }  # fmt: skip
    hello = Message(wire.WIRE_VERSION, wire.HELLO, 0, json.dumps(table).encode()).hello()
    assert (hello.tested, hello.cal_crc, hello.program, hello.cal) == (2, "", "", "")
    assert hello.parts == {"rail_pos": "ok", "adc": "die temperature reads 120 C"}


@pytest.mark.parametrize(("theirs", "remedy"), [(1, "firmware on the board"), (3, "update this program")])
def test_another_wire_version_is_refused_naming_both(theirs: int, remedy: str) -> None:
    clock = FakeClock()
    board = FakeBoard(clock, version=theirs)
    with pytest.raises(WireVersionError, match=rf"version {theirs}.*version {wire.WIRE_VERSION}.*{remedy}"):
        BoardClient(board.port(), clock).hello()


def test_no_answer_says_what_was_heard_instead() -> None:
    clock = FakeClock()
    board = FakeBoard(clock)
    board.deaf_to.add(wire.HELLO_REQUEST)
    with pytest.raises(LinkTimeout, match="nothing was heard"):
        BoardClient(board.port(), clock).hello(2.0)
    assert len(board.asked(wire.HELLO_REQUEST)) == 4, "asks again every half second"
    port = board.port()
    board.say(b"another host holds this board\n")
    with pytest.raises(LinkTimeout, match="heard instead: another host holds this board"):
        BoardClient(port, clock).hello(2.0)


def test_a_bench_that_hangs_up_on_a_second_host_is_quoted() -> None:
    clock = FakeClock()
    board = FakeBoard(clock)
    board.deaf_to.add(wire.HELLO_REQUEST)
    port = board.port()
    board.say(b"this bench already has a host\n")
    port.hung_up = True
    with pytest.raises(LinkError, match="closed the connection; heard before that: this bench already has a host"):
        BoardClient(port, clock).hello()


def test_garbage_before_the_hello_is_passed_and_counted() -> None:
    clock = FakeClock()
    board = FakeBoard(clock)
    port = board.port()
    board.say(b"\x00\xff" * 300 + b"\nhalf a line without its end")
    board.say(b"\n")
    client = BoardClient(port, clock)
    client.hello()
    board.frames(2)
    assert seqs(client) == [1, 2]
    assert client.counts.bad_lines == 2


def test_frames_come_in_order_once_each() -> None:
    _, board, client = met()
    board.frames(3)
    assert seqs(client) == [1, 2, 3]
    board.say(wire.encode(wire.FRAME, 3, board.ring[3]))
    assert seqs(client) == []
    assert client.counts.repeats == 1


def test_poll_returns_as_soon_as_something_is_there() -> None:
    clock, board, client = met()
    drain(client)
    before_s = clock.now_s
    board.frames(1)
    assert client.poll(5.0).frame_seqs.tolist() == [1]
    assert clock.now_s == before_s, "no waiting when bytes are there"
    assert not client.poll(1.0)
    assert 1.0 <= clock.now_s - before_s < 1.3


def test_a_gap_is_asked_for_once_and_filled_in_order() -> None:
    _, board, client = met()
    board.frames(2)
    board.spoil = {3, 4, 7}
    board.frames(6)
    assert seqs(client) == [1, 2, 3, 4, 5, 6, 7, 8]
    assert [wire.unpack_u32(p) for p in board.asked(wire.RESEND)] == [3], "one ask covers both gaps"
    assert (client.counts.recovered, client.counts.lost) == (3, 0)


def test_frames_after_a_gap_wait_for_it() -> None:
    _, board, client = met()
    board.deaf_to.add(wire.RESEND)
    board.spoil = {2}
    board.frames(3)
    assert client.poll(0.1).frame_seqs.tolist() == [1]
    assert not client.poll(0.1)
    board.deaf_to.clear()
    board.frames(1)
    received = client.poll(3.0)
    assert received.frame_seqs.tolist() == [2, 3, 4]


def test_a_frame_the_board_no_longer_has_is_given_up_by_number() -> None:
    _, board, client = met()
    board.spoil = {2, 3}
    board.frames(1)
    board.frames(2)
    del board.ring[2], board.ring[3]
    board.frames(2)
    got = drain(client, 5.0)
    assert got.frame_seqs.tolist() == [1, 4, 5]
    assert got.lost == ((2, 3),)
    assert client.counts.lost == 2
    assert len(board.asked(wire.RESEND)) <= 3, "bounded"


def test_a_deaf_board_holds_frames_back_for_three_seconds_at_most() -> None:
    clock, board, client = met()
    board.deaf_to.add(wire.RESEND)
    board.spoil = {2}
    board.frames(4)
    before_s = clock.now_s
    got = drain(client, 10.0)
    assert (got.frame_seqs.tolist(), got.lost) == ([1, 3, 4], ((2, 2),))
    # The last, empty poll waits out its ten seconds.
    assert clock.now_s - before_s - 10.0 < 4.0


def test_many_frames_behind_a_gap_end_the_waiting() -> None:
    _, board, client = met()
    board.deaf_to.add(wire.RESEND)
    board.spoil = {2}
    board.frames(200)
    got = drain(client)
    assert got.lost == ((2, 2),)
    assert got.frame_seqs.tolist() == [1, *range(3, 201)]


def test_commands_say_what_the_wire_says() -> None:
    _, board, client = met()
    limits = [(0, wire.VALUE, 1, float("nan"), 2.0, 100, 0)]
    sent = [
        (
            client.send_stage(3, True, False, limits, 4.0, 5.0),
            wire.STAGE,
            wire.pack_stage(3, True, False, limits, 4, 5),
        ),
        (client.arm(), wire.ARM, b""),
        (client.go(4711), wire.GO, wire.pack_u32(4711)),
        (client.open_relay(12, "stop"), wire.OPEN, wire.pack_open(12, "stop")),
        (client.reset(), wire.RESET, b""),
        (client.ack(9, 8, 2000), wire.ACK, wire.pack_ack(9, 8, 2000)),
    ]
    assert [(kind, seq, payload) for seq, kind, payload in sent] == board.heard[1:]
    replies = [m.reply() for m in drain(client).messages if m.kind == wire.REPLY]
    assert [r.to_kind for r in replies] == [wire.STAGE, wire.ARM, wire.GO, wire.OPEN, wire.RESET]
    assert [r.to_seq for r in replies] == [seq for seq, kind, _ in sent if kind != wire.ACK]
    assert challenge_of(replies[1]) == 4711


def test_request_keeps_what_arrives_meanwhile() -> None:
    _, board, client = met()
    board.frames(2)
    board.event(text="seen")
    reply = client.request(wire.ARM)
    assert (reply.done, reply.text, reply.state_name) == (True, "4711", "safe")
    got = drain(client)
    assert got.frame_seqs.tolist() == [1, 2]
    assert [m.event().text for m in got.messages if m.kind == wire.EVENT] == ["seen"]
    board.deaf_to.add(wire.ARM)
    with pytest.raises(LinkTimeout, match="no reply to arm within 2 s"):
        client.request(wire.ARM)


def test_unplug_and_replug_loses_nothing_the_board_still_holds() -> None:
    _, board, client = met()
    board.frames(3)
    assert seqs(client) == [1, 2, 3]
    port = board.ports[-1]
    port.gone = True
    with pytest.raises(LinkError, match="gone"):
        client.poll(0.1)
    board.frames(20)
    client.reopen()
    board.frames(2)
    assert seqs(client) == list(range(4, 26))
    assert (client.counts.reopens, client.counts.reopen_attempts, client.counts.lost) == (1, 1, 0)
    assert port.closed


def test_frames_the_ring_lost_while_away_are_named_at_once() -> None:
    _, board, client = met()
    board.frames(3)
    drain(client)
    board.ports[-1].gone = True
    board.frames(300)
    client.reopen()
    got = drain(client)
    assert got.lost == ((4, 175),)
    assert got.frame_seqs.tolist() == list(range(176, 304))


def test_retries_are_bounded_counted_and_explained() -> None:
    clock = FakeClock()
    board = FakeBoard(clock)
    tries = iter([LinkError("not plugged in")] * 3 + [board.port])

    def opener() -> FakePort:
        step = next(tries)
        if isinstance(step, LinkError):
            raise step
        return step()

    client = BoardClient(board.port(), clock, opener=opener)
    client.hello()
    board.ports[-1].gone = True
    with pytest.raises(LinkError, match="not back after 2 attempts: not plugged in"):
        client.reopen(attempts=2, pause_s=0.5)
    client.reopen(attempts=2, pause_s=0.5)
    assert (client.counts.reopen_attempts, client.counts.reopens) == (4, 1)


def test_another_board_on_the_port_is_refused() -> None:
    clock = FakeClock()
    board, other = FakeBoard(clock), FakeBoard(clock, board="ffff")
    client = BoardClient(board.port(), clock, opener=other.port)
    client.hello()
    with pytest.raises(LinkError, match="board ffff answers, expected board e66138"):
        client.reopen()


def test_losing_the_port_while_asking_loses_no_frame() -> None:
    _, board, client = met()
    board.frames(1)
    board.spoil = {2}
    board.frames(3)
    board.ports[-1].fail_writes = True
    with pytest.raises(LinkError):
        drain(client)
    client.reopen()
    assert seqs(client) == [1, 2, 3, 4]


def test_a_restarted_board_begins_a_new_sequence() -> None:
    _, board, client = met()
    board.frames(5)
    assert seqs(client) == [1, 2, 3, 4, 5]
    board.ports[-1].gone = True
    board.reboot()
    client.reopen()
    board.frames(3)
    got = drain(client)
    assert (got.frame_seqs.tolist(), got.boot) == ([1, 2, 3], 78)


def test_a_restart_behind_an_unbroken_port_is_noticed() -> None:
    _, board, client = met()
    board.frames(5)
    drain(client)
    board.reboot()
    board.frames(2)
    got = drain(client, 4.0)
    assert (got.frame_seqs.tolist(), got.boot) == ([1, 2], 78)


def test_frames_held_back_at_a_restart_keep_their_boot() -> None:
    _, board, client = met()
    board.deaf_to.add(wire.RESEND)
    board.spoil = {2}
    board.frames(3)
    assert client.poll(0.0).frame_seqs.tolist() == [1]
    board.ports[-1].gone = True
    board.reboot()
    client.reopen()
    rest = client.poll(0.0)
    assert (rest.boot, rest.frame_seqs.tolist(), rest.lost) == (77, [3], ((2, 2),))


def test_a_run_taken_up_again_asks_for_what_its_record_lacks() -> None:
    clock = FakeClock()
    board = FakeBoard(clock)
    board.frames(10)
    board.listener = True
    client = BoardClient(board.port(), clock, held=(77, 4))
    client.hello()
    assert seqs(client) == [5, 6, 7, 8, 9, 10]
    stranger = BoardClient(board.port(), clock, held=(76, 4))
    stranger.hello()
    board.frames(1)
    assert seqs(stranger) == [11]


def test_events_unacknowledged_come_again_and_are_passed_on() -> None:
    _, board, client = met()
    board.event(wire.EV_TRIPPED, "over")
    board.say(wire.encode(wire.EVENT, 1, board.events[1]))
    events = [m.event() for m in drain(client).messages if m.kind == wire.EVENT]
    assert [(e.seq, e.event, e.text) for e in events] == [(1, "tripped", "over")] * 2


def burst_of(records: int) -> bytes:
    return bytes(i % 251 for i in range(records * wire.BURST_RECORD_SIZE))


def test_the_record_around_a_trip_is_fetched_while_polls_go_on() -> None:
    _, board, client = met()
    board.burst = burst_of(250)
    board.burst_ready_after = 8
    board.frames(3)
    client.fetch_burst(6)
    found = []
    for _ in range(60):
        board.frames(1)
        found += client.poll(0.1).bursts
    assert len(found) == 1
    assert (found[0].trip_seq, found[0].total, found[0].trip_index, found[0].complete) == (6, 250, 2, True)
    assert found[0].records == board.burst


def test_a_trip_record_that_never_comes_ends_the_asking() -> None:
    _, board, client = met()
    board.burst_ready_after = 1 << 30
    client.fetch_burst(6)
    found = []
    for _ in range(60):
        board.frames(1)
        found += client.poll(0.1).bursts
    assert [(b.records, b.complete) for b in found] == [(b"", False)]
    assert len(board.asked(wire.BURST_REQUEST)) <= 30
    board.deaf_to.add(wire.BURST_REQUEST)
    client.fetch_burst(7)
    assert [b.trip_seq for b in drain(client, 20.0).bursts] == [7]


def test_a_version_that_changes_under_way_is_refused() -> None:
    _, board, client = met()
    board.version = wire.WIRE_VERSION + 1
    board.event(text="new firmware")
    with pytest.raises(WireVersionError, match=rf"version {wire.WIRE_VERSION + 1}.*version {wire.WIRE_VERSION}"):
        client.poll(0.1)


def test_what_a_board_says_of_itself_comes_whole_and_loses_no_frame() -> None:
    _, board, client = met()
    long = json.dumps({"ok": True, "parts": {f"part {i}": "ok" for i in range(120)}}).encode()
    assert len(long) > 2 * wire.INFO_DATA
    board.infos = {wire.SELFTEST_INFO: [long], wire.CALIBRATION_INFO: [b""]}
    board.frames(3)
    assert client.info(wire.SELFTEST_INFO) == long
    assert client.info(wire.CALIBRATION_INFO) == b"", "no record in force"
    assert seqs(client) == [1, 2, 3]


def test_info_that_changes_while_it_is_fetched_is_fetched_anew() -> None:
    _, board, client = met()
    short, long = b"a" * (wire.INFO_DATA + 1), b"b" * (2 * wire.INFO_DATA + 1)
    board.infos = {wire.PROGRAM_INFO: [short, long]}
    assert client.info(wire.PROGRAM_INFO) == long


def test_info_that_is_refused_or_missing_is_named() -> None:
    _, board, client = met()
    board.refusals[wire.INFO_REQUEST] = (wire.R_NOT_STORED, "no listing")
    with pytest.raises(BoardFault, match="program: nothing stored under that number: no listing"):
        client.info(wire.PROGRAM_INFO)
    board.deaf_to.add(wire.INFO_REQUEST)
    with pytest.raises(LinkTimeout, match="nothing about its calibration within 1 s"):
        client.info(wire.CALIBRATION_INFO, 1.0)
    board.say(wire.encode(wire.INFO, 1, b"\x00"))
    with pytest.raises(FrameError, match="info of 1 bytes"):
        client.info(wire.SELFTEST_INFO)


def test_a_calibration_is_answered_in_words() -> None:
    _, board, client = met()
    record = wire.pack_calibration(board.board, 9825, 365, 1, "meter", [(0, 2, 255, 1.01, 0.0, 1.0, 1e-3, 1e-4)])
    assert client.write_calibration(record).done
    board.refusals[wire.CAL_WRITE] = (wire.R_CALIBRATION, "rail_pos_a: gain 3.000")
    reply = client.write_calibration(record)
    assert (reply.done, reply.why) == (False, "calibration cannot be right: rail_pos_a: gain 3.000")
    assert board.asked(wire.CAL_WRITE) == [record, record]


def test_self_test_and_stall_reach_the_board() -> None:
    _, board, client = met()
    assert client.self_test().done
    client.stall(500)
    assert board.asked(wire.STALL) == [wire.pack_u32(500)]
    board.deaf_to.add(wire.SELF_TEST)
    with pytest.raises(LinkTimeout, match="self-test"):
        client.self_test()
