"""Does an open page grow? Memory of a browser that nothing is attached to.

Run by hand: python tests/bench_page_memory.py [seconds] [path]. A driver that
listens to a browser makes it keep what came over the network; this starts headless
Chromium on the page alone, writes ten statuses a second beside it, and reads
from the system what its processes hold (resident, in MB, Linux). Prints a line every tenth
of the time; asserts nothing.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parent / "browser"))

from browser_bench import Served

from bench_dashboard import FLAGS, Writer, frames
from benchwarden.record.journal import Journal

_HISTORY = 6000


def private_mb(parent: int) -> dict[str, float]:
    """Return private memory by kind of process, of `parent` and all below it."""
    children: dict[int, list[int]] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        children.setdefault(int(fields[1]), []).append(int(stat.parent.name))
    found: dict[str, float] = {}
    waiting = [parent]
    while waiting:
        pid = waiting.pop()
        waiting += children.get(pid, [])
        try:
            words = Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ").split()
            rows = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
        except OSError:
            continue
        private_kb = sum(int(row.split()[1]) for row in rows if row.startswith("Private_"))
        kind = next((word.partition("=")[2] for word in words if word.startswith("--type=")), "browser")
        found[kind] = found.get(kind, 0.0) + private_kb * 1024 / 1e6
    return found


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 600.0
    path = sys.argv[2] if len(sys.argv) > 2 else ""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    assert chromium is not None, "no Chromium on this machine"
    with tempfile.TemporaryDirectory() as folder:
        run_dir = Path(folder) / "runs" / "now"
        run_dir.mkdir(parents=True)
        with Journal.create(run_dir, {"run": "bench", "t0_ms": 0}) as journal:
            journal.append_frames(1, np.arange(_HISTORY, dtype=np.uint32), frames(0, _HISTORY))
            journal.commit()
        served = Served(run_dir)
        writer = Writer(run_dir, _HISTORY)
        thread = threading.Thread(target=writer.run)
        thread.start()
        profile = f"--user-data-dir={folder}/profile"
        command = [chromium, "--headless", *FLAGS, profile, "--remote-debugging-port=0", served.url + path]
        browser = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            began_s, cpu_s = time.monotonic(), served.cpu_s()
            for part in range(1, 11):
                time.sleep(max(0.0, began_s + part * seconds / 10.0 - time.monotonic()))
                writer.forget_before(600.0)
                told = ", ".join(f"{kind} {mb:.0f}" for kind, mb in sorted(private_mb(browser.pid).items()))
                rate = (served.cpu_s() - cpu_s) / (time.monotonic() - began_s)
                print(f"after {part * seconds / 10.0:.0f} s: {told} MB; dashboard CPU {rate:.1%}", flush=True)
        finally:
            browser.terminate()
            browser.wait()
            writer.quit.set()
            thread.join()
            served.kill()


if __name__ == "__main__":
    main()
