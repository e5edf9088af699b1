"""Seals a run: what its journal holds, and the files made from it.

Sealing goes with printing: `seal_journal` before (it gives the head that every
page shows), `attachment_seal` for the copy inside the PDF, `write_seal` after.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from benchwarden.core.clock import SystemClock
from benchwarden.errors import RecordDamaged, RecordError
from benchwarden.proof.bounded import read_within
from benchwarden.proof.canonical import canonical
from benchwarden.proof.entries import EntryWalk, heads_of
from benchwarden.proof.seal_form import (
    MOST_SEAL_BYTES,
    SEAL_NAME,
    EarlierSeal,
    ReadSeal,
    Seal,
    SealedFile,
    clean,
    seal_bytes,
    seal_from,
)
from benchwarden.proof.signing import Signer
from benchwarden.record import summary
from benchwarden.record.journal_format import NAME as JOURNAL_NAME
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.run_folder import LOCK_NAME, RESERVE_NAME, lock, sync_folder, unlock

# What the program itself goes on changing beside a sealed journal.
WORKING_FILES = frozenset(
    (
        SEAL_NAME,
        JOURNAL_NAME,
        f"{JOURNAL_NAME}-wal",
        f"{JOURNAL_NAME}-shm",
        LOCK_NAME,
        RESERVE_NAME,
        summary.NAME,
        "alerts.log",
    )
)
_MOST_DAMAGE = 200
_CHUNK = 1 << 20


def seal_journal(run_dir: Path, made_at_utc: str | None = None) -> Seal:
    """Return the seal over a run's journal; nothing is written.

    A run that was cut off can be sealed, too: the seal says that it was not
    closed in order, and which rows were damaged then. Seals that are there
    already are named in the new one.

    Args:
        made_at_utc: wall clock as a label; default: the machine's.

    Raises:
        RecordError: no journal, or the run is still being recorded.
    """
    if not (run_dir / JOURNAL_NAME).is_file():
        raise RecordError(f"{run_dir / JOURNAL_NAME}: no run here, nothing to seal")
    try:
        held = lock(run_dir)
    except RecordError as error:
        raise RecordError(f"{run_dir}: still being recorded; a run is sealed when it has ended") from error
    except OSError as error:
        raise RecordError(f"{run_dir}: cannot be sealed, the folder cannot be written ({error.strerror})") from error
    try:
        with JournalReader(run_dir) as reader:
            return sealed(reader, earlier_seals(run_dir), made_at_utc or SystemClock().utc_label())
    finally:
        unlock(held)


def sealed(reader: JournalReader, earlier: tuple[EarlierSeal, ...], made_at_utc: str) -> Seal:
    """Return the seal over an open journal."""
    walk = EntryWalk(reader)
    entries = list(walk)
    heads = heads_of([entry.leaf for entry in entries])
    try:
        header = reader.header()
    except RecordDamaged:
        header = {}
    gaps = reader.gaps()
    counts = {
        "frames": sum(entry.frames for entry in entries),
        "minutes": sum(1 for entry in entries if entry.frames),
        "missing_frames": sum(gap.count for gap in gaps if gap.what == "frame"),
        "missing_events": sum(gap.count for gap in gaps if gap.what == "event"),
    }
    for kind in ("event", "note", "burst"):
        counts[f"{kind}s"] = sum(1 for entry in entries if entry.label.startswith(f"{kind} "))
    damage = [f"{d.table} row {d.rowid}: {clean(d.why)}"[:500] for d in reader.damage.values()]
    if walk.header_lost:
        damage.insert(0, "the header")
    if len(damage) > _MOST_DAMAGE:
        damage[_MOST_DAMAGE:] = [f"and {len(damage) - _MOST_DAMAGE} rows more"]
    return Seal(
        run=_run_facts(header),
        board=_board_facts(header.get("board")),
        closed=reader.closed,
        boots=tuple(f"{boot:08x}" for boot in walk.boots),
        counts=counts,
        first_ms=walk.first_ms,
        last_ms=walk.last_ms,
        damage=tuple(damage),
        entries=tuple((entry.label, entry.leaf.hex()) for entry in entries),
        tree_head=heads.tree.hex(),
        chain_head=heads.chain.hex(),
        head=heads.head.hex(),
        earlier=earlier,
        made_at_utc=clean(made_at_utc),
    )


def _run_facts(header: dict[str, Any]) -> dict[str, str]:
    facts = {key: clean(header.get(key, "")) for key in ("run", "run_type", "started_at_utc", "host_version")}
    facts["virtual"] = "yes" if header.get("virtual") else "no"
    with suppress(RecordError):
        facts["plan_sha256"] = hashlib.sha256(canonical(header.get("plan"))).hexdigest()
    return facts


def _board_facts(board: Any) -> dict[str, str]:
    if not isinstance(board, dict):
        return {}
    facts = {key: clean(board.get(key, "")) for key in ("board", "fw", "wire", "mpy", "cal")}
    facts["program"] = clean(board.get("program_digest") or board.get("program") or "")
    calibration = board.get("calibration")
    if isinstance(calibration, dict):
        with suppress(RecordError):
            facts["calibration_sha256"] = hashlib.sha256(canonical(calibration)).hexdigest()
    return facts


def attachment_seal(seal: Seal, attached: Mapping[str, bytes], signer: Signer | None) -> bytes:
    """Return the seal.json that goes into a PDF beside the files `attached` (name to bytes)."""
    files = tuple(
        SealedFile(name=name, sha256=hashlib.sha256(data).hexdigest(), size=len(data))
        for name, data in sorted(attached.items())
    )
    return seal_bytes(seal.model_copy(update={"covers": "journal", "attachments": files}), signer)


def write_seal(run_dir: Path, seal: Seal, signer: Signer | None) -> Path:
    """Write `seal.json` into the run folder, with every other file there as it is now, and return its path.

    Raises:
        RecordError: a file cannot be read, or the folder cannot be written.
    """
    files = [digest_of(path) for path in covered_files(run_dir)]
    why = ""
    wal = run_dir / f"{JOURNAL_NAME}-wal"
    if wal.exists() and wal.stat().st_size:
        why = f"{wal.name} still holds commits (the run was cut off, or a page has it open)"
    else:
        files.append(digest_of(run_dir / JOURNAL_NAME))
    whole = seal.model_copy(
        update={"covers": "folder", "files": tuple(sorted(files, key=lambda f: f.name)), "journal_file": why}
    )
    target = run_dir / SEAL_NAME
    replace_durably(target, seal_bytes(whole, signer))
    return target


def covered_files(run_dir: Path) -> list[Path]:
    """Return the files of a run folder that a seal lists beside the journal, sorted by name."""
    try:
        found = [path for path in run_dir.iterdir() if _is_covered(path)]
    except OSError as error:
        raise RecordError(f"{run_dir}: cannot be read ({error.strerror})") from error
    return sorted(found, key=lambda path: path.name)


def _is_covered(path: Path) -> bool:
    name = path.name
    if name in WORKING_FILES or name.startswith(".") or name.endswith(".new"):
        return False
    return stat.S_ISREG(path.lstat().st_mode)


def digest_of(path: Path) -> SealedFile:
    """Return name, SHA-256 and size of a file.

    Raises:
        RecordError: it cannot be read.
    """
    found, size = hashlib.sha256(), 0
    try:
        with open(path, "rb") as file:
            while chunk := file.read(_CHUNK):
                found.update(chunk)
                size += len(chunk)
    except OSError as error:
        raise RecordError(f"{path}: cannot be read ({error.strerror})") from error
    return SealedFile(name=clean(path.name), sha256=found.hexdigest(), size=size)


def earlier_seals(run_dir: Path) -> tuple[EarlierSeal, ...]:
    """Return the seals that a new one replaces, oldest first; one that cannot be read is named by its bytes."""
    path = run_dir / SEAL_NAME
    if not path.exists():
        return ()
    try:
        found = read_seal(run_dir)
    except RecordError:
        return (EarlierSeal(head="", sha256=digest_of(path).sha256, made_at_utc=""),)
    seal = found.seal
    return (*seal.earlier, EarlierSeal(head=seal.head, sha256=found.sha256, made_at_utc=seal.made_at_utc))


def read_seal(run_dir: Path) -> ReadSeal:
    """Return the seal of a run folder.

    Raises:
        RecordError: there is none, or it is no seal this program can read.
    """
    path = run_dir / SEAL_NAME
    if path.exists() and not path.is_file():
        raise RecordError(f"{path}: not a file")
    try:
        data = read_within(path, MOST_SEAL_BYTES)
    except FileNotFoundError as error:
        raise RecordError(f"{path}: this run is not sealed; `benchwarden seal {run_dir}` does it") from error
    except OSError as error:
        raise RecordError(f"{path}: cannot be read ({error.strerror})") from error
    return seal_from(data, str(path))


def replace_durably(target: Path, data: bytes) -> None:
    """Put `data` where `target` is, whole or not at all, and force it to disk.

    Raises:
        RecordError: it cannot be written.
    """
    scratch = target.with_name(target.name + ".new")
    try:
        with open(scratch, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        os.replace(scratch, target)
        sync_folder(target.parent)
    except OSError as error:
        with suppress(OSError):
            scratch.unlink()
        raise RecordError(f"{target}: cannot be written ({error.strerror})") from error
