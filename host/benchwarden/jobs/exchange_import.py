"""Takes an export into a store, empty or not, without ever overwriting anything.

A job that is not here is made with all its versions. One that is here with the same versions is
left alone. Where a version differs from the one here, it is kept beside the job as a conflict and told:
a person decides. Each job is one transaction, and doing it again changes nothing, so
that an import that was cut short is simply repeated.
"""

from __future__ import annotations

import json
import tempfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, insert, select

from benchwarden.core.job import Job, Photo
from benchwarden.core.job_form import job_from
from benchwarden.errors import JobError, RecordError
from benchwarden.jobs import job_rows, picture_rows, sample_rows
from benchwarden.jobs.documents import SavedVersion, checked, digest_of
from benchwarden.jobs.exchange import EXTENSIONS
from benchwarden.jobs.exchange_check import JOB_NAME, opened_export, reading_member
from benchwarden.jobs.photos import check_kept
from benchwarden.jobs.samples import rows_of
from benchwarden.jobs.schema import job_conflicts, job_versions, jobs
from benchwarden.jobs.store import JobStore

_LONGEST_LINE = 64_000_000
_LONGEST_WORD = 200


@dataclass(frozen=True)
class Imported:
    """What an import did, by job number.

    Attributes:
        conflicts: jobs of which versions came that differ from those here; they are kept beside the job.
        refused: why a job of the file was not taken, in words; nothing of it was, the others were.
        samples: runs whose samples were taken in.
    """

    added: tuple[str, ...]
    skipped: tuple[str, ...]
    conflicts: tuple[str, ...]
    refused: tuple[str, ...]
    samples: int


class _NotTaken(RecordError):
    """What the file says of a job cannot be; the others of the file may."""


@dataclass
class _Version:
    saved: SavedVersion
    document: str
    job: Job


@dataclass
class _Package:
    """One job as the file tells it."""

    number: str
    samples: list[sample_rows.KeptSamples]
    versions: list[_Version] = field(default_factory=list)
    conflicts: list[_Version] = field(default_factory=list)


def import_jobs(store: JobStore, path: Path, at_utc: str) -> Imported:
    """Take everything from an export.

    Args:
        at_utc: when, as a label; `path`'s name and this are told with every conflict.

    Raises:
        RecordError: the file is no export or not whole (names the member; nothing was imported), or the
            store failed (the jobs before were imported; do it again).
    """
    added: list[str] = []
    skipped: list[str] = []
    conflicts: list[str] = []
    refused: list[str] = []
    samples = 0
    with opened_export(path) as packed:
        for name in sorted(name for name in packed.namelist() if JOB_NAME.fullmatch(name)):
            try:
                package = _package(path, packed, name)
                with store.database.writing(f"importing job {package.number!r}") as connection:
                    entry = _Entry(connection, path, packed, at_utc)
                    told = entry.take(package)
            except _NotTaken as error:
                refused.append(str(error))
                continue
            samples += entry.samples
            {"added": added, "skipped": skipped, "conflict": conflicts}[told].append(package.number)
    return Imported(tuple(added), tuple(skipped), tuple(conflicts), tuple(refused), samples)


class _Entry:
    """One job on its way in."""

    def __init__(self, connection: Connection, path: Path, packed: zipfile.ZipFile, at_utc: str) -> None:
        self._connection = connection
        self._path = path
        self._packed = packed
        self._at_utc = at_utc
        self.samples = 0

    def take(self, package: _Package) -> str:
        asked = select(jobs.c.id).where(jobs.c.number == package.number).with_for_update()
        row_id = self._connection.execute(asked).scalar()
        told = "skipped"
        if row_id is None:
            self._photos(package.versions)
            row_id = self._make(package.versions)
            told = "added"
        else:
            here = select(job_versions.c.version, job_versions.c.sha256).where(job_versions.c.job_id == row_id)
            known = {(row.version, row.sha256) for row in self._connection.execute(here)}
            differs = [one for one in package.versions if (one.saved.version, one.saved.sha256) not in known]
            if self._beside(row_id, differs):
                told = "conflict"
        self._beside(row_id, package.conflicts)
        for samples in package.samples:
            self._samples(row_id, samples)
        return told

    def _make(self, versions: list[_Version]) -> int:
        newest = versions[-1].job
        row_id = job_rows.bare_row(self._connection, newest)
        for one in versions:
            job_rows.add_version(self._connection, row_id, one.saved, one.document)
        job_rows.write_lookups(self._connection, row_id, newest)
        return row_id

    def _beside(self, row_id: int, versions: list[_Version]) -> bool:
        """Keep versions as conflicts; true where one of them is new."""
        table = job_conflicts
        here = select(table.c.version, table.c.sha256).where(table.c.job_id == row_id)
        known = {(row.version, row.sha256) for row in self._connection.execute(here)}
        new = [one for one in versions if (one.saved.version, one.saved.sha256) not in known]
        self._photos(new)
        for one in new:
            saved = one.saved
            self._connection.execute(
                insert(table).values(
                    job_id=row_id,
                    version=saved.version,
                    at_utc=saved.at_utc,
                    saved_by=saved.by,
                    what=saved.what,
                    sha256=saved.sha256,
                    document=one.document,
                    imported_at_utc=self._at_utc,
                    source=saved.source or self._path.name[:_LONGEST_WORD],
                )
            )
        return bool(new)

    def _photos(self, versions: list[_Version]) -> None:
        wanted: dict[str, Photo] = {photo.sha256: photo for one in versions for photo in one.job.photos}
        for photo in wanted.values():
            name = f"photos/{photo.sha256}.{EXTENSIONS.get(photo.media_type, '')}"
            if name not in self._packed.NameToInfo:
                raise _NotTaken(f"{self._path}: member {name[:120]!r}: missing, though a job has this photo")
            with reading_member(self._path, name):
                data = self._packed.read(name)
            try:
                check_kept(photo.name, photo.media_type, data)
            except JobError as error:
                raise _NotTaken(f"{self._path}: member {name}: {error}") from error
            picture_rows.keep(self._connection, photo, data)

    def _samples(self, row_id: int, samples: sample_rows.KeptSamples) -> None:
        here = sample_rows.kept(self._connection, row_id)
        if any((known.folder, known.sha256) == (samples.folder, samples.sha256) for known in here):
            return
        name = f"samples/{samples.sha256}.parquet"
        if name not in self._packed.NameToInfo:
            raise _NotTaken(f"{self._path}: member {name[:120]!r}: missing, though a job has these samples")
        with tempfile.TemporaryDirectory(prefix="benchwarden-") as folder:
            target = Path(folder) / "samples.parquet"
            with reading_member(self._path, name), self._packed.open(name) as member, open(target, "wb") as out:
                while data := member.read(sample_rows.PART_BYTES):
                    out.write(data)
            try:
                rows_of(target)
            except RecordError as error:
                raise _NotTaken(f"{self._path}: member {name}: {error}") from error
            sample_rows.keep(self._connection, row_id, samples.folder, target, samples.kept_at_utc, samples.kept_by)
        self.samples += 1


def _package(path: Path, packed: zipfile.ZipFile, name: str) -> _Package:
    """Return the job of a member, every line of it checked."""
    where = f"{path}: {name}"
    lines = _lines(path, packed, name)
    first = next(lines, {})
    number, rows = first.get("number"), first.get("samples")
    if not isinstance(number, str) or not isinstance(rows, list):
        raise _NotTaken(f"{where}: line 1: no number and samples of a job")
    package = _Package(number, [_samples_of(row, where) for row in rows])
    for count, line in enumerate(lines, 2):
        kind = line.get("kind")
        if kind == "damaged":
            raise _NotTaken(f"{where}: line {count}: was damaged already in the store that it was exported from")
        if kind not in ("version", "conflict"):
            raise _NotTaken(f"{where}: line {count}: kind {str(kind)[:40]!r}; allowed: version, conflict")
        one = _version_of(line, number, f"{where}: line {count}")
        (package.versions if kind == "version" else package.conflicts).append(one)
    numbers = [one.saved.version for one in package.versions]
    if not numbers or numbers != list(range(1, len(numbers) + 1)):
        raise _NotTaken(f"{where}: its versions are {str(numbers)[:80]}; allowed: 1, 2, 3 and so on, none missing")
    return package


def _lines(path: Path, packed: zipfile.ZipFile, name: str) -> Iterator[dict[str, Any]]:
    count = 0
    with reading_member(path, name), packed.open(name) as member:
        while line := member.readline(_LONGEST_LINE + 1):
            count += 1
            if len(line) > _LONGEST_LINE:
                raise _NotTaken(f"{path}: {name}: line {count} is longer than {_LONGEST_LINE} bytes")
            try:
                found = json.loads(line)
            except (ValueError, RecursionError) as error:
                raise _NotTaken(f"{path}: {name}: line {count}: no JSON") from error
            if not isinstance(found, dict):
                raise _NotTaken(f"{path}: {name}: line {count}: a {type(found).__name__}; allowed: a table")
            yield found


def _version_of(line: dict[str, Any], number: str, where: str) -> _Version:
    texts = [_word(line, key, where) for key in ("at_utc", "by", "what", "sha256", "source")]
    at_utc, by, what, sha256, source = texts
    version = line.get("version")
    try:
        document = json.dumps(
            line.get("document"), ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False
        )
        job = job_from(line.get("document"), where)
        checked(job)
        digest = digest_of(document)
    except (ValueError, RecursionError) as error:
        raise _NotTaken(f"{where}: {error}") from error
    if (job.number, job.version) != (number, version) or isinstance(version, bool):
        raise _NotTaken(f"{where}: says job {job.number[:40]!r}, version {job.version}; the line says otherwise")
    if digest != sha256:
        raise _NotTaken(f"{where}: its document is not what its digest says")
    return _Version(SavedVersion(job.version, at_utc, by, what, sha256, source), document, job)


def _samples_of(row: Any, where: str) -> sample_rows.KeptSamples:
    if not isinstance(row, dict):
        raise _NotTaken(f"{where}: line 1: samples; allowed: tables")
    folder, sha256, at_utc, by = (_word(row, key, where) for key in ("folder", "sha256", "kept_at_utc", "kept_by"))
    return sample_rows.KeptSamples(0, folder, sha256, 0, 0, at_utc, by)


def _word(table: dict[str, Any], key: str, where: str) -> str:
    found = table.get(key, "")
    if not isinstance(found, str) or len(found) > _LONGEST_WORD or not (found == "" or found.isprintable()):
        raise _NotTaken(f"{where}: {key}; allowed: a short text on one line")
    return found
