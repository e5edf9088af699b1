"""A run's writer that is meant to be killed: says on stdout what is durable, right after each commit.

doomed_writer.py RUN_DIR SEED            write until killed
doomed_writer.py RUN_DIR SEED --small    the same, one to three frames a commit, merged every forty
doomed_writer.py RUN_DIR SEED --die-in-merge
                                         the same, and kill itself at a random statement of a random merge
doomed_writer.py RUN_DIR SEED --fill     write until the disk is full, then tell what can be read
"""

from __future__ import annotations

import json
import os
import random
import resource
import signal
import struct
import sys
import tempfile
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.record import journal as journal_module
from benchwarden.record.journal import Journal, JournalFull
from benchwarden.record.journal_format import NAME
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.recover import recover
from wardenfw import wire

BOOT = 0xB007


def frames_of(seqs: npt.NDArray[np.uint32]) -> npt.NDArray[np.void]:
    """Return frames whose every value follows from their sequence number."""
    out = np.zeros(len(seqs), FRAME_DTYPE)
    out["t_ms"] = seqs * 100
    out["scan"] = seqs * 10
    out["valid"] = 0x1FFF
    noise = (seqs[:, None] * np.uint32(2654435761) + np.arange(13, dtype=np.uint32) * np.uint32(40503)) >> np.uint32(9)
    out["mean"] = noise
    out["min"] = -noise.astype(np.float32)
    out["max"] = noise / 7
    return out


def event_of(seq: int) -> bytes:
    payload: bytes = wire.pack_event(seq * 100, wire.EV_NOTE, text=f"event {seq}")
    return payload


def say(**words: object) -> None:
    os.write(1, json.dumps(words).encode() + b"\n")


def write_on(journal: Journal, rng: random.Random, most: int = 200) -> None:
    frame, event = journal.durable_frame(BOOT), journal.durable_event(BOOT)
    while True:
        count = rng.randrange(1, most)
        seqs = np.arange(frame + 1, frame + 1 + count, dtype=np.uint32)
        frame += count
        journal.append_frames(BOOT, seqs, frames_of(seqs))
        event += 1
        assert journal.append_event(BOOT, event, event_of(event))
        journal.append_note("beat", frame / 10, {"frame": frame})
        journal.commit()
        say(frame=journal.durable_frame(BOOT), event=journal.durable_event(BOOT))


def die_in_merge(journal: Journal, rng: random.Random) -> None:
    """Arrange for a kill between the statements of a merge, its COMMIT included."""
    merges, after = rng.randrange(1, 8), rng.randrange(0, 7)
    left: list[int] = []

    def heard(statement: str) -> None:
        nonlocal merges
        if statement.startswith("DELETE FROM frames"):
            merges -= 1
            if merges == 0:
                left.append(after)
        if left:
            # DELETE, INSERT frames, event, note, COMMIT, then BEGIN and what follows of the next commit.
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            left[0] -= 1

    journal._open().set_trace_callback(heard)


def fill(run_dir: Path, journal: Journal, rng: random.Random) -> None:
    ballast = run_dir / "ballast"
    ballast.write_bytes(os.urandom(300_000))
    messages: list[str] = []
    stored: list[bool] = []
    while stored[-1:] != [False]:
        try:
            write_on(journal, rng)
        except JournalFull as full:
            messages.append(str(full))
            stored.append(full.stored)
    durable = journal.durable_frame(BOOT)
    before = recover(run_dir)
    with JournalReader(run_dir) as reader:
        _, _, seqs, frames = reader.frames()
    whole = seqs.tolist() == list(range(1, durable + 1)) and frames.tobytes() == frames_of(seqs).tobytes()
    waiting = journal.pending_frames
    ballast.unlink()
    if "--limit" in sys.argv:
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    journal.close()
    after = recover(run_dir)
    say(
        messages=messages,
        stored=stored,
        durable=durable,
        whole=whole,
        waiting=waiting,
        readable_while_full=before.frames,
        gaps=len(before.gaps) + len(after.gaps),
        damage=len(before.damage) + len(after.damage),
        after=after.frames,
        closed=after.closed,
    )


def main() -> None:
    run_dir, rng = Path(sys.argv[1]), random.Random(sys.argv[2])
    if "--limit" in sys.argv:
        # Python ignores SIGXFSZ, so the write itself fails (EFBIG).
        resource.setrlimit(resource.RLIMIT_FSIZE, (3 << 20, resource.RLIM_INFINITY))
    journal = (
        Journal.open_existing(run_dir) if (run_dir / NAME).exists() else Journal.create(run_dir, {"run": "doomed"})
    )
    if "--fill" in sys.argv:
        fill(run_dir, journal, rng)
        return
    small = "--small" in sys.argv or "--die-in-merge" in sys.argv
    if small:
        # Set after opening: what an earlier writer left is taken up by whatever the threshold is.
        journal_module._MERGE_FRAMES = 40
    if "--die-in-merge" in sys.argv:
        die_in_merge(journal, rng)
    say(ready=True)
    write_on(journal, rng, 4 if small else 200)


if __name__ == "__main__":
    # Read-only copies of a damaged journal go to the temporary folder, which may be the full disk.
    tempfile.tempdir = None
    assert struct.calcsize(wire.FRAME_FORMAT) == FRAME_DTYPE.itemsize
    main()
