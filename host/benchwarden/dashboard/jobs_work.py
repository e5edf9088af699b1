"""How are the papers of a run made and checked without the page waiting: each in a process of its own.

The views never import the printed record. No shell is between; what a process prints is taken for text.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from benchwarden.dashboard.status import plain
from benchwarden.errors import RecordError
from benchwarden.places import JOBS_VARIABLE

PROGRAM = (sys.executable, "-m", "benchwarden")
LAST_LINES = 8
_MOST_BYTES = 4_000_000
# What `verify` ends with when it could judge: intact, changed, not in whole.
_VERIFIED = (0, 1, 2)


@dataclass(frozen=True)
class Work:
    """How something that was started stands.

    Attributes:
        state: "going", "done" or "failed".
        lines: its last words, cleaned; of a finished `verify` its whole answer is in `answer`.
        answer: JSON that it printed, None where it printed none.
    """

    state: str
    lines: tuple[str, ...] = ()
    answer: Any = None


@dataclass
class _Started:
    process: subprocess.Popen[bytes]
    out: IO[bytes]
    wants_json: bool
    found: Work | None = None


class Works:
    """Starts one thing of a kind for a run at a time, and knows how the last of each went."""

    def __init__(self, program: Sequence[str] = PROGRAM) -> None:
        self._program = tuple(program)
        self._lock = threading.Lock()
        self._known: dict[tuple[str, str], _Started] = {}

    def start(self, kind: str, run: str, words: Sequence[str], store: str = "", *, wants_json: bool = False) -> None:
        """Start a command of this package for a run.

        Args:
            kind: with the run's name, what it is known by.
            store: address of the job store. In the environment: an address may hold a password, and
                everybody on the machine can read a command line.

        Raises:
            RecordError: the same is under way, or the process cannot be started.
        """
        with self._lock:
            others = [held for (_, its_run), held in self._known.items() if its_run == run]
            if any(self._seen(held).state == "going" for held in others):
                raise RecordError("something is under way with this run already")
            environment = os.environ | {"PYTHONUTF8": "1"} | ({JOBS_VARIABLE: store} if store else {})
            out = tempfile.TemporaryFile()  # noqa: SIM115 - closed when its process has ended
            try:
                process = subprocess.Popen(
                    [*self._program, *words],
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=subprocess.STDOUT,
                    env=environment,
                    # A key press that ends the dashboard leaves no paper half made.
                    start_new_session=True,
                )
            except OSError as error:
                out.close()
                raise RecordError(f"it cannot be started ({error.strerror})") from error
            self._known[(kind, run)] = _Started(process, out, wants_json)

    def state(self, kind: str, run: str) -> Work | None:
        """Return how the last start of this kind for a run stands; None where there was none."""
        with self._lock:
            held = self._known.get((kind, run))
            return None if held is None else self._seen(held)

    def _seen(self, held: _Started) -> Work:
        if held.found is not None:
            return held.found
        code = held.process.poll()
        if code is None:
            return Work("going")
        held.out.seek(0)
        text = held.out.read(_MOST_BYTES).decode("utf-8", "replace")
        held.out.close()
        held.found = _judged(code, text, held.wants_json)
        return held.found


def _judged(code: int, text: str, wants_json: bool) -> Work:
    last = tuple(plain(line, 400) for line in text.splitlines() if line.strip())[-LAST_LINES:]
    if not wants_json:
        return Work("done" if code == 0 else "failed", last)
    try:
        answer = json.loads(text)
    except ValueError:
        answer = None
    if code not in _VERIFIED or not isinstance(answer, list) or not all(isinstance(one, dict) for one in answer):
        return Work("failed", last)
    return Work("done", last, answer)


def report_words(run_dir: Path, records: Path, job: str) -> list[str]:
    """Return the arguments that print the papers of a run; the job's store goes into the environment."""
    # Joined to their options, and absolute: no name is taken for an option, whatever it begins with.
    return ["report", str(run_dir.absolute()), f"--records={records.absolute()}", f"--job={job}"]


def verify_words(run_dir: Path) -> list[str]:
    """Return the arguments that say what of a run and its papers is as it was sealed."""
    papers = [run_dir / name for name in ("record.pdf", "bias-log.pdf")]
    return ["verify", "--json", *(str(path.absolute()) for path in (run_dir, *papers) if path.exists())]
