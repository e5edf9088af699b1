"""The dashboard as a process of its own, and a writer of its status file."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "unit" / "dashboard"))

import fake_run
from axe_playwright_python.sync_playwright import Axe

from benchwarden.record.inbox import take_requests
from benchwarden.record.summary import write_summary

_SERVE = """
import sys
from pathlib import Path
from benchwarden.dashboard.app import serve
from benchwarden.dashboard.context import Folders
run_dir, port, runs, records, units, share = sys.argv[1:]
serve(
    Path(run_dir) if run_dir else None,
    port=int(port),
    ready=lambda url: print(url, flush=True),
    folders=Folders(Path(runs), Path(records), Path(units)),
    share=share,
    shared=lambda url: print(url, flush=True),
)
"""


def serious_findings(page: Any) -> list[str]:
    """Return what axe-core finds serious or critical on a page, one line each."""
    found = Axe().run(page).response["violations"]
    return [
        f"{entry['id']} ({entry['impact']}): {entry['help']}: "
        + "; ".join(node["html"][:160] for node in entry["nodes"][:4])
        for entry in found
        if entry["impact"] in ("serious", "critical")
    ]


class Served:
    """The dashboard as its own process, as the command line starts it."""

    def __init__(self, run_dir: Path | None, root: Path | None = None, share: str = "") -> None:
        """Serve a run folder, or with None whatever is newest in `root`/runs.

        Args:
            root: folder of the folders runs, records and units; default: the run's parent holds the runs.
            share: address to share under from the start; `link` is then what a viewer opens.
        """
        assert run_dir is not None or root is not None
        self.run_dir = run_dir
        self.runs = root / "runs" if root is not None else (run_dir or Path()).parent
        base = root or (run_dir or Path())
        self.records, self.units = base / "records", base / "units"
        self.port = 0
        self.share, self.link = share, ""
        self.start()

    def start(self) -> None:
        places = [self.run_dir or "", self.port, self.runs, self.records, self.units, self.share]
        self._process = subprocess.Popen(
            [sys.executable, "-c", _SERVE, *map(str, places)],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._process.stdout is not None
        self.url = self._process.stdout.readline().strip()
        self.port = int(self.url.rstrip("/").rsplit(":", 1)[1])
        if self.share:
            self.link = self._process.stdout.readline().strip()

    def cpu_s(self) -> float:
        """Return the processor time used so far, seconds (Linux)."""
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def memory_mb(self) -> float:
        """Return what it holds resident, in MB (Linux)."""
        return int(Path(f"/proc/{self._process.pid}/statm").read_text().split()[1]) * 4096 / 1e6

    def freeze(self) -> None:
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        self._process.kill()
        self._process.communicate()


class Bench:
    """Writes the status the way a supervisor does, and takes the requests."""

    def __init__(self, run_dir: Path) -> None:
        self.run_dir = run_dir
        self.asked: list[tuple[str, int]] = []
        self.on_ask: Callable[[str, int], None] | None = None
        self._table: dict[str, Any] | None = None
        self._t_s = 100.0
        self._lock = threading.Lock()
        self._quit = threading.Event()
        self._thread = threading.Thread(target=self._write)
        self._thread.start()

    def show(self, state: str | dict[str, Any] | None) -> None:
        """Write this state from now on; None falls silent."""
        with self._lock:
            self._table = fake_run.fresh(state) if isinstance(state, str) else state
        time.sleep(0.15)

    def wait_for(self, count: int, seconds: float = 5.0) -> list[tuple[str, int]]:
        until_s = time.monotonic() + seconds
        while len(self.asked) < count and time.monotonic() < until_s:
            time.sleep(0.02)
        return list(self.asked)

    def _write(self) -> None:
        while not self._quit.wait(0.1):
            with self._lock:
                if self._table is not None:
                    self._t_s += 0.1
                    if isinstance(self._table.get("t_s"), float):
                        self._table["t_s"] = self._t_s
                    write_summary(self.run_dir, self._table)
            for request in take_requests(self.run_dir):
                self.asked.append((request.action, request.prompt_id))
                if self.on_ask is not None:
                    self.on_ask(request.action, request.prompt_id)

    def close(self) -> None:
        self._quit.set()
        self._thread.join()
