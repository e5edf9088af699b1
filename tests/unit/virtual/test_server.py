"""The virtual bench as a process serves it: the same run twice, one host at a time, knobs, plugs and silence."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time

import pytest
from scripted_host import ScriptedHost, close_relay, hands_of, served, wide_stage

from benchwarden.errors import LinkError, PlanError
from benchwarden.virtual.line_end import BUSY
from benchwarden.virtual.server import FaultSpec, parse_fault
from wardenfw import wire

pytestmark = pytest.mark.bench


def played(seed: int, kind: str, slow_frames: tuple[int, ...] = ()) -> tuple[bytes, dict[str, object]]:
    """One run with acts, a closing and an opening; returns every byte the host got, and the truth at the end."""
    with served(FaultSpec("bias-high", 0.3, 5.0), seed=seed, kind=kind) as (ready, _), hands_of(ready) as hands:
        host = ScriptedHost(ready["port"])

        def dawdle(_: ScriptedHost) -> None:
            # Wall time that passes here must not show in the run; much less than an errand waits.
            time.sleep(0.03)

        host.greet()
        script = {
            6: close_relay,
            8: lambda _: hands.variac(40),
            20: lambda _: hands.pot("left", 9.0),
            30: lambda _: hands.variac(100),
            60: lambda h: h.send(wire.OPEN, wire.pack_open(0, "end of test")),
        }
        for number in slow_frames:
            act = script.get(number, dawdle)
            script[number] = lambda h, act=act: (dawdle(h), act(h), dawdle(h))
        host.run(host.frames_held(80), script)
        # Still inside a pause: nothing moves while this is asked.
        truth = hands.state()
        host.close()
    return bytes(host.got), truth


def test_same_seed_same_acts_same_bytes() -> None:
    first, truth = played(7, "pty")
    again, truth_again = played(7, "pty", slow_frames=(6, 7, 8, 20, 25, 60))
    assert first.count(b"\n") > 80
    assert first == again
    assert truth == truth_again
    other, _ = played(8, "pty")
    assert other != first


def test_socket_and_pseudo_terminal_carry_the_same_run() -> None:
    assert played(7, "socket")[0] == played(7, "pty")[0]


def test_the_board_says_that_it_is_virtual() -> None:
    with served() as (ready, _):
        host = ScriptedHost(ready["port"])
        host.greet()
        host.run(host.frames_held(1))
        host.close()
    assert ready["virtual"] is True
    facts = json.loads(host.hello)
    assert facts["board"].startswith("virtual-")
    assert facts["mpy"].startswith("cpython-"), "the hello names what really runs the firmware"
    assert facts["selftest"]["ok"] is True


def test_a_second_program_is_told_so() -> None:
    with served(kind="socket") as (ready, _):
        host = ScriptedHost(ready["port"])
        host.greet()
        host.run(host.frames_held(4))
        address = ready["port"].removeprefix("socket://").rsplit(":", 1)
        with socket.create_connection((address[0], int(address[1])), timeout=10) as second:
            # Accepted at the bench's next pause: let the first program go on.
            host.run(host.frames_held(10))
            assert second.recv(200) == BUSY
            assert second.recv(200) == b""
        host.run(host.frames_held(14))
        host.close()


def test_time_stands_still_until_frames_are_acknowledged() -> None:
    # Patience beyond any stall of a busy machine: here only the lease may open the relay.
    with served(patience_s=60.0) as (ready, _), hands_of(ready) as hands:
        host = ScriptedHost(ready["port"], lease_ms=3000)
        host.greet()
        host.run(host.saw_event(wire.EV_CLOSED), {6: close_relay})
        seen = []

        def look(_: ScriptedHost) -> None:
            # Not acknowledged yet; by now the bench has come to its pause.
            time.sleep(0.05)
            seen.append(hands.state())
            seen.append(hands.state())

        at = len(host.frames) + 3
        host.run(host.frames_held(at + 1), {at: look})
        assert seen[0]["t_s"] == seen[1]["t_s"], "hands are served in the pause, and time does not move"
        assert seen[1]["contact_closed"]
        # Frames are still acknowledged, but the lease is not renewed any more.
        host.lease_ms = 0
        host.run(host.saw_event(wire.EV_TRIPPED))
        assert host.causes(wire.EV_TRIPPED) == ["host-silent"]
        assert not hands.state()["contact_closed"]
        host.close()


def test_silence_of_the_host_ends_the_wait_and_opens_the_relay() -> None:
    with served() as (ready, _), hands_of(ready) as hands:
        host = ScriptedHost(ready["port"], lease_ms=3000)
        host.greet()
        host.run(host.saw_event(wire.EV_CLOSED), {6: close_relay})
        while hands.state()["contact_closed"]:
            pass
        # What happened meanwhile is told when the host is back.
        host.run(host.saw_event(wire.EV_TRIPPED))
        assert host.causes(wire.EV_TRIPPED) == ["host-silent"]
        at_ms = {body[1]: int(str(body[0])) for _, body in host.events}
        # By the board's clock: how long the wall took decides nothing.
        assert at_ms[wire.EV_TRIPPED] - at_ms[wire.EV_CLOSED] > 2500, "not before the lease ended"
        host.close()


def test_unplugged_board_drops_the_relay_and_boots_anew() -> None:
    with served(patience_s=1.0) as (ready, _), hands_of(ready) as hands:
        host = ScriptedHost(ready["port"])
        host.greet()
        host.run(host.saw_event(wire.EV_CLOSED), {6: close_relay})
        boot = json.loads(host.hello)["boot"]
        hands.unplug()
        assert not os.path.exists(ready["port"])
        host.close()
        while hands.state()["contact_closed"]:
            pass
        assert not hands.state()["powered"]
        hands.plug()
        host = ScriptedHost(ready["port"])
        host.greet()
        host.run(host.frames_held(3))
        facts = json.loads(host.hello)
        assert facts["state"] == "safe"
        assert facts["boot"] != boot
        assert hands.state()["resets"] == ["power", "power"]
        host.close()


def test_broken_data_line_leaves_the_board_running() -> None:
    with served(patience_s=1.0) as (ready, _), hands_of(ready) as hands:
        host = ScriptedHost(ready["port"])
        host.greet()
        host.run(host.frames_held(6))
        boot = json.loads(host.hello)["boot"]
        hands.disconnect()
        host.close()
        host = ScriptedHost(ready["port"])
        host.greet()
        host.run(host.frames_held(3))
        assert json.loads(host.hello)["boot"] == boot
        host.close()


def test_hung_firmware_drops_the_relay_and_the_watchdog_restarts_it() -> None:
    with served(FaultSpec("board-hang", 1.0, 4.0), patience_s=1.0) as (ready, _), hands_of(ready) as hands:
        host = ScriptedHost(ready["port"])
        host.greet()
        host.run(host.saw_event(wire.EV_CLOSED), {6: close_relay})
        boot = json.loads(host.hello)["boot"]
        while hands.state()["resets"] != ["power", "watchdog"]:
            host.run(host.frames_held(len(host.frames)))
            _drain(host)
        assert not hands.state()["contact_closed"]
        host.greet()
        host.run(lambda: json.loads(host.hello)["boot"] != boot)
        assert json.loads(host.hello)["state"] == "safe"
        host.run(lambda: host.events[-1][1][-1] == "watchdog" or host.saw_boot_reason("watchdog"))
        host.close()


def _drain(host: ScriptedHost) -> None:
    for kind, seq, payload in host._lines(0.05):
        host._take(kind, seq, payload, {})


def test_welded_contact_is_a_fault() -> None:
    with served(FaultSpec("relay-welded")) as (ready, _), hands_of(ready) as hands:
        host = ScriptedHost(ready["port"])
        host.greet()
        script = {6: close_relay, 20: lambda h: h.send(wire.OPEN, wire.pack_open(0, ""))}
        host.run(host.saw_event(wire.EV_TRIPPED), script)
        assert host.causes(wire.EV_TRIPPED) == ["relay-fault"]
        truth = hands.state()
        assert not truth["coil_on"]
        assert truth["contact_closed"]
        host.close()


def test_hands_button_closes_and_emergency_stop_opens() -> None:
    with served() as (ready, _), hands_of(ready) as hands:
        host = ScriptedHost(ready["port"])
        host.greet()
        script = {
            4: lambda h: h.send(wire.STAGE, wide_stage()),
            30: lambda _: hands.estop(True),
        }
        host.run(host.frames_held(6), script)
        # Arm without going on: the person presses the button instead.
        host.send(wire.ARM)
        host._take = _no_go(host)  # type: ignore[method-assign]
        host.run(host.saw_event(wire.EV_ARMED))
        host.run(host.frames_held(12))
        hands.button()
        host.run(host.saw_event(wire.EV_TRIPPED), script)
        assert host.saw_event(wire.EV_CLOSED)()
        assert host.causes(wire.EV_TRIPPED) == ["operator"]
        assert hands.state()["estop_pressed"]
        host.close()


def _no_go(host: ScriptedHost):  # type: ignore[no-untyped-def]
    take = ScriptedHost._take

    def without(kind: int, seq: int, payload: bytes, script: object) -> None:
        if kind == wire.REPLY and wire.unpack_reply(payload)[1] == wire.ARM:
            return
        take(host, kind, seq, payload, script)  # type: ignore[arg-type]

    return without


def test_acts_that_do_not_exist_are_refused_with_what_is_allowed() -> None:
    with served() as (ready, _), hands_of(ready) as hands:
        with pytest.raises(PlanError, match="variac"):
            hands.act("dance")
        with pytest.raises(PlanError, match="0 to 120"):
            hands.variac(500)
        with pytest.raises(PlanError, match="device-shorted"):
            hands.fault("no-such-fault")
        with pytest.raises(PlanError, match="left, right"):
            hands.pot("middle", 1.0)
    with pytest.raises(LinkError):
        hands.state()


@pytest.mark.parametrize(
    ("text", "spec"),
    [
        ("offset-jump", FaultSpec("offset-jump", 1.0, 0.0, "left")),
        ("runaway-slow:0.5@150/left", FaultSpec("runaway-slow", 0.5, 150.0, "left")),
        ("sensor-off@12.5/right", FaultSpec("sensor-off", 1.0, 12.5, "right")),
    ],
)
def test_fault_words(text: str, spec: FaultSpec) -> None:
    assert parse_fault(text) == spec


def test_fault_words_that_say_nothing() -> None:
    for text in ("", "Offset", "x:y", "x@@3"):
        with pytest.raises(PlanError, match="severity"):
            parse_fault(text)


def test_process_says_when_it_is_ready_and_ends_when_asked() -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "benchwarden.virtual.server", "--speed", "0", "--seed", "3"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        ready = json.loads(process.stdout.readline())
        host = ScriptedHost(ready["port"])
        host.greet()
        host.run(host.frames_held(4))
        host.close()
        process.send_signal(signal.SIGTERM)
        _, errors = process.communicate(timeout=20)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0
    assert errors == ""
    assert not os.path.exists(ready["port"])


def test_process_refuses_a_fault_it_does_not_know() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchwarden.virtual.server", "--fault", "gremlin"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2
    assert "gremlin" in done.stderr
    assert "relay-welded" in done.stderr


def test_at_the_wall_s_pace_time_runs_without_a_host() -> None:
    with served(speed=1.0, lockstep=False) as (ready, _), hands_of(ready) as hands:
        first = hands.state()["t_s"]
        host = ScriptedHost(ready["port"])
        host.greet()
        host.run(host.frames_held(3))
        assert hands.state()["t_s"] > first
        host.close()


def test_noise_on_the_line_stops_nothing() -> None:
    with served(patience_s=1.0) as (ready, _), hands_of(ready) as hands:
        host = ScriptedHost(ready["port"])
        host.greet()
        host.run(host.frames_held(4))
        os.write(host._fd, b"AAAA\xff\x00 not a message\n" * 20)
        host.run(host.frames_held(20))
        assert hands.state()["resets"] == ["power"]
        host.close()


def test_hands_port_takes_several_programs_and_survives_nonsense() -> None:
    with served() as (ready, _), hands_of(ready) as one, hands_of(ready) as two:
        one.variac(30)
        assert two.state()["variac_pct"] == 30
        address = ready["hands"].rsplit(":", 1)
        with socket.create_connection((address[0], int(address[1])), timeout=10) as raw:
            raw.sendall(b'{"do": \n[1]\n')
            answers = b""
            while answers.count(b"\n") < 2:
                answers += raw.recv(4096)
        assert answers.count(b'"ok": false') == 2
        assert one.state()["variac_pct"] == 30


def test_rig_is_served_as_a_process_and_takes_its_acts_by_hand() -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "benchwarden.virtual.server", "--speed", "0", "--rig"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        ready = json.loads(process.stdout.readline())
        with hands_of(ready) as hands:
            hands.supply(12.0)
            hands.resistor(8.0)
            hands.apply("offset_left_v", 1.5)
            assert hands.meter("offset_left_v") == pytest.approx(1.5, abs=0.004)
            hands.plug("ntc_left", False)
            hands.module("rail_pos", False)
            with pytest.raises(PlanError, match="no amplifier"):
                hands.variac(10)
            truth = hands.state()
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=20)
    finally:
        process.kill()
        process.wait()
    assert (truth["rig"], truth["supply_v"], truth["resistor_ohm"]) == (True, 12.0, 8.0)
