"""What a bundle (ZIP) shows: every byte of it, the files in it, and their seals."""

from __future__ import annotations

import hashlib
import re
import zipfile
import zlib
from pathlib import Path

from benchwarden.errors import RecordError
from benchwarden.proof.findings import Findings
from benchwarden.proof.seal_check import Trust, check_seal
from benchwarden.proof.seal_form import MOST_SEAL_BYTES, SEAL_NAME, seal_from
from benchwarden.proof.verify_pdf import MOST_PDF_BYTES, check_pdf
from benchwarden.proof.zip_seal import zip_seal_state
from benchwarden.record.journal_format import NAME as JOURNAL_NAME

SUMS_NAME = "SHA256SUMS"
_LINE = re.compile(r"([0-9a-f]{64})  ([^\r\n/\\]{1,200})")
_MOST_MEMBERS = 1000
_MOST_BYTES = 4_000_000_000
_MOST_SUMS_BYTES = 1_000_000
_CHUNK = 1 << 20


def check_bundle(path: Path, trust: Trust, now_utc: str) -> Findings:
    """Return what a bundle shows."""
    out = Findings(str(path))
    try:
        state = zip_seal_state(path)
        if state == "intact":
            out.add("intact", "whole file", "every byte of the bundle is as it was made")
        elif state == "changed":
            out.add("changed", "whole file", "the bundle was changed after it was made: its bytes do not fit its seal")
        with zipfile.ZipFile(path) as bundle:
            _check_members(out, bundle, state, trust, now_utc)
    except OSError as error:
        out.add("unknown", "", f"cannot be read ({error.strerror})")
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, ValueError, EOFError) as error:
        # All that a damaged or made-up archive drives the library to.
        out.add("changed" if _was_bundle(path) else "unknown", "", f"the archive is damaged ({error})")
    return out


def _was_bundle(path: Path) -> bool:
    # Names and comment stand at the end, as plain bytes.
    with open(path, "rb") as file:
        file.seek(max(0, path.stat().st_size - 65_536))
        tail = file.read()
    return SUMS_NAME.encode() in tail or b"benchwarden bundle" in tail


def _check_members(out: Findings, bundle: zipfile.ZipFile, state: str, trust: Trust, now_utc: str) -> None:
    members = bundle.infolist()
    names = [one.filename for one in members]
    total = sum(one.file_size for one in members)
    if len(members) > _MOST_MEMBERS or total > _MOST_BYTES:
        out.add("unknown", "", f"{len(members)} files of {total} bytes unpacked; more than a bundle holds")
        return
    if SUMS_NAME not in names:
        if state == "none" and SEAL_NAME not in names:
            out.add("unknown", "", "this archive is no bundle of this program")
            return
        out.add("missing", SUMS_NAME, "the list of the bundle's files is gone")
    if state == "none":
        out.add(
            "missing",
            "whole file",
            "the seal over the bundle's bytes is gone or damaged: it was changed or packed anew",
        )
    digests: dict[str, str] = {}
    for one in members:
        if one.filename in digests:
            out.add("changed", one.filename, "is in the bundle more than once")
            continue
        try:
            digests[one.filename] = _digest(bundle, one)
        except (zipfile.BadZipFile, zlib.error, EOFError) as error:
            digests[one.filename] = ""
            out.add("changed", one.filename, f"is damaged ({error})")
    _check_sums(out, bundle, digests)
    _check_seal(out, bundle, digests, trust, now_utc)
    for one in members:
        if one.filename.endswith(".pdf") and digests[one.filename]:
            inner = check_pdf(_read(bundle, one, MOST_PDF_BYTES), one.filename, trust, now_utc, is_inside=True)
            out.extend((found for found in inner.found if found.kind != "note"), one.filename)
            if inner.head and out.head and inner.head != out.head:
                out.add("note", one.filename, f"shows another head than {SEAL_NAME} ({inner.head})")
            out.head = out.head or inner.head


def _digest(bundle: zipfile.ZipFile, member: zipfile.ZipInfo) -> str:
    digest, size = hashlib.sha256(), 0
    with bundle.open(member) as file:
        while chunk := file.read(_CHUNK):
            size += len(chunk)
            if size > member.file_size:
                raise zipfile.BadZipFile("it unpacks to more than it says")
            digest.update(chunk)
    return digest.hexdigest()


def _read(bundle: zipfile.ZipFile, member: zipfile.ZipInfo, most: int) -> bytes:
    with bundle.open(member) as file:
        return file.read(most + 1)


def _check_sums(out: Findings, bundle: zipfile.ZipFile, digests: dict[str, str]) -> None:
    if not digests.get(SUMS_NAME):
        return
    text = _read(bundle, bundle.getinfo(SUMS_NAME), _MOST_SUMS_BYTES).decode("utf-8", "replace")
    listed: dict[str, str] = {}
    for line in text.splitlines():
        found = _LINE.fullmatch(line)
        if found is None:
            out.add("changed", SUMS_NAME, "holds a line that is no digest and name")
            return
        listed[found.group(2)] = found.group(1)
    for name, digest in listed.items():
        if name not in digests:
            out.add("missing", name, f"is listed in {SUMS_NAME} and not in the bundle")
        elif digests[name] and digests[name] != digest:
            out.add("changed", name, f"is not what {SUMS_NAME} lists")
        elif digests[name]:
            out.add("intact", name, "is as it was packed")
    for name in digests:
        if name not in listed and name != SUMS_NAME:
            out.add("added", name, f"is in the bundle and not listed in {SUMS_NAME}")


def _check_seal(out: Findings, bundle: zipfile.ZipFile, digests: dict[str, str], trust: Trust, now_utc: str) -> None:
    if not digests.get(SEAL_NAME):
        out.add("unknown", SEAL_NAME, "the run's seal is not in the bundle")
        return
    try:
        found = seal_from(_read(bundle, bundle.getinfo(SEAL_NAME), MOST_SEAL_BYTES), SEAL_NAME)
    except RecordError as error:
        out.add("changed", SEAL_NAME, str(error).removeprefix(f"{SEAL_NAME}: "))
        return
    out.head = found.seal.head
    out.extend(check_seal(found, SEAL_NAME, trust, now_utc))
    for one in found.seal.files:
        if one.name not in digests:
            what = "the workshop has it; its entries' hashes are here" if one.name == JOURNAL_NAME else "not packed"
            out.add("note", one.name, f"is sealed and not in the bundle: {what}")
        elif digests[one.name] and digests[one.name] != one.sha256:
            out.add("changed", one.name, "is not what the run's seal lists")
