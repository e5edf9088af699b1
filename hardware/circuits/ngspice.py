"""Runs an ngspice deck and hands the vectors back from its binary raw file."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


class SimulationError(RuntimeError):
    """ngspice is missing or did not finish; the message holds its last words."""


def run(
    netlist: str, analysis: str, vectors: list[str], *, timeout_s: float = 300.0
) -> dict[str, NDArray[np.float64] | NDArray[np.complex128]]:
    """Return the sweep variable ("x") and the vectors asked for.

    Args:
        netlist: deck without control lines and without .end.
        analysis: one ngspice command: "tran 10u 0.1", "ac dec 20 1 1meg", "op", "dc v1 0 1 0.1".
        vectors: as ngspice writes them: "v(out)", "v(a,b)", "i(vsupply)", "@r_x[i]".

    Raises:
        SimulationError: no ngspice, or no result.
    """
    program = shutil.which("ngspice")
    if program is None:
        raise SimulationError("ngspice is not installed")
    with tempfile.TemporaryDirectory(prefix="circuit-") as folder:
        out = Path(folder) / "out.raw"
        deck = Path(folder) / "deck.cir"
        names = " ".join(vectors)
        control = f".control\nset filetype=binary\nsave {names}\n{analysis}\nwrite {out} {names}\nquit\n.endc\n.end\n"
        deck.write_text(netlist + control)
        done = subprocess.run(
            [program, "-b", str(deck)], capture_output=True, text=True, timeout=timeout_s, check=False, cwd=folder
        )
        if not out.exists():
            raise SimulationError((done.stdout + done.stderr)[-2000:])
        return read_raw(out.read_bytes(), vectors)


def read_raw(data: bytes, vectors: list[str]) -> dict[str, NDArray[np.float64] | NDArray[np.complex128]]:
    """Return the vectors of a binary raw file under the names they were asked for by."""
    mark = b"Binary:\n"
    cut = data.index(mark)
    header: dict[str, str] = {}
    columns: list[str] = []
    for line in data[:cut].decode().splitlines():
        if line.startswith("\t"):
            columns.append(line.split("\t")[2])
        else:
            key, _, value = line.partition(":")
            header[key] = value.strip()
    points = int(header["No. Points"])
    is_complex = "complex" in header["Flags"]
    kind = np.complex128 if is_complex else np.float64
    table = np.frombuffer(data, kind, points * len(columns), cut + len(mark)).reshape(points, len(columns))
    # "op" has no sweep variable; everything else has it first.
    first = len(columns) - len(vectors)
    found = {name: table[:, first + k] for k, name in enumerate(vectors)}
    found["x"] = table[:, 0].real if is_complex else table[:, 0]
    return found
