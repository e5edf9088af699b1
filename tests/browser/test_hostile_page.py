"""A hostile page in another tab of the same browser tries everything a page can try."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import fake_run
import pytest
from browser_bench import Served
from playwright.sync_api import BrowserContext, expect

# Forms and simple requests need no permission to be sent: CSRF as in OWASP's cheat sheet (from memory).
_PAGE = """<!doctype html><title>hostile</title>
<iframe src="TARGET" name="inside"></iframe>
<img src="TARGETopen"><script src="TARGETstate"></script>
<form id="plain" method="post" action="TARGETopen" target="inside"><input name="token" value="guess"></form>
<form id="text" method="post" enctype="text/plain" action="TARGET_dash-update-component" target="inside">
<input name='{"output":"..announced.data...confirm-said.children..","inputs":[],"x":"' value='"}'></form>
<script>
document.getElementById("plain").submit();
setTimeout(() => document.getElementById("text").submit(), 200);
const tries = [];
for (const path of ["open", "_dash-update-component", "setup/_dash-update-component", "plan/_dash-update-component"]) {
  for (const mode of ["no-cors", "cors"]) {
    for (const type of ["text/plain", "application/json", "application/x-www-form-urlencoded"]) {
      tries.push(fetch("TARGET" + path, {method: "POST", mode, credentials: "include",
        headers: {"Content-Type": type}, body: "{}"}).catch(() => 0));
    }
  }
}
for (const path of ["state", "pulse", "setup/_dash-layout"]) {
  tries.push(fetch("TARGET" + path, {credentials: "include"}).then(r => r.text()).then(t => { window.read = t; })
    .catch(() => 0));
}
navigator.sendBeacon("TARGETopen", "token=guess");
Promise.all(tries).then(() => { document.title = "tried"; });
</script>"""


@pytest.fixture
def hostile(served: Served) -> Iterator[str]:
    text = _PAGE.replace("TARGET", served.url).encode()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(text)

        def log_message(self, *_: Any) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/"
    server.shutdown()
    thread.join()
    server.server_close()


def test_it_changes_and_reads_nothing(context: BrowserContext, served: Served, bench: Any, hostile: str) -> None:
    bench.show("confirm")
    own, other = context.new_page(), context.new_page()
    try:
        own.goto(served.url)
        expect(own.locator("#confirm-first")).to_be_visible()
        other.goto(hostile)
        expect(other).to_have_title("tried")
        other.wait_for_timeout(800)
        assert bench.asked == []
        assert other.evaluate("window.read") is None
        # Nor is the bench shown inside of it, where a click could be guided.
        inside = other.frame("inside")
        assert inside is None or "OPEN RELAY" not in inside.content()
        # The page itself still can.
        own.keyboard.press("o")
        assert bench.wait_for(1) == [("open", 0)]
    finally:
        own.close()
        other.close()


def test_a_name_that_leads_here_does_not_help(context: BrowserContext, served: Served, bench: Any) -> None:
    # Rebinding: a foreign name that resolves to this machine keeps its name in the Host header.
    bench.show(fake_run.fresh("confirm"))
    answer = context.request.get(served.url + "state", headers={"Host": "evil.example"})
    assert answer.status == 403
    answer = context.request.post(
        served.url + "open", headers={"Host": "evil.example", "Origin": "http://evil.example"}, form={"token": ""}
    )
    assert answer.status == 403
    assert bench.asked == []
