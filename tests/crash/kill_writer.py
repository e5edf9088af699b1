"""Kill a writing run again and again, and read it back each time.

Run as a script for a longer trial:  python tests/crash/kill_writer.py --kills 100
"""

from __future__ import annotations

import argparse
import json
import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from doomed_writer import BOOT, event_of, frames_of

from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.recover import recover
from wardenfw import wire

WRITER = Path(__file__).with_name("doomed_writer.py")


@dataclass
class Tally:
    kills: int = 0
    kills_in_merges: int = 0
    acknowledged: int = 0
    unacknowledged_kept: int = 0


def kill_once(run_dir: Path, seed: int, delay_s: float, tally: Tally, way: str = "") -> None:
    """Let a writer go on with the run, kill it `delay_s` after it began, and check what it left.

    Args:
        way: "" for commits of many frames; "--small" for commits of few, merged
            often; "--die-in-merge" for a writer that kills itself inside a merge.

    Raises:
        AssertionError: something acknowledged is missing or wrong, or the record claims to be whole and is not.
    """
    command = [sys.executable, str(WRITER), str(run_dir), str(seed), *way.split()]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        assert json.loads(writer.stdout.readline()) == {"ready": True}
        if way == "--die-in-merge":
            output = writer.stdout.read()
            assert writer.wait() == -signal.SIGKILL
            tally.kills_in_merges += 1
        else:
            time.sleep(delay_s)
            assert writer.poll() is None, "the writer ended by itself"
            writer.kill()
            output = writer.stdout.read()
        said = [json.loads(line) for line in output.splitlines() if line.endswith(b"}")]
    tally.kills += 1
    if said:
        tally.acknowledged = said[-1]["frame"]
    events_acknowledged = said[-1]["event"] if said else 0
    recovery = recover(run_dir)
    assert not recovery.closed
    assert not recovery.wal_missing
    assert not recovery.gaps
    assert not recovery.damage
    assert recovery.frames >= tally.acknowledged
    with JournalReader(run_dir) as reader:
        rowid = 0
        count = 0
        while True:
            rowid, boots, seqs, frames = reader.frames(rowid, max_rows=200)
            if not len(seqs):
                break
            assert (boots == BOOT).all()
            assert seqs.tolist() == list(range(count + 1, count + 1 + len(seqs)))
            assert frames.tobytes() == frames_of(seqs).tobytes()
            count += len(seqs)
        events = reader.events()
        notes = reader.notes()
    assert count == recovery.frames
    assert [event.payload for event in events] == [event_of(event.seq) for event in events]
    assert [event.seq for event in events] == list(range(1, len(events) + 1))
    assert len(events) >= events_acknowledged
    # One commit is all or nothing: its frames, its event and its note together.
    assert len(notes) == len(events)
    assert not notes or notes[-1].body["frame"] == count
    assert recovery.newest == ((BOOT, count) if count else None)
    tally.unacknowledged_kept += count - tally.acknowledged
    tally.acknowledged = count


def kill_many(run_dir: Path, kills: int, seed: int, longest_s: float = 0.12) -> Tally:
    rng = random.Random(seed)
    tally = Tally()
    ways = ("", "--small", "--die-in-merge")
    for number in range(kills):
        way = ways[number % len(ways)]
        kill_once(run_dir, rng.randrange(1 << 30), rng.uniform(0.0, longest_s), tally, way)
        assert tally.kills == number + 1
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    words = parser.parse_args()
    assert wire.FRAME_SIZE
    with tempfile.TemporaryDirectory() as folder:
        tally = kill_many(Path(folder) / "run", words.kills, words.seed)
    print(
        f"{tally.kills} kills, {tally.kills_in_merges} of them inside a merge: "
        "every acknowledged frame and event read back identical, no gap, no damage; "
        f"{tally.acknowledged} frames in the record, {tally.unacknowledged_kept} durable but not yet acknowledged"
    )


if __name__ == "__main__":
    main()
