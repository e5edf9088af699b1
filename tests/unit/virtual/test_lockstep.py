"""When virtual time waits for the host, and what ends the wait; the rules by themselves."""

from __future__ import annotations

from benchwarden.virtual.lockstep import (
    ERRAND_US,
    FREE_US,
    LONGEST_ERRAND_US,
    QUIET_US,
    HostLines,
    Lockstep,
    OutgoingFrames,
    peek,
)
from wardenfw import wire


def frame(seq: int) -> bytes:
    return wire.encode(wire.FRAME, seq, bytes(wire.FRAME_SIZE))


def ack(seq: int) -> bytes:
    return wire.encode(wire.ACK, seq, wire.pack_ack(seq, 0, 1000))


def paused(*seqs: int) -> tuple[Lockstep, HostLines]:
    """A lockstep that has come to its pause after these frames."""
    lockstep, lines = Lockstep(2), HostLines()
    lockstep.release(0)
    for seq in seqs:
        lockstep.frames.take(frame(seq))
    lockstep.pause()
    return lockstep, lines


def test_frames_are_counted_however_the_bytes_are_cut() -> None:
    stream = frame(1) + wire.encode(wire.EVENT, 1, wire.pack_event(5, 1)) + frame(2) + frame(1) + frame(3)
    for piece in (1, 7, 32, len(stream)):
        frames = OutgoingFrames()
        for at in range(0, len(stream), piece):
            frames.take(stream[at : at + piece])
        assert (frames.newest, frames.fresh) == (3, 3), "a frame sent again is not fresh"


def test_a_hello_begins_the_count_anew() -> None:
    frames = OutgoingFrames()
    frames.take(frame(50) + wire.encode(wire.HELLO, 0, b"{}") + frame(1))
    assert frames.newest == 1


def test_time_waits_after_every_second_frame() -> None:
    lockstep = Lockstep(2)
    lockstep.release(0)
    lockstep.frames.take(frame(1))
    assert not lockstep.must_pause(QUIET_US - 1)
    lockstep.frames.take(frame(2))
    assert lockstep.must_pause(QUIET_US - 1)


def test_only_an_acknowledgement_of_the_newest_ends_the_wait() -> None:
    lockstep, lines = paused(1, 2)
    lines.take(ack(1))
    assert lockstep.ends_pause(lines.waiting) == 0
    lines.take(b"noise\n" + wire.encode(wire.ARM, 2) + ack(2) + ack(2))
    # The old acknowledgement, the noise, the command and the one that counts; the rest is for the next pause.
    assert lockstep.ends_pause(lines.waiting) == 4
    assert lines.give(4).endswith(ack(2))
    assert len(lines.waiting) == 1


def test_without_frames_any_message_ends_the_wait_and_noise_does_not() -> None:
    lockstep, lines = paused()
    lines.take(b"noise\n")
    assert lockstep.ends_pause(lines.waiting) == 0
    lines.take(wire.encode(wire.HELLO_REQUEST, 1) + wire.encode(wire.HELLO_REQUEST, 2))
    assert lockstep.ends_pause(lines.waiting) == 2


def test_a_lone_command_gets_an_errand_and_the_wait_goes_on_with_its_target() -> None:
    lockstep, lines = paused(1, 2)
    lines.take(ack(1) + wire.encode(wire.STAGE, 2))
    assert lockstep.errand(lines.waiting, 1000) == 2
    lockstep.frames.take(frame(3) + wire.encode(wire.REPLY, 2, b"answer"))
    assert not lockstep.must_pause(1000 + ERRAND_US - 1)
    assert lockstep.must_pause(1000 + ERRAND_US)
    lockstep.pause()
    lines.forget()
    lines.take(ack(2))
    assert lockstep.ends_pause(lines.waiting) == 1, "frame 3 came during the errand and was not asked for"
    lockstep.release(2000)
    assert lockstep.errand([], 0) == 0


def test_an_errand_goes_on_until_it_is_answered_but_not_for_ever() -> None:
    lockstep, lines = paused(1, 2)
    lines.take(wire.encode(wire.SELF_TEST, 2))
    assert lockstep.errand(lines.waiting, 1000) == 1
    lockstep.frames.take(frame(3) + frame(4))
    assert not lockstep.must_pause(1000 + LONGEST_ERRAND_US - 1)
    assert lockstep.must_pause(1000 + LONGEST_ERRAND_US)
    lockstep.frames.take(wire.encode(wire.INFO, 2, b"answer"))
    assert lockstep.must_pause(1000 + 2 * ERRAND_US)


def test_silence_lets_time_go_for_a_while() -> None:
    lockstep, _ = paused(1, 2)
    lockstep.go_free(0)
    lockstep.frames.take(frame(3) + frame(4))
    assert not lockstep.must_pause(FREE_US - 1)
    assert lockstep.must_pause(FREE_US)
    lockstep.go_free(0)
    lockstep.host_is_back()
    assert lockstep.must_pause(QUIET_US)


def test_a_line_that_never_ends_does_not_grow_for_ever() -> None:
    lines = HostLines()
    lines.take(b"x" * 100_000)
    assert len(lines.waiting) == 1
    assert peek(lines.waiting[0].data).kind == 0
