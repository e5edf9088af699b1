"""What of a run's journal is intact, and exactly what is missing."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from benchwarden.errors import RecordDamaged
from benchwarden.record.journal_format import NAME, Damage, Gap
from benchwarden.record.journal_reader import JournalReader


@dataclass(frozen=True)
class Recovery:
    """The state of one journal.

    Attributes:
        closed: the writer ended in order.
        header_ok: the facts the run began with are readable.
        frames, events, notes, bursts: how many are intact.
        first_t_s, last_t_s: time of the first and last intact frame, None without frames.
        boots: starts of the board, in order; more than one means it restarted.
        newest: (boot, sequence number) of the last intact frame.
        gaps: sequence numbers missing between the first and the last held.
        damage: rows that are there and cannot be trusted.
        wal_missing: the run did not end in order and the file with its newest
            commits is gone: an unknown number of them with it.
    """

    run_dir: Path
    closed: bool
    header_ok: bool
    frames: int
    events: int
    notes: int
    bursts: int
    first_t_s: float | None
    last_t_s: float | None
    boots: tuple[int, ...]
    newest: tuple[int, int] | None
    gaps: tuple[Gap, ...]
    damage: tuple[Damage, ...]
    wal_missing: bool

    @property
    def intact(self) -> bool:
        """True when nothing is known or suspected to be missing."""
        return self.header_ok and not self.gaps and not self.damage and not self.wal_missing and len(self.boots) <= 1

    def lines(self) -> list[str]:
        """Return the findings as sentences, what is there first."""
        span = "" if self.last_t_s is None else f", t_s {self.first_t_s:.3f} to {self.last_t_s:.3f}"
        words = [f"{self.frames} frames{span}; {self.events} events, {self.notes} notes, {self.bursts} trip records"]
        if not self.closed:
            end = "it holds nothing" if self.newest is None else f"it ends with frame {self.newest[1]}"
            words.append(f"The run was not closed in order: {end}; what came later was never acknowledged.")
        if not self.header_ok:
            words.append("Missing: the header (unit, plan and board the run began with).")
        for before, after in zip(self.boots, self.boots[1:], strict=False):
            words.append(
                f"The board restarted (start {before:08x}, then {after:08x}): what it measured meanwhile is missing."
            )
        for gap in self.gaps:
            words.append(f"Missing: {gap.what}s {gap.first_seq} to {gap.last_seq} ({gap.count}), {gap.why}.")
        for damage in self.damage:
            words.append(f"Damaged: {damage.table} row {damage.rowid}: {damage.why}.")
        if self.wal_missing:
            words.append(
                f"The file {NAME}-wal is gone although the run was not closed: "
                "the newest commits may be missing, nothing here tells how many."
            )
        if self.intact:
            words.append("Nothing is missing in between.")
        return words


def recover(run_dir: Path) -> Recovery:
    """Read a journal through, whatever state it is in, and change nothing.

    Raises:
        RecordError: there is no journal, or not even its first page can be read.
    """
    # Before opening: a reader may itself make an empty -wal.
    wal = run_dir / (NAME + "-wal")
    wal_there = wal.exists() and wal.stat().st_size > 0
    with JournalReader(run_dir) as reader:
        header_ok = True
        try:
            reader.header()
        except RecordDamaged:
            header_ok = False
        count = 0
        first_t_s: float | None = None
        last_t_s: float | None = None
        boots: list[int] = []
        newest: tuple[int, int] | None = None
        for span in reader.spans():
            first_t_s = span.first_t_s if first_t_s is None else first_t_s
            last_t_s = span.last_t_s
            count += span.count
            newest = (span.boot, span.last_seq)
            if span.boot not in boots:
                boots.append(span.boot)
        gaps = tuple(reader.gaps())
        events, notes, bursts = len(reader.events()), len(reader.notes()), len(reader.bursts())
        closed = reader.closed
        damage = tuple(reader.damage.values())
    return Recovery(
        run_dir=run_dir,
        closed=closed,
        header_ok=header_ok,
        frames=count,
        events=events,
        notes=notes,
        bursts=bursts,
        first_t_s=first_t_s,
        last_t_s=last_t_s,
        boots=tuple(boots),
        newest=newest,
        gaps=gaps,
        damage=damage,
        wal_missing=not closed and not wal_there,
    )
