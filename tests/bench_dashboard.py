"""How long from a status on disk to its figure on the screen, and what the page costs.

Run by hand: python tests/bench_dashboard.py [seconds]. Serves a run folder with
ten minutes of journal, writes a status and journals a frame ten times a second
as a supervisor does, and notes in headless Chromium when each new figure was
painted. Both ends read the same machine's clock. Prints milliseconds, bytes, the
browser's memory once a tenth of the time, and ratios; asserts nothing.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent / "browser"))
sys.path.insert(0, str(Path(__file__).resolve().parent / "unit" / "dashboard"))

import fake_run
from browser_bench import Served
from playwright.sync_api import sync_playwright

from benchwarden.core.channels import INDEX
from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.record.journal import Journal
from benchwarden.record.summary import write_summary

PROMISED_MS = 300.0
FLAGS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update")

# The figure carries the number of the status; two animation frames after the
# text changed it has been painted.
_WATCH = """() => {
    window.seen = {};
    const cell = () => document.querySelector("tr[data-channel=hf_left_v] .value")?.textContent;
    let last = cell();
    const look = () => {
        const now = cell();
        if (now !== last) { last = now;
            requestAnimationFrame(() => requestAnimationFrame(() => { window.seen[now] ??= Date.now(); })); }
    };
    new MutationObserver(look).observe(document.getElementById("channels"),
        {subtree: true, childList: true, characterData: true});
}"""


def frames(first: int, count: int) -> np.ndarray:
    found = np.zeros(count, FRAME_DTYPE)
    found["t_ms"] = 100 * np.arange(first, first + count)
    found["valid"] = 0xFFFF
    wave = np.sin(np.arange(first, first + count) / 40)
    for name, middle in (("bias_left_v", 0.011), ("sink_left_c", 40), ("rail_pos_a", 0.08), ("hf_left_v", 0.1)):
        found["mean"][:, INDEX[name]] = middle * (1 + 0.05 * wave)
    found["min"] = found["max"] = found["mean"]
    return found


class Writer:
    """A supervisor's writing, paced by the wall."""

    def __init__(self, run_dir: Path, start: int) -> None:
        self.run_dir, self.number = run_dir, start
        self.written: dict[str, float] = {}
        self.busy_s: list[float] = []
        self.quit = threading.Event()

    def forget_before(self, seconds: float) -> None:
        """Keep a long measurement's memory flat on this end too."""
        self.busy_s = self.busy_s[-int(10 * seconds) :]

    def run(self) -> None:
        # A journal belongs to the thread that opened it.
        with Journal.open_existing(self.run_dir) as journal:
            self._write(journal)

    def _write(self, journal: Journal) -> None:
        due_s = time.monotonic()
        while not self.quit.is_set():
            due_s += 0.1
            time.sleep(max(0.0, due_s - time.monotonic()))
            self.number += 1
            table = fake_run.status("holding", 3, t_s=self.number / 10)
            shown = (self.number % 9000) / 100
            table["values"]["hf_left_v"] = [shown, shown, shown]
            began_s = time.monotonic()
            write_summary(self.run_dir, table)
            self.written[f"{shown:.2f}"] = time.time() * 1000
            self.busy_s.append(time.monotonic() - began_s)
            journal.append_frames(1, np.array([self.number], np.uint32), frames(self.number, 1))
            if self.number % 10 == 0:
                journal.commit()


class Taken:
    """Bytes that came to the browser, headers and all."""

    def __init__(self, page: Any) -> None:
        self.n_bytes = 0.0
        self._session = page.context.new_cdp_session(page)
        self._session.on("Network.loadingFinished", self._add)
        self._session.send("Network.enable")
        self._session.send("Performance.enable")

    def _add(self, event: dict[str, Any]) -> None:
        self.n_bytes += event["encodedDataLength"]

    def memory(self) -> dict[str, float]:
        """Return heap in use after a collection, in MB, and how many nodes and listeners there are."""
        self._session.send("HeapProfiler.collectGarbage")
        found = {entry["name"]: entry["value"] for entry in self._session.send("Performance.getMetrics")["metrics"]}
        return {
            "heap MB": found["JSHeapUsedSize"] / 1e6,
            "nodes": found["Nodes"],
            "listeners": found["JSEventListeners"],
        }


def _told(memory: dict[str, float]) -> str:
    return ", ".join(
        f"{name} {value:.1f}" if name == "heap MB" else f"{name} {value:.0f}" for name, value in memory.items()
    )


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    with tempfile.TemporaryDirectory() as folder:
        run_dir = Path(folder)
        history = 6000
        with Journal.create(run_dir, {"run": "bench", "t0_ms": 0}) as journal:
            journal.append_frames(1, np.arange(history, dtype=np.uint32), frames(0, history))
            journal.commit()
        served = Served(run_dir)
        writer = Writer(run_dir, history)
        thread = threading.Thread(target=writer.run)
        thread.start()
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=list(FLAGS))
                page = browser.new_page(viewport={"width": 1366, "height": 768})
                began_s = time.monotonic()
                page.goto(served.url)
                page.wait_for_selector("#channels tr")
                print(f"first page complete after {time.monotonic() - began_s:.2f} s")
                page.wait_for_timeout(2000)
                page.evaluate(_WATCH)
                taken = Taken(page)
                cpu_s = served.cpu_s()
                seen: dict[str, float] = {}
                print(f"memory after 0 s: {_told(taken.memory())}", flush=True)
                for part in range(1, 11):
                    page.wait_for_timeout(seconds * 100)
                    # The page's own notes would be what grows.
                    seen |= page.evaluate("() => { const seen = window.seen; window.seen = {}; return seen; }")
                    writer.forget_before(600.0)
                    print(f"memory after {part * seconds / 10:.0f} s: {_told(taken.memory())}", flush=True)
                cpu_s = served.cpu_s() - cpu_s
                browser.close()
        finally:
            writer.quit.set()
            thread.join()
            served.kill()
    delays = np.array([seen[text] - writer.written[text] for text in seen if text in writer.written])
    # A figure of two decimals comes round again; the last time round counts.
    delays = delays[(delays >= 0.0) & (delays < 60_000.0)]
    p50, p99 = np.percentile(delays, [50, 99])
    print(
        f"status to screen over {len(delays)} figures: p50 {p50:.0f} ms, p99 {p99:.0f} ms, worst {delays.max():.0f} ms"
    )
    print(f"p99 / promised {PROMISED_MS:.0f} ms = {p99 / PROMISED_MS:.2f}")
    print(f"statuses shown: {len(delays) / (seconds * 10):.0%}; dashboard CPU {cpu_s / seconds:.1%} of one core")
    rate = taken.n_bytes / seconds / 1000.0
    print(f"to the browser {rate:.1f} kB/s; / promised 40 kB/s = {rate / 40.0:.2f}")
    print(f"writer busy per status: p99 {np.percentile(writer.busy_s, 99) * 1000:.1f} ms")


if __name__ == "__main__":
    main()
