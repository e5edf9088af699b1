"""Open and zoom a run of 72 h at 10 Hz: `python tests/bench_overview.py [hours]`; prints seconds and memory.

Targets: the first picture at the browser within 1 s, a zoom within 100 ms of the server, under 500 MB.
The journal is written in packed batches of a minute, as a live run's are once merged.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent / "browser"))

from benchwarden.core.channels import CHANNELS
from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.record.journal import Journal
from benchwarden.record.journal_format import NAME
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.overview import Overview

_DRAWN = tuple(name for name in CHANNELS if name not in ("rail_pos_v", "rail_neg_v"))


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 72.0
    if len(sys.argv) > 3:
        {"write": write, "measure": measure, "browse": browse}[sys.argv[2]](Path(sys.argv[3]), hours)
        return
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        run_dir = Path(folder) / "runs" / "20260115T090000Z-long"
        run_dir.mkdir(parents=True)
        # Each in a process of its own: memory is then what opening takes.
        for step in ("write", "measure", "browse"):
            subprocess.run([sys.executable, __file__, str(hours), step, str(run_dir)], check=True)


def write(run_dir: Path, hours: float) -> None:
    """Write a burn-in: warm-up, mains that wander, converter steps, a peak of one scan."""
    rng = np.random.default_rng(3)
    began = time.perf_counter()
    with Journal.create(run_dir, {"run": "72 h", "t0_ms": 0}) as journal:
        for minute in range(int(hours * 60)):
            frames = np.zeros(600, FRAME_DTYPE)
            t_s = minute * 60.0 + np.arange(600) / 10.0
            frames["t_ms"] = np.round(1000.0 * t_s).astype(np.int64) % 2**32
            frames["valid"] = 0x1FFF
            frames["bits"] = 1
            level = 1.0 + 0.1 * np.sin(t_s / 3000.0) - np.exp(-t_s / 1500.0)
            noise = rng.integers(-3, 4, (600, len(CHANNELS)))
            frames["mean"] = np.round(level[:, None] * 4000.0 + noise).astype(np.float32) / 4000.0
            frames["min"] = frames["mean"] - 1 / 4000.0
            frames["max"] = frames["mean"] + 1 / 4000.0
            journal.append_frames(1, np.arange(600 * minute + 1, 600 * minute + 601, dtype=np.uint32), frames)
            journal.commit()
    size_mb = (run_dir / NAME).stat().st_size / 1e6
    print(f"run of {hours:g} h made in {time.perf_counter() - began:.1f} s, journal {size_mb:.0f} MB", flush=True)


def measure(run_dir: Path, hours: float) -> None:
    base_mb = peak_mb()
    began = time.perf_counter()
    overview = Overview(run_dir)
    overview.update(0.3)
    drawn = overview.lines(_DRAWN, 0.0, overview.last_s)
    points = sum(len(line.t_s) for line in drawn.values())
    said = f"{overview.complete:.0%} of the run"
    first_s = time.perf_counter() - began
    print(f"first picture: {first_s:.2f} s, {points} points, {said}")
    while overview.complete < 1.0:
        overview.update(0.3)
    print(f"complete after {time.perf_counter() - began:.2f} s")
    last_s, zoom_s = overview.last_s, 0.0
    for width_s in (last_s, 24 * 3600.0, 3600.0, 1201.0, 1200.0, 300.0, 60.0, 5.0, 0.2):
        took = []
        for start_s in np.linspace(0.0, max(0.0, last_s - width_s), 5):
            at = time.perf_counter()
            overview.lines(_DRAWN, float(start_s), float(start_s) + width_s)
            took.append(time.perf_counter() - at)
        zoom_s = max(took) if width_s >= 60.0 else zoom_s
        print(f"zoom to {width_s:8.1f} s: {1000 * max(took):5.1f} ms at the worst of 5")
    took = []
    for t_s in np.linspace(0.0, last_s, 20):
        at = time.perf_counter()
        overview.at(float(t_s))
        took.append(time.perf_counter() - at)
    print(f"one moment: {1000 * max(took):.1f} ms at the worst of 20")
    at = time.perf_counter()
    overview.seconds(("bias_left_v", "sink_left_c"), 0.0, last_s, 10)
    print(f"means of two channels every 10 s: {1000 * (time.perf_counter() - at):.1f} ms")
    print(f"memory: {peak_mb():.0f} MB at the peak, {base_mb:.0f} MB of them before")
    at = time.perf_counter()
    with JournalReader(run_dir) as reader:
        held = sum(len(block) for block in reader.blocks())
    whole_s = time.perf_counter() - at
    print(f"decoding all {held} frames, nothing kept: {whole_s:.2f} s")
    print(f"that is {whole_s / first_s:.1f} first pictures, {whole_s / zoom_s:.0f} zooms to a minute, {hours:g} h")


_SHOWN = "() => document.querySelectorAll('{plot} .scatterlayer .trace .js-line').length"


def browse(run_dir: Path, hours: float) -> None:
    """Open the record in Chromium, cold, and zoom; skipped where there is none."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        print("no Chromium on this machine: pages not measured")
        return
    from browser_bench import Served
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        for name, path, plot, zoom in (
            ("runs page", f"runs/?run={run_dir.name}", "#run-bias", "Zoom in"),
            ("bias page", f"bias/?run={run_dir.name}", "#bias-over-time", "Zoom in"),
        ):
            # A dashboard of its own for each: nothing of the run is in its memory yet.
            served = Served(None, run_dir.parent.parent)
            page = browser.new_page(viewport={"width": 1366, "height": 900})
            page.goto(served.url + path.partition("/")[0] + "/")
            page.wait_for_timeout(2500)
            began = time.perf_counter()
            # The page's programs are there, as for somebody who comes from the list.
            page.goto(served.url + path, wait_until="commit")
            while not page.evaluate(_SHOWN.format(plot=plot)):
                time.sleep(0.01)
            first_s = time.perf_counter() - began
            page.wait_for_timeout(4000)
            took = []
            for _ in range(6):
                at = time.perf_counter()
                with page.expect_response(lambda answer: "_dash-update-component" in answer.url):
                    page.get_by_role("button", name=zoom, exact=True).click()
                page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
                took.append(time.perf_counter() - at)
                page.wait_for_timeout(400)
            told = ", ".join(f"{1000 * one:.0f}" for one in took)
            print(f"{name}: first picture {first_s:.2f} s (asked for: 1 s)")
            print(f"{name}: zoom, press to picture {told} ms (asked for: 300 ms)")
            print(f"{name}: dashboard {served.memory_mb():.0f} MB (asked for: 500 MB)", flush=True)
            page.close()
            served.kill()
        browser.close()


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


if __name__ == "__main__":
    main()
