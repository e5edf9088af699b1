"""How does the page start a supervised run, so that nothing the page does later reaches it?

A run is a process of its own, in a session of its own, with its own log file. This page
neither waits for it nor ends it. Starting a run closes no relay: the run asks on the bench
page before it closes anything.
"""

from __future__ import annotations

import os
import re
import secrets
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from benchwarden.core.clock import Clock
from benchwarden.dashboard.confirm import LATEST_S, SOONEST_S
from benchwarden.dashboard.going_runs import going_runs
from benchwarden.dashboard.plan_form import number_of
from benchwarden.dashboard.status import plain
from benchwarden.errors import RecordError, StageError
from benchwarden.places import JOBS_VARIABLE

FASTEST = 100.0
LAST_LINES = 12
NO_FAULT = "none"
# What the virtual bench can be asked to break, or to mislead the judge with.
FAULTS: tuple[tuple[str, str], ...] = (
    (NO_FAULT, "a healthy amplifier"),
    ("device-shorted", "output device shorted collector to emitter"),
    ("rail-missing", "one rail has no supply (fuse, winding, rectifier)"),
    ("bias-high", "bias set far too high (open pot, wrong resistor)"),
    ("spreader-uncoupled", "bias spreader no longer touches the heatsink"),
    ("runaway-slow", "thermal loop gain somewhat above one"),
    ("runaway-fast", "output devices loose on the heatsink: the loop closes through junction and case alone"),
    ("weak-devices", "devices are not what their marking says: small die"),
    ("poor-interface", "no compound or a crooked insulator between case and sink"),
    ("oscillation-small", "steady oscillation of a volt or less, far above audio"),
    ("oscillation-burst", "oscillation in bursts"),
    ("oscillation-gross", "oscillation over much of the rail"),
    ("offset-jump", "DC appears at the output at once"),
    ("offset-creep", "DC at the output grows (leaking input or feedback capacitor)"),
    ("leaky-device", "output device leaks collector to emitter, doubling every 10 K"),
    ("bias-intermittent", "bias pot's wiper crackles"),
    ("airflow-blocked", "heatsink covered"),
    ("sensor-off", "sink sensor fell off and hangs in the air"),
    ("sensor-open", "sink sensor's wire broken"),
    ("sensor-short", "sink sensor's wires touch"),
    ("hf-probe-unplugged", "HF input hangs loose"),
    ("relay-welded", "mains relay's contact does not open"),
    ("board-hang", "board's program stops"),
    ("usb-unplugged", "cable to the host pulled"),
    ("phone-burst", "no fault: a telephone beside the bench"),
    ("transmitter", "no fault: a transmitter in the neighbourhood keys for minutes"),
    ("switch-click", "no fault: a switch or thermostat on the same mains"),
    ("mains-dip", "no fault: mains sags for up to a second and a half"),
    ("draught", "no fault: a window opens"),
)

_SOCKET = re.compile(r"socket://(?:[A-Za-z0-9.-]+|\[[0-9A-Fa-f:]+\]):[0-9]{1,5}")
_DEVICE = re.compile(r"/dev/[A-Za-z0-9._:+/-]+|COM[0-9]{1,3}")
PORT_ALLOWED = (
    "empty to find the board, a device such as /dev/ttyACM0 or COM5 as “benchwarden ports” lists it, "
    "or socket://host:port"
)


@dataclass(frozen=True)
class Wish:
    """Which run is wanted.

    Attributes:
        name: of the kept set.
        virtual: on the virtual bench, else on a board.
        port: as typed; "" finds the board.
        speed: of the virtual bench as typed, board seconds per second.
        fault: one of FAULTS.
        job: number of the job it belongs to; "" for none.
        unchecked: why there are no checks before power; "" where the job has them.
    """

    name: str
    virtual: bool
    port: str = ""
    speed: str = "2"
    fault: str = NO_FAULT
    job: str = ""
    unchecked: str = ""


@dataclass(frozen=True)
class Begun:
    """How the last start went.

    Attributes:
        state: "starting", "running" or "ended".
        code: exit code once it has ended.
        folder: name of its run folder once it has one.
        lines: its last lines, cleaned.
    """

    state: str
    code: int | None
    folder: str
    lines: tuple[str, ...]


def checked_port(text: str) -> str:
    """Return a port as the command line takes it.

    Raises:
        StageError: it is none; names what is allowed.
    """
    port = text.strip()
    if not port:
        return "auto"
    if not _SOCKET.fullmatch(port) and (not _DEVICE.fullmatch(port) or ".." in port):
        raise StageError(f"port “{plain(port, 80)}”; allowed: {PORT_ALLOWED}")
    return port


def checked_speed(text: str) -> float:
    """Return the virtual bench's speed.

    Raises:
        StageError: not a number that it takes.
    """
    allowed = f"allowed: 0 (flat out) or 0.1 to {FASTEST:g}"
    try:
        speed = number_of(text)
    except ValueError as error:
        raise StageError(f"speed “{plain(text, 40)}” {error}; {allowed}") from error
    if speed != 0.0 and not 0.1 <= speed <= FASTEST:
        raise StageError(f"speed “{plain(text, 40)}”; {allowed}")
    return speed


def command(wish: Wish, unit: Path, plan: Path, runs: Path, records: Path) -> list[str]:
    """Return the arguments of the process to start.

    Raises:
        StageError: port, speed or fault is not one of those allowed.
    """
    # Absolute: a name can then not be taken for an option.
    unit, plan, runs, records = (path.absolute() for path in (unit, plan, runs, records))
    start = [sys.executable, "-m", "benchwarden"]
    same = ["--plan", str(plan), "--runs", str(runs), "--records", str(records), "--no-page"]
    # With an equals sign: what somebody typed is a value, whatever it begins with.
    if wish.job:
        same.append(f"--job={wish.job}")
    if not wish.virtual:
        if wish.unchecked:
            same.append(f"--unchecked={wish.unchecked}")
        return [*start, "run", str(unit), "--port", checked_port(wish.port), *same]
    if wish.fault not in dict(FAULTS):
        raise StageError(f"fault “{plain(wish.fault, 40)}”; allowed: {', '.join(name for name, _ in FAULTS)}")
    how = ["--by-hand", "--speed", f"{checked_speed(wish.speed):g}", "--fault", wish.fault]
    return [*start, "demo", "--unit", str(unit), *how, *same]


def going_on(runs: Path, wall_s: Callable[[], float] = time.time) -> str:
    """Return the name of the newest run that is going on in `runs`, "" for none."""
    try:
        folders = sorted((path for path in runs.iterdir() if path.is_dir()), reverse=True)
    except OSError:
        return ""
    return next((folder.name for folder, _ in going_runs(folders, wall_s())), "")


class Starter:
    """Starts runs, one at a time, and knows how the last one began."""

    def __init__(self, runs: Path, clock: Clock, jobs: str = "") -> None:
        """Start runs in the folder `runs`; `jobs` is the address of the job store."""
        self._runs = runs
        self._jobs = jobs
        self._clock = clock
        self._lock = threading.Lock()
        self._tickets: dict[str, tuple[list[str], float]] = {}
        self._process: subprocess.Popen[bytes] | None = None
        self._log: Path | None = None

    def announce(self, arguments: list[str]) -> str:
        """Take the first press: return the ticket that the second must present.

        Raises:
            StageError: a run is going on.
        """
        self._refuse_second()
        ticket = secrets.token_hex(8)
        now_s = self._clock.monotonic_s()
        with self._lock:
            self._tickets = {t: held for t, held in self._tickets.items() if now_s - held[1] <= LATEST_S}
            self._tickets[ticket] = (arguments, now_s)
        return ticket

    def start(self, ticket: str) -> None:
        """Take the second press: start what was announced.

        Raises:
            StageError: too soon, too late, never announced, or a run is going on.
            RecordError: the process cannot be started.
        """
        now_s = self._clock.monotonic_s()
        with self._lock:
            held = self._tickets.get(ticket)
            if held is None:
                raise StageError("not started: press the first button again")
            age_s = now_s - held[1]
            if age_s < SOONEST_S:
                raise StageError("not started: two presses came as one; read what will happen, then press")
            del self._tickets[ticket]
            if age_s > LATEST_S:
                raise StageError(f"not started: the second press came {age_s:.0f} s after the first; start again")
            self._refuse_second()
            self._begin(held[0])

    def begun(self) -> Begun | None:
        """Return how the last start went, None before the first."""
        process, log = self._process, self._log
        if process is None or log is None:
            return None
        code = process.poll()
        lines = _last_lines(log)
        folder = next((line.rpartition("Run folder: ")[2] for line in lines if "Run folder: " in line), "")
        folder = re.split(r"[/\\]", folder)[-1]
        state = "ended" if code is not None else "running" if folder else "starting"
        return Begun(state, code, plain(folder, 120), tuple(plain(line, 300) for line in lines[-LAST_LINES:]))

    def _refuse_second(self) -> None:
        if self._process is not None and self._process.poll() is None:
            raise StageError("a run that was started here has not ended; one bench, one run")
        name = going_on(self._runs)
        if name:
            raise StageError(f"run {name} is going on; end it on the bench page first")

    def _begin(self, arguments: Sequence[str]) -> None:
        label = re.sub(r"[^0-9TZ]", "", self._clock.utc_label())
        log = self._runs / f"started-{label}.log"
        # Lines appear as they are said, not when a buffer is full.
        environment = os.environ | {"PYTHONUNBUFFERED": "1"}
        if self._jobs:
            # Not on the command line, which everybody can read: it may hold a password.
            environment[JOBS_VARIABLE] = self._jobs
        flags = 0
        if sys.platform == "win32":
            flags = subprocess.DETACHED_PROCESS | subprocess.CREATE_NEW_PROCESS_GROUP
        try:
            self._runs.mkdir(parents=True, exist_ok=True)
            with open(log, "ab") as out:
                process = subprocess.Popen(
                    arguments,
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=subprocess.STDOUT,
                    env=environment,
                    start_new_session=True,
                    creationflags=flags,
                )
        except OSError as error:
            raise RecordError(f"the run cannot be started ({error.strerror}); nothing was closed") from error
        self._process, self._log = process, log


def _last_lines(log: Path) -> list[str]:
    # From the front: the run folder is named there, and a run says little.
    with suppress(OSError), open(log, "rb") as found:
        return found.read(200_000).decode("utf-8", "replace").splitlines()
    return []
