"""What the setup page knows of the bench: boards found, the run going on, the last self-test."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from benchwarden.dashboard.board_commands import PROGRAM, Ports, SelfTest, found_ports, self_test
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.going_runs import going_runs
from benchwarden.dashboard.status import Board, parse, plain
from benchwarden.errors import RecordError, StageError
from benchwarden.record.summary import read_summary

# Pages that open in one breath are answered by one look.
_SAME_LOOK_S = 3.0


@dataclass(frozen=True)
class Going:
    """A run that is going on, and its board's id, "" before it is known."""

    run: str
    board: str


@dataclass(frozen=True)
class BoardOfRun:
    """The board of the run on view.

    Attributes:
        going: the run is going on; else what is told is what it was at its end.
        wire: version of the wire format.
        program: the program's digest as far as it was told.
        tested: how many parts its self-test named.
    """

    run: str
    going: bool
    virtual: bool
    board: Board
    wire: str
    program: str
    micropython: str
    tested: str


class Bench:
    """Keeps what was found for every page that is open; asks one question at a time.

    Args:
        program: the command line of this package, without its words.
        wall_s: wall time, as file times are told in.
    """

    def __init__(
        self, context: Context, program: Sequence[str] = PROGRAM, wall_s: Callable[[], float] = time.time
    ) -> None:
        self._context = context
        self._program = program
        self._wall_s = wall_s
        self._looking = threading.Lock()
        self._testing = threading.Lock()
        self._looked_s = 0.0
        self.ports: Ports | None = None
        self.looked_utc = ""
        self.tested: SelfTest | None = None
        self.tested_utc = ""

    def look(self, again: bool) -> None:
        """Find out which boards are plugged in.

        Args:
            again: a person asked; else what was found a moment ago will do.
        """
        with self._looking:
            now_s = self._context.clock.monotonic_s()
            if self.ports is not None and not again and now_s - self._looked_s < _SAME_LOOK_S:
                return
            found = found_ports(self._program)
            self.ports, self.looked_utc = found, self._context.clock.utc_label()
            self._looked_s = self._context.clock.monotonic_s()

    def test(self, port: str) -> SelfTest:
        """Have the board at a port test itself.

        Raises:
            StageError: a run, or another self-test, is going on.
            PlanError: not the name of a port.
        """
        going = self.going()
        if going:
            raise StageError(
                f"the run {going[0].run} is going on; a board tests itself between runs, with its relay open"
            )
        if not self._testing.acquire(blocking=False):
            raise StageError("a self-test is going on already; wait for what it finds")
        try:
            found = self_test(port, self._program)
            self.tested, self.tested_utc = found, self._context.clock.utc_label()
        finally:
            self._testing.release()
        return found

    def going(self) -> tuple[Going, ...]:
        """Return the runs that are going on: their status is fresh and does not say that they ended."""
        on_view = self._context.followed.run().run_dir
        try:
            folders = {path for path in self._context.folders.runs.iterdir() if path.is_dir()}
        except OSError:
            folders = set()
        return tuple(
            Going(plain(run_dir.name, 120), status.board.name if status.board else "")
            for run_dir, status in going_runs(sorted(folders | {on_view}), self._wall_s())
        )

    def board_of_run(self) -> BoardOfRun | None:
        """Return the board of the run on view, None while none is known."""
        run_dir = self._context.followed.run().run_dir
        try:
            raw = read_summary(run_dir)
        except RecordError:
            return None
        status, facts = parse(raw), raw.get("board")
        if status.board is None or not isinstance(facts, dict):
            return None
        selftest = facts.get("selftest")
        return BoardOfRun(
            run=plain(run_dir.name, 120),
            going=any(one.run == plain(run_dir.name, 120) for one in self.going()),
            virtual=status.virtual,
            board=status.board,
            wire=plain(facts.get("wire"), 10),
            program=plain(facts.get("program_digest") or facts.get("program"), 80),
            micropython=plain(facts.get("mpy"), 40),
            tested=plain(selftest.get("tested"), 10) if isinstance(selftest, dict) else "",
        )

    def seen(self) -> dict[str, tuple[str, dict[str, Any]]]:
        """Return what the boards said of themselves last: board id to (UTC, facts)."""
        found: dict[str, tuple[str, dict[str, Any]]] = {}
        try:
            raw = read_summary(self._context.followed.run().run_dir)
        except RecordError:
            raw = {}
        facts = raw.get("board")
        if isinstance(facts, dict) and facts.get("board"):
            found[str(facts["board"])] = (str(raw.get("updated_at_utc") or raw.get("started_at_utc") or ""), facts)
        if self.tested is not None and self.tested.board.get("board"):
            name = str(self.tested.board["board"])
            found[name] = max(found.get(name, ("", {})), (self.tested_utc, self.tested.board), key=lambda one: one[0])
        return found

    def device_of(self, board: str) -> str:
        """Return the port at which a board is plugged in, "" when it is not known to be."""
        for port in self.ports.boards if self.ports else ():
            # The board's own id is its USB serial number; systems spell it in either case.
            if port.serial and port.serial.lower() == board.lower():
                return port.device
        return ""
