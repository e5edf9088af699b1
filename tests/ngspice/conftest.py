"""Runs ngspice on a netlist held as text and hands the saved vectors back."""

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest


@pytest.fixture
def spice(tmp_path: Path):
    """Return run(netlist, analysis, vectors) -> array, shape (points, 1 + vectors).

    `analysis` is one ngspice command ("tran ...", "dc ..."); the first column
    is its sweep variable.
    """
    program = shutil.which("ngspice")
    if program is None:
        pytest.skip("ngspice is not installed")

    def run(netlist: str, analysis: str, vectors: list[str]) -> np.ndarray:
        out = tmp_path / "out.txt"
        deck = tmp_path / "deck.cir"
        control = f".control\n{analysis}\nset wr_singlescale\nwrdata {out} {' '.join(vectors)}\nquit\n.endc\n.end\n"
        deck.write_text(netlist.strip() + "\n" + control)
        done = subprocess.run([program, "-b", str(deck)], capture_output=True, text=True, timeout=120, check=False)
        assert out.exists(), done.stdout + done.stderr
        return np.loadtxt(out)

    return run
