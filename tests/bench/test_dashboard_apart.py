"""A dashboard that freezes and is killed changes nothing at the bench: frame by frame the same run."""

from __future__ import annotations

import sys
import threading
import time
import urllib.request
from pathlib import Path

import numpy as np
import pytest
from playing import Played, play

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "browser"))

from browser_bench import Served

from benchwarden.record.journal_reader import JournalReader


def recorded(played: Played) -> np.ndarray:
    with JournalReader(played.run_dir) as reader:
        return reader.frames()[3]


def looked_at(run_dir: Path, over: threading.Event) -> None:
    """Look at the run with several pages' questions, freeze their answers for good, then kill the dashboard."""
    served = Served(run_dir)
    try:
        end_s = time.monotonic() + 2.0
        while time.monotonic() < end_s and not over.is_set():
            for path in ("pulse", "state", "_dash-layout", "bias/_dash-layout"):
                with urllib.request.urlopen(served.url + path, timeout=5) as answer:
                    answer.read()
        served.freeze()
        over.wait(1.5)
        served.thaw()
    finally:
        served.kill()


@pytest.mark.slow
def test_the_same_run_with_and_without(tmp_path: Path) -> None:
    plain, watched = tmp_path / "plain", tmp_path / "watched"
    plain.mkdir()
    watched.mkdir()
    alone = play(plain, "runaway-slow:0.5@120/left", seed=4, soak_s=200.0)
    over = threading.Event()
    looking = threading.Thread(target=looked_at, args=(watched / "run", over))
    looking.start()
    try:
        seen = play(watched, "runaway-slow:0.5@120/left", seed=4, soak_s=200.0)
    finally:
        over.set()
        looking.join()
    assert seen.verdict == alone.verdict
    np.testing.assert_array_equal(recorded(seen), recorded(alone))
