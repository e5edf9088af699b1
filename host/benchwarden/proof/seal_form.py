"""What a seal says, and how it is written and read.

A seal is canonical JSON (RFC 8785). `digest` is SHA-256 over its canonical form
without `digest` and `signature`; a signature is made over "benchwarden seal 1\\n"
and that same form. So a changed byte shows without a key, and only a signature
shows that nobody made the whole seal again.
"""

from __future__ import annotations

import hashlib
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from benchwarden.errors import RecordError
from benchwarden.proof.canonical import canonical, is_canonical, parsed
from benchwarden.proof.signing import Signer, is_signed, key_id

SEAL_NAME = "seal.json"
MOST_SEAL_BYTES = 64_000_000
_SIGN_TAG = b"benchwarden seal 1\n"

Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Text = Annotated[str, StringConstraints(max_length=500)]
Count = Annotated[int, Field(ge=0, lt=2**53)]
# A name in a folder, never a way out of it.
FileName = Annotated[str, StringConstraints(max_length=500, pattern=r"^[^/\\\x00]+$")]
Label = Annotated[str, StringConstraints(max_length=120, pattern=r"^[ -~]+$")]


class _Form(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class SealedFile(_Form):
    """A file by name, SHA-256 and size."""

    name: FileName
    sha256: Sha256
    size: Count


class EarlierSeal(_Form):
    """A seal that was replaced; `head` is "" where it could not be read any more."""

    head: str
    sha256: Sha256
    made_at_utc: Text


class Signature(_Form):
    """Who sealed it; `public_key` and `value` in hexadecimal."""

    algorithm: Literal["Ed25519"]
    key_id: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{16}$")]
    public_key: Sha256
    value: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{128}$")]


class Seal(_Form):
    """One seal.

    Attributes:
        covers: "journal" where only the journal and what is attached beside it are listed
            (inside a PDF), "folder" for the seal.json of a run folder.
        run, board: what the journal's header says the run and the board were, in words.
        closed: the journal's writer ended in order.
        counts: frames, events, notes, bursts and missing_frames held by the journal.
        first_ms, last_ms: board time of the first and the last frame, from run start.
        damage: rows of the journal that could not be trusted when it was sealed.
        entries: label and leaf hash of each entry, in order (proof.entries).
        earlier: the seals this one replaced, oldest first.
        journal_file: why journal.sqlite itself is not among `files`; "" where it is.
        made_at_utc: wall clock, a label only.
    """

    format: Literal["benchwarden seal"] = "benchwarden seal"
    version: Literal[1] = 1
    covers: Literal["journal", "folder"] = "journal"
    run: dict[str, Text]
    board: dict[str, Text]
    closed: bool
    boots: tuple[Text, ...]
    counts: dict[str, Count]
    first_ms: int | None
    last_ms: int | None
    damage: tuple[Text, ...]
    entries: tuple[tuple[Label, Sha256], ...]
    tree_head: Sha256
    chain_head: Sha256
    head: Sha256
    earlier: tuple[EarlierSeal, ...] = ()
    files: tuple[SealedFile, ...] = ()
    attachments: tuple[SealedFile, ...] = ()
    journal_file: Text = ""
    made_at_utc: Text


class ReadSeal(_Form):
    """A seal as found, and what its own bytes show.

    Attributes:
        intact: the bytes are the one spelling of this seal and its digest fits.
        signature: as written in it; None for none.
        signature_fits: the signature was made over this very seal with the key written in it.
        sha256: of the bytes.
    """

    seal: Seal
    intact: bool
    signature: Signature | None
    signature_fits: bool
    sha256: Sha256


def seal_bytes(seal: Seal, signer: Signer | None) -> bytes:
    """Return a seal as it is written, with digest and, given a signer, signature."""
    body = seal.model_dump(mode="json")
    covered = canonical(body)
    body["digest"] = hashlib.sha256(covered).hexdigest()
    if signer is not None:
        body["signature"] = {
            "algorithm": "Ed25519",
            "key_id": signer.key_id,
            "public_key": signer.public_key.hex(),
            "value": signer.sign(_SIGN_TAG + covered).hex(),
        }
    return canonical(body)


def seal_from(data: bytes, what: str) -> ReadSeal:
    """Return the seal in `data`.

    Raises:
        RecordError: it is no seal this program can read; `what` names it.
    """
    if len(data) > MOST_SEAL_BYTES:
        raise RecordError(f"{what}: {len(data)} bytes are too many for a seal")
    body = parsed(data, what)
    if not isinstance(body, dict):
        raise RecordError(f"{what}: not a seal")
    spelt = is_canonical(data, body)
    digest, signed = body.pop("digest", None), body.pop("signature", None)
    version = body.get("version")
    if body.get("format") == "benchwarden seal" and version != 1:
        raise RecordError(f"{what}: seal version {str(version)[:20]}, this program reads version 1")
    try:
        covered = canonical(body)
    except RecordError as error:
        raise RecordError(f"{what}: not a seal: {error}") from error
    try:
        seal = Seal.model_validate_json(covered)
        signature = None if signed is None else Signature.model_validate(signed)
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"][:4])
        raise RecordError(f"{what}: not a whole seal: {where or 'it'}: {first['msg']}") from error
    # Defaults filled in would be words that are not in the file.
    whole = canonical(seal.model_dump(mode="json")) == covered
    return ReadSeal(
        seal=seal,
        intact=spelt and whole and digest == hashlib.sha256(covered).hexdigest(),
        signature=signature,
        signature_fits=signature is not None and _fits(signature, covered),
        sha256=hashlib.sha256(data).hexdigest(),
    )


def _fits(signature: Signature, covered: bytes) -> bool:
    public = bytes.fromhex(signature.public_key)
    named = signature.key_id == key_id(public)
    return named and is_signed(public, bytes.fromhex(signature.value), _SIGN_TAG + covered)


def clean(value: Any) -> str:
    """Return anybody's value as text that a seal can hold."""
    return str(value).encode("utf-8", "replace").decode("utf-8")[:500]
