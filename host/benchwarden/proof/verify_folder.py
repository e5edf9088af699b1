"""What a run folder shows: the journal, the files beside it, and the seal over both."""

from __future__ import annotations

import json
from pathlib import Path

from benchwarden.errors import RecordError
from benchwarden.proof.bounded import read_within
from benchwarden.proof.findings import Findings
from benchwarden.proof.journal_check import JournalState, compared, journal_state
from benchwarden.proof.seal import covered_files, digest_of, read_seal
from benchwarden.proof.seal_check import Trust, check_seal
from benchwarden.proof.seal_form import SEAL_NAME, Seal
from benchwarden.proof.verify_pdf import MOST_PDF_BYTES, check_pdf
from benchwarden.record.journal_format import NAME as JOURNAL_NAME

VERDICT_NAME = "verdict.json"
_MOST_VERDICT_BYTES = 16_000_000


def check_folder(run_dir: Path, trust: Trust, now_utc: str) -> Findings:
    """Return what a run folder shows; nothing in it is changed."""
    out = Findings(str(run_dir))
    if not (run_dir / SEAL_NAME).exists():
        out.add("unknown", SEAL_NAME, f"this run is not sealed; `benchwarden seal {run_dir}` seals what is here now")
        return out
    try:
        found = read_seal(run_dir)
    except RecordError as error:
        out.add("changed", SEAL_NAME, f"cannot be read ({str(error).removeprefix(f'{run_dir / SEAL_NAME}: ')})")
        return out
    seal = found.seal
    out.extend(check_seal(found, SEAL_NAME, trust, now_utc))
    if seal.covers != "folder":
        out.add("changed", SEAL_NAME, "is the seal out of a PDF, not that of a run folder")
    _check_files(out, run_dir, seal)
    state = _check_journal(out, run_dir, seal)
    if state is not None:
        out.head = state.head
        _check_verdict(out, run_dir, state)
    _check_pdfs(out, run_dir, seal, trust, now_utc)
    return out


def _check_journal(out: Findings, run_dir: Path, seal: Seal) -> JournalState | None:
    if not (run_dir / JOURNAL_NAME).exists():
        out.add("missing", JOURNAL_NAME, "the journal is gone")
        return None
    try:
        state = journal_state(run_dir)
    except RecordError as error:
        out.add("changed", JOURNAL_NAME, str(error).removeprefix(f"{run_dir / JOURNAL_NAME}: "))
        return None
    differing = compared(seal, state)
    out.found += differing
    if seal.journal_file:
        words = f"its bytes were not sealed, only its entries: {seal.journal_file}"
        out.add("note", JOURNAL_NAME, words)
    elif all(one.kind == "intact" for one in differing):
        listed = {one.name: one.sha256 for one in seal.files}
        if digest_of(run_dir / JOURNAL_NAME).sha256 != listed.get(JOURNAL_NAME):
            words = (
                "the file's bytes differ although all its entries are the same: "
                "a part that holds no entry was changed, or the file was written anew"
            )
            out.add("changed", JOURNAL_NAME, words)
    return state


def _check_files(out: Findings, run_dir: Path, seal: Seal) -> None:
    listed = {one.name: one for one in seal.files if one.name != JOURNAL_NAME}
    here = {path.name: path for path in covered_files(run_dir)}
    for name, sealed in listed.items():
        path = here.get(name)
        if path is None:
            out.add("missing", name, "is gone")
            continue
        try:
            now = digest_of(path)
        except RecordError as error:
            out.add("unknown", name, str(error))
            continue
        if now == sealed:
            out.add("intact", name, f"is as it was sealed ({now.size} bytes)")
        else:
            out.add("changed", name, f"is not what was sealed ({now.size} bytes now, {sealed.size} then)")
    for name in here:
        if name not in listed:
            out.add("added", name, "came after sealing, or is no part of what is sealed")


def _check_verdict(out: Findings, run_dir: Path, state: JournalState) -> None:
    """Hold the verdict's own file against the journal: whoever rewrites it can rewrite an unsigned seal as well."""
    path = run_dir / VERDICT_NAME
    try:
        told = json.loads(read_within(path, _MOST_VERDICT_BYTES))
    except (OSError, ValueError, RecursionError):
        return  # missing or unreadable: said already where the files are
    if state.verdict is not None and json.dumps(told, sort_keys=True) != json.dumps(state.verdict, sort_keys=True):
        out.add("changed", VERDICT_NAME, "does not say what the verdict in the journal says")


def _check_pdfs(out: Findings, run_dir: Path, seal: Seal, trust: Trust, now_utc: str) -> None:
    for path in covered_files(run_dir):
        if path.suffix != ".pdf":
            continue
        try:
            data = read_within(path, MOST_PDF_BYTES)
        except OSError:
            continue  # said already where the files are
        inner = check_pdf(data, path.name, trust, now_utc, is_inside=True)
        out.extend((one for one in inner.found if one.kind in ("changed", "missing")), path.name)
        if inner.head and inner.head != seal.head:
            words = f"shows another head than this seal ({inner.head}): it was printed from the journal as it was then"
            out.add("note", path.name, words)
        elif inner.exit_code == 0:
            out.add("intact", path.name, "every byte fits the seal it carries itself, and its head is the journal's")
