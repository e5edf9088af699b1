"""Packs what was sealed of a run into one file: everything but the journal, a page of words, a list of digests.

The same run gives the same file: names in order, no clock, no rights of this
machine. The list is in the form that `sha256sum -c` takes, and the file's last
bytes are a seal over all of it.
"""

from __future__ import annotations

import hashlib
import os
import zipfile
from contextlib import suppress
from pathlib import Path

from benchwarden.errors import RecordError
from benchwarden.proof.seal import read_seal
from benchwarden.proof.seal_form import SEAL_NAME, ReadSeal
from benchwarden.proof.verify_bundle import SUMS_NAME
from benchwarden.proof.zip_seal import BLANK_COMMENT, seal_zip
from benchwarden.record.journal_format import NAME as JOURNAL_NAME

README_NAME = "README.txt"
# The earliest date a ZIP file can tell; a real one would differ with every packing.
_DATE = (1980, 1, 1, 0, 0, 0)
_CHUNK = 1 << 20
_WORDS = {
    "record.pdf": "the record: page one in plain words, then the measurements; the data are inside it, too",
    "bias-log.pdf": "the bias-stability log, one page",
    "recording.csv": "the samples of the whole run, for a spreadsheet or a program",
    "verdict.json": "the verdict and its figures",
    "job.json": "the repair: what was found, fitted and checked",
    "unit.toml": "what is known of the set, for judging the recording again",
    SEAL_NAME: "the seal: digests of all that was recorded and of these files",
}


def write_bundle(run_dir: Path, out: Path) -> tuple[str, ...]:
    """Write the bundle of a sealed run and return the names of what is in it.

    Raises:
        RecordError: the run is not sealed, a file was changed since, or `out` is there already or cannot be written.
    """
    found = read_seal(run_dir)
    if not found.intact:
        raise RecordError(f"{run_dir / SEAL_NAME}: the seal was changed; `benchwarden verify {run_dir}` says more")
    if out.exists():
        raise RecordError(f"{out}: is there already and stays; choose another name")
    digests = {one.name: one.sha256 for one in found.seal.files if one.name != JOURNAL_NAME}
    digests[SEAL_NAME] = found.sha256
    scratch = out.with_name(out.name + ".new")
    try:
        names = _pack(run_dir, scratch, digests, found)
        seal_zip(scratch)
        os.replace(scratch, out)
    except OSError as error:
        raise RecordError(f"{out}: the bundle cannot be written ({error.strerror})") from error
    finally:
        with suppress(OSError):
            scratch.unlink()
    return names


def _pack(run_dir: Path, target: Path, digests: dict[str, str], found: ReadSeal) -> tuple[str, ...]:
    readme = _readme(sorted(digests), found).encode()
    sums = {**digests, README_NAME: hashlib.sha256(readme).hexdigest()}
    listed = "".join(f"{digest}  {name}\n" for name, digest in sorted(sums.items())).encode()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as bundle:
        bundle.comment = BLANK_COMMENT
        bundle.writestr(_member(README_NAME), readme)
        for name, digest in sorted(digests.items()):
            if _packed(bundle, name, run_dir / name) != digest:
                raise RecordError(
                    f"{run_dir / name}: was changed after sealing and goes to no customer; "
                    f"`benchwarden verify {run_dir}` says more"
                )
        bundle.writestr(_member(SUMS_NAME), listed)
        return tuple(bundle.namelist())


def _packed(bundle: zipfile.ZipFile, name: str, path: Path) -> str:
    digest = hashlib.sha256()
    with open(path, "rb") as file, bundle.open(_member(name), "w", force_zip64=True) as out:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
            out.write(chunk)
    return digest.hexdigest()


def _member(name: str) -> zipfile.ZipInfo:
    member = zipfile.ZipInfo(name, _DATE)
    member.compress_type = zipfile.ZIP_DEFLATED
    member.create_system = 3
    member.external_attr = 0o100644 << 16
    return member


def _readme(names: list[str], found: ReadSeal) -> str:
    seal = found.seal
    if found.signature is not None:
        signed = f"It is signed with key {found.signature.key_id}. The workshop tells you whether this key is its own."
    else:
        signed = "It is not signed: compare the head below with the one printed on every page of the record."
    files = "\n".join(f"  {name:16}{_WORDS.get(name, 'kept with the run')}" for name in names)
    return (
        "This is the record of a supervised run of an amplifier after repair.\n\n"
        f"Run: {seal.run.get('run', '')}\n"
        f"Begun: {seal.run.get('started_at_utc', '')} (the computer's clock, a label only)\n"
        f"Sealed: {seal.made_at_utc} (the same)\n"
        f"Head of the journal: {seal.head}\n\n"
        f"In this bundle:\n{files}\n\n"
        "Nothing is needed but record.pdf to read what was done and measured.\n\n"
        f"Whether something was changed: `benchwarden verify` on this file. {signed}\n"
        f"Without that program: unpack and run `sha256sum -c {SUMS_NAME}`; that finds accidents, not forgeries.\n\n"
        "The journal itself stays with the workshop; its digests are in the seal.\n"
        "This record tells what was measured during the run. It is no promise of what comes after it.\n"
    )
