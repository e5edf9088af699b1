"""What a seal shows by itself: whether its own bytes are whole, who signed it, and whether its times can be."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from benchwarden.proof.entries import heads_of
from benchwarden.proof.findings import Finding
from benchwarden.proof.seal_form import ReadSeal, Seal
from benchwarden.proof.signing import key_id

# No record of this program is older.
FIRST_RELEASE = dt.datetime(2026, 11, 25, tzinfo=dt.UTC)
_SLACK = dt.timedelta(minutes=10)
UNSIGNED = "no signature: whoever changes the record can make all hashes again. Compare the head with a printed page"


@dataclass(frozen=True)
class Trust:
    """Public keys to hold signatures against.

    Attributes:
        keys: key id to public key.
        demanded: a person named them: without a signature by one of them nothing counts as proven.
    """

    keys: Mapping[str, bytes]
    demanded: bool = False


NOBODY = Trust({})


def check_seal(found: ReadSeal, subject: str, trust: Trust, now_utc: str) -> list[Finding]:
    """Return the findings about a seal's own bytes, its signature and its times."""
    seal = found.seal
    out = []
    if found.intact:
        out.append(Finding("intact", subject, "the seal itself is whole"))
    else:
        out.append(Finding("changed", subject, "the seal itself was changed after it was made"))
    heads = heads_of([bytes.fromhex(leaf) for _, leaf in seal.entries])
    if (heads.tree.hex(), heads.chain.hex(), heads.head.hex()) != (seal.tree_head, seal.chain_head, seal.head):
        out.append(Finding("changed", subject, "its head does not follow from the entries it lists"))
    if found.signature is None:
        out += unsigned(subject, trust)
    else:
        out += signed(subject, bytes.fromhex(found.signature.public_key), found.signature_fits, trust)
    for earlier in seal.earlier:
        at = earlier.made_at_utc or "an unknown time"
        same = "over the same journal" if earlier.head == seal.head else f"with head {earlier.head or 'unknown'}"
        out.append(Finding("note", subject, f"it replaces a seal of {at}, {same}"))
    if not seal.closed:
        out.append(Finding("note", subject, "the run was not closed in order: its record ends where it was cut off"))
    for kind in ("frames", "events"):
        count = seal.counts.get(f"missing_{kind}", 0)
        if count:
            out.append(Finding("note", subject, f"{count} {kind} were missing already when it was sealed"))
    for damage in seal.damage[:12]:
        out.append(Finding("note", subject, f"damaged already when it was sealed: {damage}"))
    out += [Finding("note", subject, words) for words in label_notes(seal, now_utc)]
    return out


def unsigned(subject: str, trust: Trust) -> list[Finding]:
    """Return the findings about something that nobody signed."""
    found = [Finding("note", subject, UNSIGNED)]
    if trust.demanded:
        words = "a key was given, and there is no signature it could be held against"
        found.append(Finding("unknown", subject, words))
    return found


def signed(subject: str, public_key: bytes, fits: bool, trust: Trust) -> list[Finding]:
    """Return the findings about a signature."""
    name = key_id(public_key)
    if not fits:
        return [Finding("changed", subject, f"the signature does not fit it and key {name}")]
    if trust.keys.get(name) == public_key:
        return [Finding("signed", subject, f"signed with key {name}, which is among the keys at hand")]
    words = (
        f"signed with key {name}, whose public half is not among the keys at hand: whose key it is, nothing here tells"
    )
    if trust.demanded:
        given = ", ".join(sorted(trust.keys)) or "none"
        return [Finding("unknown", subject, f"signed with key {name}, not with the one given ({given})")]
    words = f"signed with key {name}, which is not among the keys at hand: nothing here tells whose key it is"
    return [Finding("note", subject, words)]


def label_notes(seal: Seal, now_utc: str) -> list[str]:
    """Return what is odd about a seal's wall-clock labels; time in a run is the board's and does not lean on them."""
    words = []
    began, made, now = (_at(text) for text in (seal.run.get("started_at_utc", ""), seal.made_at_utc, now_utc))
    tail = "a label only; times in the run are the board's"
    for name, at in (("the run began", began), ("it was sealed", made)):
        if at is None:
            words.append(f"when {name} cannot be read from its label ({tail})")
        elif now is not None and at > now + _SLACK:
            words.append(f"by its label {name} in the future ({at:%Y-%m-%d %H:%M} UTC; {tail})")
        elif at < FIRST_RELEASE:
            words.append(f"by its label {name} before this program was first released ({at:%Y-%m-%d}; {tail})")
    if began is not None and made is not None:
        # A virtual run may go faster than the clock.
        lasted = dt.timedelta(milliseconds=seal.last_ms or 0) if seal.run.get("virtual") != "yes" else dt.timedelta()
        if made + _SLACK < began + lasted:
            words.append(f"by its labels it was sealed before the run was over ({tail})")
    return words


def _at(label: str) -> dt.datetime | None:
    try:
        at = dt.datetime.fromisoformat(label.replace("Z", "+00:00"))
    except ValueError:
        return None
    return at.replace(tzinfo=dt.UTC) if at.tzinfo is None else at
