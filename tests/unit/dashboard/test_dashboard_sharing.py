"""The shared address over a real socket: what a viewer gets, and everything that is refused."""

from __future__ import annotations

import http.client
import json
import re
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import fake_run
import pytest

from benchwarden.core.clock import SystemClock
from benchwarden.dashboard.app import Site, make_server, make_site
from benchwarden.dashboard.sharing import JOIN_RATE, LONGEST_S, end, own_addresses
from benchwarden.errors import BenchwardenError
from benchwarden.record.inbox import take_requests
from benchwarden.record.summary import write_summary


class Later(SystemClock):
    """The machine's clock, moved on by hand."""

    by_s = 0.0

    def monotonic_s(self) -> float:
        return super().monotonic_s() + self.by_s


class Viewer:
    """A browser's requests to the shared address, cookie and all."""

    def __init__(self, site: Site) -> None:
        link = site.sharing.link
        assert link is not None
        self.netloc = urlsplit(link.address).netloc
        self.join_path = urlsplit(link.join).path
        self.cookie = ""

    def ask(self, path: str, body: Any = None, **headers: str) -> tuple[int, str]:
        host, _, port = self.netloc.rpartition(":")
        line = http.client.HTTPConnection(host, int(port), timeout=10)
        sent = {"Cookie": self.cookie, **{name.replace("_", "-"): value for name, value in headers.items()}}
        try:
            if body is None:
                line.request("GET", path, headers=sent)
            else:
                sent.setdefault("Origin", f"http://{self.netloc}")
                kind = "application/json" if not isinstance(body, str) else "application/x-www-form-urlencoded"
                data = body if isinstance(body, str) else json.dumps(body)
                line.request("POST", path, body=data, headers={"Content-Type": kind, **sent})
            answer = line.getresponse()
            given = answer.getheader("Set-Cookie")
            if given:
                self.cookie = given.split(";")[0]
            return answer.status, answer.read().decode("utf-8", "replace")
        finally:
            line.close()

    def join(self) -> None:
        assert self.ask(self.join_path)[0] == 200


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    run_dir = tmp_path / "runs" / "now"
    run_dir.mkdir(parents=True)
    write_summary(run_dir, fake_run.fresh("confirm"))
    found = make_site(run_dir, clock=Later())
    found.sharing.start("127.0.0.1")
    yield found
    found.sharing.stop()


@pytest.fixture
def viewer(site: Site) -> Viewer:
    return Viewer(site)


def asked(site: Site) -> list[tuple[str, str]]:
    return [(r.action, r.by) for r in take_requests(site.context.followed.run().run_dir)]


def callback(output: str, inputs: list[dict[str, Any]], state: list[dict[str, Any]]) -> dict[str, Any]:
    return {"output": output, "outputs": [], "inputs": inputs, "changedPropIds": [], "state": state}


def test_nothing_is_shared_unless_somebody_wants_it(tmp_path: Path) -> None:
    found = make_site(tmp_path)
    assert found.sharing.link is None
    assert not found.sharing.joined("")
    with found.server.test_client() as client:
        assert client.get("/join/anything", headers={"Host": "127.0.0.1"}).status_code == 403


def test_without_the_link_nothing_is_seen(viewer: Viewer) -> None:
    for path in ("/", "/state", "/pulse", "/_dash-layout", "/setup/_dash-layout", "/assets/dock.js"):
        status, text = viewer.ask(path)
        assert (status, "shared by a link" in text) == (401, True)
    assert viewer.ask("/open", "")[0] == 401
    viewer.cookie = "benchwarden_viewer=guess"
    assert viewer.ask("/state")[0] == 401
    assert viewer.ask("/join/guess")[0] == 403


def test_a_viewer_sees_the_bench_and_is_told_to_be_one(site: Site, viewer: Viewer) -> None:
    viewer.join()
    assert viewer.ask("/")[0] == 200
    assert json.loads(viewer.ask("/pulse")[1])["viewer"] is True
    assert json.loads(viewer.ask("/state")[1])["status"]["phase"] == "prompt"
    for page in ("/bias/", "/runs/", "/plan/", "/setup/"):
        assert viewer.ask(page)[0] == 200
        assert viewer.ask(page + "_dash-layout")[0] == 200
    assert asked(site) == []


def test_jobs_parts_and_checks_are_not_shared(site: Site, viewer: Viewer) -> None:
    viewer.join()
    for page in ("/jobs", "/parts", "/checks"):
        for below in ("", "/", "/_dash-layout", "/_dash-dependencies", "/anything", "/%2e%2e/state"):
            status, text = viewer.ask(page + below)
            # What leads nowhere is no page; everything else is refused before it is built.
            assert status in (403, 404), page + below
            assert "customers' names" in text or status == 404
        assert viewer.ask(page + "/_dash-update-component", callback("x.children", [], []))[0] == 403
    with site.server.test_client() as client:
        assert client.get("/jobs/", headers={"Host": "127.0.0.1"}).status_code == 200


def test_a_viewer_may_open_the_relay(site: Site, viewer: Viewer) -> None:
    viewer.join()
    assert viewer.ask("/open", "")[0] == 200
    assert asked(site) == [("open", "viewer")]


def test_many_presses_of_viewers_are_one_wish_and_never_too_many(site: Site, viewer: Viewer) -> None:
    viewer.join()
    assert {viewer.ask("/open", "")[0] for _ in range(40)} == {200}
    assert 1 <= len(asked(site)) < 20


def test_a_viewer_may_ask_for_nothing_that_changes_anything(site: Site, viewer: Viewer) -> None:
    viewer.join()
    acts = [found for found in every_callback(site) if found not in site.context.readable]
    assert any("announced.data" in output for _, output in acts)
    for prefix, output in acts:
        status, text = viewer.ask(f"{prefix}_dash-update-component", callback(output, [], []))
        assert (status, "Only the bench machine" in text) == (403, True)
    # The name of what only shows on one page, sent to another.
    shows = next(output for page, output in site.context.readable if page == "/")
    assert viewer.ask("/setup/_dash-update-component", callback(shows, [], []))[0] == 403
    for odd in ([], "text", {"output": None}, {"output": ["..announced.data.."]}, {}):
        assert viewer.ask("/_dash-update-component", odd)[0] == 403
    assert asked(site) == []


def every_callback(site: Site) -> list[tuple[str, str]]:
    """Return (address prefix, output) of every callback that the server would carry out."""
    found = []
    with site.server.test_client() as client:
        for prefix in ("/", "/bias/", "/runs/", "/plan/", "/setup/"):
            table = client.get(f"{prefix}_dash-dependencies", headers={"Host": "127.0.0.1"}).get_json()
            found += [(prefix, entry["output"]) for entry in table if entry["clientside_function"] is None]
    return found


def test_what_acts_is_not_among_what_viewers_may_call(site: Site) -> None:
    assert site.context.readable <= set(every_callback(site))
    shown = " ".join(sorted(output for page, output in site.context.readable if page == "/"))
    for act in ("announced", "announced-end", "confirm-said", "end-said"):
        assert f"{act}." not in shown


def test_the_readings_go_on_for_a_viewer(site: Site, viewer: Viewer) -> None:
    viewer.join()
    output = next(name for page, name in site.context.readable if page == "/" and "live.data" in name)
    table = callback(
        output,
        [{"id": "asked", "property": "data", "value": {"n": 3}}],
        [{"id": "digests", "property": "data", "value": {}}, {"id": "prompt", "property": "data", "value": {}}],
    )
    table["outputs"] = [
        {"id": part.rsplit(".", 1)[0], "property": part.rsplit(".", 1)[1]} for part in output.strip(".").split("...")
    ]
    status, text = viewer.ask("/_dash-update-component", table)
    assert status == 200
    assert json.loads(text)["response"]["live"]["data"]["n"] == 3


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1:1", "https://{netloc}.evil.example"]
)
def test_another_page_in_the_viewers_browser_can_do_nothing(site: Site, viewer: Viewer, origin: str) -> None:
    viewer.join()
    assert viewer.ask("/open", "", Origin=origin.replace("{netloc}", viewer.netloc))[0] == 403
    assert asked(site) == []


@pytest.mark.parametrize("host", ["evil.example", "localhost", "127.0.0.1", "127.0.0.1:1"])
def test_the_shared_address_has_one_name(viewer: Viewer, host: str) -> None:
    # A name server that answers with this machine's address (rebinding) names another host.
    viewer.join()
    assert viewer.ask("/state", Host=host)[0] == 403


def test_the_cookie_is_out_of_reach_of_scripts_and_of_other_sites(viewer: Viewer) -> None:
    host, _, port = viewer.netloc.rpartition(":")
    line = http.client.HTTPConnection(host, int(port), timeout=10)
    line.request("GET", viewer.join_path)
    answer = line.getresponse()
    answer.read()
    line.close()
    given = answer.getheader("Set-Cookie") or ""
    assert "HttpOnly" in given
    assert "SameSite=Strict" in given


def test_after_the_end_the_link_and_the_cookie_are_worth_nothing(site: Site, viewer: Viewer) -> None:
    viewer.join()
    site.sharing.stop()
    with pytest.raises(OSError, match=r"."):
        viewer.ask("/state")
    again = site.sharing.start("127.0.0.1")
    old = viewer.cookie
    viewer.netloc = urlsplit(again.address).netloc
    assert viewer.ask("/state")[0] == 401
    assert viewer.ask(viewer.join_path)[0] == 403
    assert viewer.cookie == old


def test_a_link_grows_old(site: Site) -> None:
    clock = site.context.clock
    assert isinstance(clock, Later)
    clock.by_s = LONGEST_S - 60.0
    assert site.sharing.link is not None
    clock.by_s = LONGEST_S + 1.0
    assert site.sharing.link is None
    assert not site.sharing.joined("")


def test_guessing_is_slowed_down_and_opening_is_not(site: Site, viewer: Viewer) -> None:
    answers = [viewer.ask("/join/guess")[0] for _ in range(JOIN_RATE.amount + 3)]
    assert answers.count(403) <= JOIN_RATE.amount
    assert answers[-1] == 429
    token = site.sharing.link
    assert token is not None
    viewer.cookie = "benchwarden_viewer=" + token.join.rsplit("/", 1)[1]
    assert viewer.ask("/open", "")[0] == 200


def test_the_bench_machine_is_never_slowed_down(site: Site) -> None:
    server = make_server(site)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        for _ in range(300):
            line = http.client.HTTPConnection("127.0.0.1", server.effective_port, timeout=10)
            line.request("GET", "/pulse")
            answer = line.getresponse()
            assert answer.status == 200
            assert json.loads(answer.read())["viewer"] is False
            line.close()
    finally:
        end(server, thread)


@pytest.mark.parametrize(
    "path",
    [
        "/etc/passwd",
        "/../../etc/passwd",
        "/assets/../app.py",
        "/assets/..%2f..%2fapp.py",
        "/runs/../../etc/passwd",
        "/runs/%2e%2e/record.pdf",
        "/bias/assets/%2e%2e/%2e%2e/app.py",
    ],
)
def test_no_path_leads_to_other_files(site: Site, viewer: Viewer, path: str) -> None:
    viewer.join()
    status, text = viewer.ask(path)
    assert status in (404, 400, 308)
    assert "root:" not in text
    assert "import" not in text


def test_only_addresses_of_this_machine_are_shared(tmp_path: Path) -> None:
    found = make_site(tmp_path)
    with pytest.raises(BenchwardenError, match=r"203\.0\.113\.9.*allowed: .*127\.0\.0\.1"):
        found.sharing.start("203.0.113.9")
    assert "0.0.0.0" not in own_addresses()


def test_the_link_is_a_picture_too(site: Site) -> None:
    link = site.sharing.link
    assert link is not None
    assert re.fullmatch(r"data:image/svg\+xml;base64,[A-Za-z0-9+/=]+", link.qr_data_uri())
