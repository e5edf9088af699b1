"""Is a ZIP from elsewhere an export of jobs, whole and harmless? Asked before a byte of it is used."""

from __future__ import annotations

import hashlib
import json
import re
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from benchwarden.errors import RecordError
from benchwarden.jobs.exchange import FORMAT, MANIFEST
from benchwarden.jobs.photos import MOST_BYTES

JOB_NAME = re.compile(r"jobs/[0-9]{6,9}\.jsonl")
PHOTO_NAME = re.compile(r"photos/([0-9a-f]{64})\.(jpg|png)")
SAMPLES_NAME = re.compile(r"samples/([0-9a-f]{64})\.parquet")
_MOST_MEMBERS = 2_000_000
_MOST_MANIFEST = 500_000_000
_MOST_OF_A_JOB = 512_000_000
# Versions of a job are much alike and pack well, by a hundred at most; a bomb packs by a thousand.
_MOST_GROWTH = 200
_GROWTH_FREE = 32_000_000
_PIECE = 1 << 20
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError)


@contextmanager
def reading_member(path: Path, name: str) -> Iterator[None]:
    """Turn what a damaged member raises into a RecordError that names it."""
    try:
        yield
    except OSError as error:
        raise RecordError(f"{path}: {name}: cannot be read ({error.strerror or error})") from error
    except _BROKEN as error:
        raise RecordError(f"{path}: {name}: damaged ({error}); nothing was imported of it") from error


@contextmanager
def opened_export(path: Path) -> Iterator[zipfile.ZipFile]:
    """Give a checked ZIP: every name, size and digest is as its manifest says.

    Raises:
        RecordError: it is no export, or not whole; names the member. Nothing was used of it.
    """
    with reading_member(path, "the ZIP"):
        packed = zipfile.ZipFile(path)
    with packed:
        _check_names(path, packed)
        members = _manifest(path, packed)
        _check_digests(path, packed, members)
        yield packed


def _check_names(path: Path, packed: zipfile.ZipFile) -> None:
    infos = packed.infolist()
    if len(infos) > _MOST_MEMBERS:
        raise RecordError(f"{path}: {len(infos)} members; allowed: {_MOST_MEMBERS} at most")
    seen: set[str] = set()
    grown, packed_size = 0, 0
    for info in infos:
        name = info.filename
        shown = f"{path}: member {name[:120]!r}"
        is_job, is_photo = JOB_NAME.fullmatch(name), PHOTO_NAME.fullmatch(name)
        if not (is_job or is_photo or SAMPLES_NAME.fullmatch(name) or name == MANIFEST):
            raise RecordError(f"{shown}: no name of an export; nothing was imported")
        if name in seen:
            raise RecordError(f"{shown}: is there twice; nothing was imported")
        seen.add(name)
        if info.flag_bits & 1:
            raise RecordError(f"{shown}: is encrypted; nothing was imported")
        most = MOST_BYTES if is_photo else _MOST_OF_A_JOB if is_job else _MOST_MANIFEST if name == MANIFEST else 0
        if most and info.file_size > most:
            raise RecordError(f"{shown}: {info.file_size} bytes unpacked; allowed: {most}")
        if not (is_job or name == MANIFEST) and (
            info.compress_type != zipfile.ZIP_STORED or info.compress_size != info.file_size
        ):
            raise RecordError(f"{shown}: is packed; an export stores it as it is; nothing was imported")
        grown += info.file_size
        packed_size += info.compress_size
        if grown > _MOST_GROWTH * packed_size + _GROWTH_FREE:
            raise RecordError(f"{shown}: unpacks to far more than an export does; nothing was imported")
    if MANIFEST not in seen:
        raise RecordError(f"{path}: no {MANIFEST}: not an export of jobs, or its end is missing")


def _manifest(path: Path, packed: zipfile.ZipFile) -> dict[str, dict[str, Any]]:
    with reading_member(path, MANIFEST):
        found = json.loads(packed.read(MANIFEST))
    if not isinstance(found, dict) or found.get("format") != FORMAT or not isinstance(found.get("members"), dict):
        said = found.get("format") if isinstance(found, dict) else None
        raise RecordError(f"{path}: {MANIFEST}: format {str(said)[:60]!r}; allowed: {FORMAT!r}")
    members: dict[str, dict[str, Any]] = found["members"]
    there = set(packed.namelist()) - {MANIFEST}
    for name in sorted(set(members) - there)[:1]:
        raise RecordError(f"{path}: member {name[:120]!r} is missing; nothing was imported")
    for name in sorted(there - set(members))[:1]:
        raise RecordError(f"{path}: member {name[:120]!r} is not in the manifest; nothing was imported")
    return members


def _check_digests(path: Path, packed: zipfile.ZipFile, members: dict[str, dict[str, Any]]) -> None:
    for name, entry in members.items():
        digest, size = hashlib.sha256(), 0
        with reading_member(path, name), packed.open(name) as member:
            while piece := member.read(_PIECE):
                digest.update(piece)
                size += len(piece)
        if not isinstance(entry, dict) or (entry.get("sha256"), entry.get("size")) != (digest.hexdigest(), size):
            raise RecordError(f"{path}: member {name!r} is not what the manifest says; nothing was imported")
        own = PHOTO_NAME.fullmatch(name) or SAMPLES_NAME.fullmatch(name)
        if own and own[1] != digest.hexdigest():
            raise RecordError(f"{path}: member {name!r} is not what its name says; nothing was imported")
