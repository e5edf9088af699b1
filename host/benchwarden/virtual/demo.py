"""The virtual bench as a child process, started and ended with the run that uses it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import TracebackType

from benchwarden.errors import LinkError


class VirtualBench:
    """A running virtual bench; leaving the context ends its process.

    Args:
        unit_path: facts of the amplifier on it; None puts the rig in its place.
        flash: file that keeps what the board writes to its flash; None forgets it.

    Attributes:
        port: what `open_port` takes.
        hands: address of the knobs and buttons, "host:port".

    Raises:
        LinkError: on entering, when the process does not come up; with its words.
    """

    def __init__(
        self,
        unit_path: Path | None,
        fault: str,
        speed: float,
        seed: int,
        extra: tuple[str, ...] = (),
        flash: Path | None = None,
    ) -> None:
        command = [sys.executable, "-m", "benchwarden.virtual.server"]
        command += ["--rig"] if unit_path is None else ["--unit", str(unit_path)]
        command += ["--speed", str(speed), "--seed", str(seed), "--hands-port", "0"]
        if fault != "none":
            command += ["--fault", fault]
        if flash is not None:
            command += ["--flash", str(flash)]
        self._command = [*command, *extra]
        self._process: subprocess.Popen[str] | None = None
        self.port = ""
        self.hands = ""

    def __enter__(self) -> VirtualBench:
        process = subprocess.Popen(
            self._command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self._process = process
        assert process.stdout is not None
        line = process.stdout.readline()
        try:
            ready = json.loads(line)
            self.port, self.hands = str(ready["port"]), str(ready["hands"])
        except (ValueError, KeyError, TypeError) as error:
            process.kill()
            _, words = process.communicate()
            raise LinkError(
                f"the virtual bench did not start: {words.strip() or line.strip() or 'no reason given'}"
            ) from error
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.communicate(timeout=10)
