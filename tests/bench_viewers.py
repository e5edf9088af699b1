"""Do viewers of the dashboard delay a trip?

Run by hand: python tests/bench_viewers.py [trips] [viewers]. One process plays
the supervisor's part on a board's frames paced by the wall, ten a second:
commits each to the journal, judges it, writes the status, and at a frame beyond a
limit notes how long after the frame's arrival the request to open would go out.
It is measured without a dashboard, with an idle one, and with so many viewers
who each ask what an open page asks, over the shared address. They stand for other
machines, and so give way to what runs here. Prints the distribution and the
differences of the medians and of the 99th percentiles;
asserts nothing.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent / "browser"))
sys.path.insert(0, str(Path(__file__).resolve().parent / "unit" / "dashboard"))

import fake_run
from browser_bench import Served

from benchwarden.analysis.judge import Judge
from benchwarden.core.channels import INDEX
from benchwarden.core.samples import FRAME_DTYPE, block_from_frames
from benchwarden.core.unit import Unit
from benchwarden.record.inbox import take_requests
from benchwarden.record.journal import Journal
from benchwarden.record.summary import write_summary

PERIOD_S = 0.1


def frame(number: int) -> np.ndarray[Any, Any]:
    found = np.zeros(1, FRAME_DTYPE)
    found["t_ms"], found["valid"], found["bits"] = 100 * number, 0xFFFF, 0b11
    for name, middle in (
        ("bias_left_v", 0.011),
        ("bias_right_v", 0.0112),
        ("sink_left_c", 40.0),
        ("sink_right_c", 39.0),
        ("ambient_c", 23.0),
        ("rail_pos_a", 0.13),
        ("rail_neg_a", 0.13),
        ("rail_pos_v", 42.0),
        ("rail_neg_v", -42.0),
    ):
        found["mean"][:, INDEX[name]] = middle * (1.0 + 0.001 * np.sin(number / 7.0))
    found["min"] = found["max"] = found["mean"]
    return found


class Supervising:
    """What the supervisor does with each frame, timed from the frame's arrival to the word to open."""

    def __init__(self, run_dir: Path) -> None:
        self._run_dir = run_dir
        self._judge = Judge(
            Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0),
            (),
        )
        self._judge.set_stage(0.0, 100.0, False, False, "idle soak")
        self._number = 0

    def play(self, frames: int) -> np.ndarray[Any, Any]:
        """Return, for each frame, the milliseconds until a request to open could go out."""
        delays = []
        with Journal.open_existing(self._run_dir) as journal:
            due_s = time.monotonic()
            for _ in range(frames):
                due_s += PERIOD_S
                time.sleep(max(0.0, due_s - time.monotonic()))
                self._number += 1
                # The frame is there when it is due; being woken late counts.
                found = frame(self._number)
                journal.append_frames(1, np.array([self._number], np.uint32), found)
                self._judge.feed(block_from_frames(found, 0))
                take_requests(self._run_dir)
                delays.append(1000.0 * (time.monotonic() - due_s))
                journal.commit()
                table = fake_run.status("holding", 3, t_s=self._number / 10.0)
                write_summary(self._run_dir, table)
        return np.array(delays)


class Viewers:
    """So many open pages, each asking for readings, pulse and trends as a page does."""

    def __init__(self, link: str, count: int) -> None:
        self.answers = 0
        self._url, _, token = link.partition("/join/")
        self._cookie = f"benchwarden_viewer={token}"
        self._quit = threading.Event()
        table = json.loads(self._get("/_dash-dependencies"))
        self._callbacks = [
            (self._body(table, "live.data", "asked"), 0.1),
            (self._body(table, "trend-beat", "trend-asked"), 0.4),
        ]
        self._threads = [threading.Thread(target=self._view) for _ in range(count)]
        for thread in self._threads:
            thread.start()

    def _get(self, path: str) -> bytes:
        asked = urllib.request.Request(self._url + path, headers={"Cookie": self._cookie})
        with urllib.request.urlopen(asked, timeout=10) as answer:
            found: bytes = answer.read()
            return found

    @staticmethod
    def _body(table: list[dict[str, Any]], has: str, asked: str) -> bytes:
        entry = next(e for e in table if has in e["output"] and e["clientside_function"] is None)
        outputs = [
            dict(zip(("id", "property"), part.rsplit(".", 1), strict=True))
            for part in entry["output"].strip(".").split("...")
        ]
        inputs = [{"id": asked, "property": "data", "value": {"n": 1}}]
        state = [{**part, "value": {}} for part in entry["state"]]
        found = {"output": entry["output"], "outputs": outputs, "inputs": inputs, "state": state}
        return json.dumps({**found, "changedPropIds": [f"{asked}.data"]}).encode()

    def _view(self) -> None:
        due = [time.monotonic()] * (len(self._callbacks) + 1)
        while not self._quit.wait(0.02):
            now_s = time.monotonic()
            for k, (body, every_s) in enumerate(self._callbacks):
                if now_s >= due[k]:
                    due[k] = now_s + every_s
                    self._post(body)
            if now_s >= due[-1]:
                due[-1] = now_s + 0.2
                self._get("/pulse")
                self.answers += 1

    def _post(self, body: bytes) -> None:
        headers = {"Content-Type": "application/json", "Origin": self._url, "Cookie": self._cookie}
        asked = urllib.request.Request(f"{self._url}/_dash-update-component", body, headers)
        with urllib.request.urlopen(asked, timeout=10) as answer:
            answer.read()
        self.answers += 1

    def close(self) -> None:
        self._quit.set()
        for thread in self._threads:
            thread.join()


def viewing(link: str, count: int, seconds: float) -> int:
    """Play viewers in this process for so long; return how many answers they had."""
    if hasattr(os, "nice"):
        os.nice(10)
    viewers = Viewers(link, count)
    time.sleep(seconds)
    viewers.close()
    return viewers.answers


def told(name: str, delays: np.ndarray[Any, Any]) -> str:
    p50, p99 = np.percentile(delays, [50, 99])
    return f"{name:24} p50 {p50:.2f} ms, p99 {p99:.2f} ms, worst {delays.max():.2f} ms over {len(delays)} frames"


def main() -> None:
    import multiprocessing

    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    with tempfile.TemporaryDirectory() as folder:
        run_dir = Path(folder) / "runs" / "now"
        run_dir.mkdir(parents=True)
        Journal.create(run_dir, {"run": "bench", "t0_ms": 0}).close()
        supervising = Supervising(run_dir)
        results = {"no dashboard": supervising.play(frames)}
        served = Served(run_dir, share="127.0.0.1")
        try:
            results["dashboard, nobody looks"] = supervising.play(frames)
            # In a process of their own: elsewhere they would be on other machines.
            context = multiprocessing.get_context("spawn")
            with context.Pool(1) as pool:
                asked = pool.apply_async(viewing, (served.link, count, frames * PERIOD_S))
                cpu_s = served.cpu_s()
                results[f"{count} viewers"] = supervising.play(frames)
                cpu_s = served.cpu_s() - cpu_s
                answers = asked.get(60)
        finally:
            served.kill()
    for name, delays in results.items():
        print(told(name, delays))
    print(f"{count} viewers had {answers} answers; dashboard CPU {cpu_s / (frames * PERIOD_S):.1%} of one core")
    base = results["no dashboard"]
    for name, delays in list(results.items())[1:]:
        p50, p99 = np.percentile(delays, [50, 99]) - np.percentile(base, [50, 99])
        print(f"{name}: later than without by p50 {p50:+.2f} ms, p99 {p99:+.2f} ms; asked for: less than 1 ms")


if __name__ == "__main__":
    main()
