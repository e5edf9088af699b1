"""What the setup page asks of other programs of this package: ports, self-test, test of the alerts.

The views never import the link. Each question is a process of its own, in a
process group of its own that is ended as a whole when it takes too long; no
shell is between, and what it prints is taken for data and nothing else.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.dashboard.status import plain
from benchwarden.errors import PlanError

PROGRAM = (sys.executable, "-m", "benchwarden")
PORTS_S = 15.0
# Hello, some seconds of testing and hello again; a machine that is busy takes longer.
SELF_TEST_S = 45.0
ALERT_TEST_S = 40.0
# After the group is killed nothing should hold its pipes; a stuck kernel might.
_LAST_WORDS_S = 2.0

_DEVICE = re.compile(r"/dev/[\w.:+/-]{1,190}|COM\d{1,3}|socket://(\[[0-9A-Fa-f:.]+\]|[\w.-]{1,150}):\d{1,5}", re.ASCII)


@dataclass(frozen=True)
class Said:
    """What a process answered.

    Attributes:
        answer: its JSON, None when there is none.
        problem: why not, in a sentence, "" otherwise.
    """

    answer: Any
    problem: str


@dataclass(frozen=True)
class FoundBoard:
    """One port with a board behind it, as the system tells it."""

    device: str
    description: str
    serial: str


@dataclass(frozen=True)
class Ports:
    """What `benchwarden ports` found; `problem` in a sentence when it could not be asked."""

    boards: tuple[FoundBoard, ...]
    problem: str


@dataclass(frozen=True)
class SelfTest:
    """What `benchwarden selftest` found.

    Attributes:
        board: facts of the board as in the status file.
        parts: (part, "ok" or the reason).
        problem: why there is nothing, in a sentence, "" otherwise.
    """

    port: str
    ok: bool
    board: dict[str, Any]
    parts: tuple[tuple[str, str], ...]
    problem: str


@dataclass(frozen=True)
class Way:
    """One way that an alert took, or did not."""

    way: str
    ok: bool
    said: str


def checked_port(text: str) -> str:
    """Return the name of a port that can be given to a command.

    Raises:
        PlanError: it is none; says what is allowed.
    """
    name = text.strip()
    # An ordinary word could be read as an option or a file; the forms of a port cannot.
    if not _DEVICE.fullmatch(name) or ".." in name:
        raise PlanError(
            f"{plain(name, 60)!r} is no port; allowed: /dev/... or COM with a number, or socket://host:port"
        )
    return name


def found_ports(program: Sequence[str] = PROGRAM, timeout_s: float = PORTS_S) -> Ports:
    """Return the boards that are plugged in."""
    said = asked(["ports", "--json"], timeout_s, program)
    if said.problem:
        return Ports((), said.problem)
    if not isinstance(said.answer, list) or not all(isinstance(one, dict) for one in said.answer):
        return Ports((), _not_understood("ports"))
    return Ports(
        tuple(
            FoundBoard(plain(one.get("device"), 200), plain(one.get("description"), 120), plain(one.get("serial"), 80))
            for one in said.answer
        ),
        "",
    )


def self_test(port: str, program: Sequence[str] = PROGRAM, timeout_s: float = SELF_TEST_S) -> SelfTest:
    """Return what the board at a port found in itself; the relay stays open.

    Raises:
        PlanError: not the name of a port.
    """
    name = checked_port(port)
    said = asked(["selftest", f"--port={name}", "--json"], timeout_s, program)
    if said.problem:
        return SelfTest(name, False, {}, (), said.problem)
    found = said.answer
    parts, board = (found.get("parts"), found.get("board")) if isinstance(found, dict) else (None, None)
    if not isinstance(parts, dict) or not isinstance(board, dict):
        return SelfTest(name, False, {}, (), _not_understood("selftest"))
    listed = tuple((plain(part, 40), plain(words, 300)) for part, words in parts.items())
    return SelfTest(name, found.get("ok") is True, board, listed, "")


def alert_test(
    records: Path, program: Sequence[str] = PROGRAM, timeout_s: float = ALERT_TEST_S
) -> tuple[tuple[Way, ...], str]:
    """Send a test alert every way that is set, and return how each went, and why nothing went, in a sentence."""
    # Joined to its option: a folder may be called anything.
    said = asked(["alert", "--test", f"--records={records}", "--json"], timeout_s, program)
    if said.problem:
        return (), said.problem
    if not isinstance(said.answer, list) or not all(isinstance(one, dict) for one in said.answer):
        return (), _not_understood("alert")
    return (
        tuple(
            Way(plain(one.get("way"), 200), one.get("ok") is True, plain(one.get("said"), 300)) for one in said.answer
        ),
        "",
    )


def asked(words: Sequence[str], timeout_s: float, program: Sequence[str] = PROGRAM) -> Said:
    """Run one command of this package and return its JSON answer, or why there is none."""
    name = f"benchwarden {words[0]}"
    try:
        process = subprocess.Popen(
            [*program, *words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            errors="replace",
            env={**os.environ, "PYTHONUTF8": "1"},
            **_own_group(),
        )
    except OSError as error:
        return Said(None, f"`{name}` could not be started ({error.strerror}).")
    try:
        out, complaint = process.communicate(timeout=timeout_s)
    except subprocess.TimeoutExpired:
        _end(process)
        return Said(None, f"`{name}` did not answer within {timeout_s:g} s and was ended.")
    if process.returncode not in (0, 1, 3, 4):
        return Said(None, _its_words(name, process.returncode, complaint))
    try:
        return Said(json.loads(out), "")
    except ValueError:
        return Said(None, _its_words(name, process.returncode, complaint) if complaint else _not_understood(words[0]))


def _own_group() -> dict[str, Any]:
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW}
    return {"start_new_session": True}


def _end(process: subprocess.Popen[str]) -> None:
    if sys.platform == "win32":
        process.kill()
    else:
        # Not itself alone: a child of it could hold the port, and the pipes, for longer.
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    try:
        process.communicate(timeout=_LAST_WORDS_S)
    except subprocess.TimeoutExpired:
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()


def _its_words(name: str, code: int, complaint: str) -> str:
    own = [line.removeprefix("benchwarden: ") for line in complaint.splitlines() if line.startswith("benchwarden: ")]
    if not own:
        # The lines of an exception may hold anything, an address with its password too.
        return f"`{name}` ended with code {code} and no words for this page; in a terminal it may tell more."
    said = plain(own[-1], 400)
    return f"{said[:1].upper()}{said[1:]}" + ("" if said.endswith((".", "!", "?")) else ".")


def _not_understood(command: str) -> str:
    return f"What `benchwarden {command}` answered could not be understood."
