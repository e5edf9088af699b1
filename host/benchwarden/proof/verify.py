"""What of a run folder, a record, a bundle or an invoice with a record inside is as it was sealed?"""

from __future__ import annotations

from pathlib import Path

from benchwarden.errors import RecordError
from benchwarden.proof.bounded import read_within
from benchwarden.proof.findings import Findings
from benchwarden.proof.seal_check import NOBODY, Trust
from benchwarden.proof.seal_form import SEAL_NAME
from benchwarden.proof.signing import public_keys
from benchwarden.proof.verify_bundle import check_bundle
from benchwarden.proof.verify_folder import check_folder
from benchwarden.proof.verify_pdf import MOST_PDF_BYTES, check_pdf
from benchwarden.record.journal_format import NAME as JOURNAL_NAME


def trust_in(key: Path | None, keys: Path) -> Trust:
    """Return the public keys to hold signatures against.

    Args:
        key: PEM file or folder that a person named; None for nobody named one.
        keys: the workshop's keys folder, which need not exist.

    Raises:
        SigningKeyError: a key cannot be read, or there is none where one was named.
    """
    if key is not None:
        found = public_keys(key)
        if not found:
            raise RecordError(f"{key}: there is no public key here (public-ID.pem)")
        return Trust(found, demanded=True)
    return Trust(public_keys(keys)) if keys.is_dir() else NOBODY


def verify(path: Path, trust: Trust, now_utc: str) -> Findings:
    """Return what was found at `path`; nothing there is changed, and nothing there can make this fail.

    Args:
        now_utc: wall clock, to tell labels that lie in the future.
    """
    out = Findings(str(path))
    try:
        if path.is_dir():
            if (path / JOURNAL_NAME).exists() or (path / SEAL_NAME).exists():
                return check_folder(path, trust, now_utc)
            out.add("unknown", "", f"this folder holds neither {JOURNAL_NAME} nor {SEAL_NAME}: no run")
            return out
        if path.exists() and not path.is_file():
            out.add("unknown", "", "neither a file nor a folder: nothing here can be verified")
            return out
        with open(path, "rb") as file:
            head = file.read(1024)
        if b"%PDF-" in head:
            return check_pdf(read_within(path, MOST_PDF_BYTES), str(path), trust, now_utc)
    except (OSError, RecordError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        out.add("unknown", "", f"cannot be read ({why})")
        return out
    if head.startswith(b"PK"):
        return check_bundle(path, trust, now_utc)
    out.add("unknown", "", "neither a run folder nor a PDF nor a bundle: nothing here can be verified")
    return out
