"""The served page: who may ask, what is answered, and that nothing comes from outside."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import fake_run
import pytest
from dash import html
from flask.testing import FlaskClient

from benchwarden.dashboard import views, words
from benchwarden.dashboard.app import make_server, make_site, serve
from benchwarden.dashboard.feed import Feed
from benchwarden.dashboard.figures import CHANNELS
from benchwarden.dashboard.trends import Points
from benchwarden.errors import BenchwardenError
from benchwarden.record.inbox import take_requests

Write = Callable[[dict[str, Any]], None]
HERE = {"Host": "127.0.0.1:8050"}
OWN = {**HERE, "Origin": "http://127.0.0.1:8050"}


@pytest.fixture
def client(tmp_path: Path) -> Iterator[FlaskClient]:
    with make_site(tmp_path).server.test_client() as found:
        yield found


def actions(run_dir: Path) -> list[str]:
    return [request.action for request in take_requests(run_dir)]


def test_open_from_own_page_leaves_the_request(client: FlaskClient, tmp_path: Path) -> None:
    assert client.post("/open", headers=OWN).status_code == 200
    assert actions(tmp_path) == ["open"]


def test_open_works_by_token_where_origin_is_withheld(client: FlaskClient, tmp_path: Path) -> None:
    page = client.get("/", headers=HERE).get_data(as_text=True)
    found = re.search(r'name="token" value="([^"]+)"', page)
    assert found
    for origin in ({}, {"Origin": "null"}):
        answer = client.post("/open", headers={**HERE, **origin}, data={"token": found[1]})
        assert answer.status_code == 200
        assert "mains lamp must go out" in answer.get_data(as_text=True)
    assert actions(tmp_path) == ["open", "open"]


@pytest.mark.parametrize(
    "headers",
    [
        {**HERE, "Origin": "http://evil.example"},
        {**HERE, "Origin": "http://127.0.0.1:9999"},
        {**HERE, "Origin": "null"},
        HERE,
        {"Host": "evil.example", "Origin": "http://evil.example"},
    ],
)
@pytest.mark.parametrize("path", ["/open", "/_dash-update-component"])
def test_other_pages_may_change_nothing(
    client: FlaskClient, tmp_path: Path, headers: dict[str, str], path: str
) -> None:
    assert client.post(path, headers=headers, data={"token": "guess"}).status_code == 403
    assert actions(tmp_path) == []


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8050", "127.0.0.1.evil.example", "", "["])
def test_other_host_names_may_read_nothing(client: FlaskClient, host: str) -> None:
    for path in ("/", "/state", "/pulse", "/_dash-layout"):
        assert client.get(path, headers={"Host": host}).status_code == 403


def test_open_that_cannot_be_left_says_use_the_emergency_stop(client: FlaskClient, tmp_path: Path) -> None:
    tmp_path.joinpath("inbox").write_text("in the way", encoding="utf-8")
    answer = client.post("/open", headers={**OWN, "Accept": "application/json"})
    assert answer.status_code == 500
    assert "emergency stop" in answer.get_json()["said"]


def test_state_is_json_for_every_state(client: FlaskClient, write: Write) -> None:
    for name in fake_run.states():
        write(fake_run.fresh(name))
        for path in ("/state", "/pulse", "/_dash-layout"):
            answer = client.get(path, headers=HERE)
            assert answer.status_code == 200
            # JSON has no NaN (RFC 8259, section 6); a browser would refuse it.
            assert not re.search(r"\bNaN\b|\bInfinity\b", answer.get_data(as_text=True))
            answer.get_json()


def test_every_page_carries_the_rules_for_its_content(client: FlaskClient) -> None:
    headers = client.get("/", headers=HERE).headers
    policy = headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "'unsafe-eval'" not in policy
    assert not re.search(r"script-src[^;]*'unsafe-inline'", policy)
    assert headers["X-Frame-Options"] == "DENY"


def test_page_names_no_other_server(client: FlaskClient) -> None:
    page = client.get("/", headers=HERE).get_data(as_text=True)
    assert not re.findall(r'(?:src|href)="(?:https?:)?//[^"]+', page)
    with client.get("/assets/icon.svg", headers=HERE) as icon:
        assert icon.status_code == 200


def test_parts_are_sent_only_when_they_changed(tmp_path: Path, write: Write, clock: Any) -> None:
    feed = Feed(tmp_path, clock, clock.wall_s)
    write(fake_run.fresh("holding"))
    before = {part.name: views.digest(part.shows(feed.snapshot())) for part in views.PARTS}
    table = fake_run.status("holding", 3, t_s=100.1)
    table["values"]["hf_left_v"] = [0.06, 0.05, 0.07]
    write(table)
    after = {part.name: views.digest(part.shows(feed.snapshot())) for part in views.PARTS}
    assert before == after
    shown = {row["channel"]: row["value"] for row in views.live(feed.snapshot())["rows"]}
    assert shown["hf_left_v"] == "0.06"
    table["findings"] = [fake_run.WARNING]
    write(table)
    later = {part.name: views.digest(part.shows(feed.snapshot())) for part in views.PARTS}
    assert {name for name in after if after[name] != later[name]} == {"findings"}


def test_cautions_and_virtual_bench_are_on_the_page(tmp_path: Path, write: Write) -> None:
    write(fake_run.fresh("settling"))
    page = str(views.page(Feed(tmp_path).snapshot(), Points([], {name: [] for name in CHANNELS}, -1)))
    assert "not a certified protective device" in page
    assert "Mains can kill" in page
    assert "Capacitors stay charged" in page
    assert "Virtual bench" in page


# What a board may say of itself, and the words that must stand out on every view.
NEVER = "This board was never commissioned: nobody has proven that it trips."
TROUBLED = [
    ({"cal": "uncalibrated", "calibration": {"state": "uncalibrated"}}, "uncalibrated"),
    (
        {"cal": "calibration overdue since 2026-01-01", "calibration": {"state": "overdue"}},
        "calibration overdue since 2026-01-01",
    ),
    (
        {"cal": "uncalibrated; slot a: record of another board (e6aa)", "calibration": {"state": "uncalibrated"}},
        "uncalibrated; slot a: record of another board (e6aa)",
    ),
    ({"commissioning": [NEVER]}, NEVER),
]
SOUND = {"cal": "calibrated 2026-11-25, due 2027-11-25", "calibration": {"state": "calibrated"}, "commissioning": []}


def strong(drawn: Any) -> list[str]:
    """Return the texts of every emphasised part."""
    if isinstance(drawn, list):
        return [text for part in drawn for text in strong(part)]
    if isinstance(drawn, html.Strong):
        return [str(drawn.children)]
    return strong(getattr(drawn, "children", None) or []) if not isinstance(drawn, str) else []


def heading(tmp_path: Path) -> Any:
    (part,) = [part for part in views.PARTS if part.name == "heading"]
    return part.drawn(part.shows(Feed(tmp_path).snapshot()))


@pytest.mark.parametrize(("board", "said"), TROUBLED)
def test_a_board_not_to_be_trusted_is_told_in_the_heading(
    tmp_path: Path, write: Write, board: dict[str, Any], said: str
) -> None:
    table = fake_run.fresh("settling")
    write({**table, "board": {**table["board"], **SOUND, **board}})
    assert said in strong(heading(tmp_path))


def test_a_sound_board_is_told_without_emphasis(tmp_path: Path, write: Write) -> None:
    table = fake_run.fresh("settling")
    write({**table, "board": {**table["board"], **SOUND}})
    drawn = heading(tmp_path)
    assert "calibrated 2026-11-25, due 2027-11-25" in str(drawn)
    assert not [text for text in strong(drawn) if "calib" in text or "commission" in text]


def test_a_failed_self_test_names_the_part_and_not_what_could_not_be_tested(tmp_path: Path, write: Write) -> None:
    table = fake_run.fresh("settling")
    parts = {"ram": "ok", "rail_pos": "does not answer at 0x40", "alert_pos": "not tested: its monitor failed"}
    write({**table, "board": {**table["board"], "selftest": {"ok": False, "parts": parts}}})
    assert "SELF-TEST FAILED: rail_pos: does not answer at 0x40" in strong(heading(tmp_path))


def test_a_trip_that_only_the_board_saw_says_why(tmp_path: Path, write: Write) -> None:
    table = fake_run.fresh("tripped")
    why = "The board opened the mains relay: sensor-fault (rail module rail_neg does not answer)."
    relay = {**table["relay"], "state": "tripped", "cause": "sensor-fault"}
    write({**table, "findings": [], "why": why, "relay": relay})
    (alarm,) = [alarm for alarm in words.alarms(Feed(tmp_path).snapshot()) if alarm.kind == "trip"]
    assert alarm.text == "TRIPPED: a sensor cannot be believed (sensor-fault)."
    assert alarm.act == f"{why} Nothing closes again by itself. Find the reason first."


def test_a_run_that_never_began_says_why(tmp_path: Path, write: Write) -> None:
    why = "Self-test of the board failed: program: wardenfw/guard.py changed."
    table = fake_run.fresh("settling")
    relay = {**table["relay"], "state": "fault", "cause": "none"}
    write({**table, "phase": "aborted", "stage_index": -1, "why": why, "findings": [], "relay": relay})
    assert f"BOARD FAULT: {why}" in [alarm.text for alarm in words.alarms(Feed(tmp_path).snapshot())]
    (part,) = [part for part in views.PARTS if part.name == "now"]
    assert why in strong(part.drawn(part.shows(Feed(tmp_path).snapshot())))


def test_busy_port_is_told_with_its_number(tmp_path: Path) -> None:
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        port = holder.getsockname()[1]
        with pytest.raises(BenchwardenError, match=f"port {port} on 127.0.0.1 cannot be used"):
            make_server(make_site(tmp_path), port=port)


def test_other_addresses_than_loopback_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BenchwardenError, match="allowed: 127"):
        make_server(make_site(tmp_path), host="0.0.0.0")


def test_ready_gets_the_address_and_the_port_is_let_go(tmp_path: Path) -> None:
    told: list[str] = []

    def ready(address: str) -> None:
        told.append(address)
        assert threading.current_thread() is threading.main_thread()
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        serve(tmp_path, ready=ready)
    port = int(told[0].rstrip("/").rsplit(":", 1)[1])
    with socket.socket() as again:
        again.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        again.bind(("127.0.0.1", port))
