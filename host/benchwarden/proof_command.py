"""`benchwarden verify`, `seal` and `key`: wire the proof of a record to a terminal."""

from __future__ import annotations

import argparse
import getpass
import json
import os
import sys
from pathlib import Path
from typing import Any

from benchwarden.errors import RecordError

DEFAULT_KEYS = Path("benchwarden-keys")
PASSPHRASE_VARIABLE = "BENCHWARDEN_KEY_PASSPHRASE"


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the commands to the parser's."""
    verify = commands.add_parser(
        "verify",
        help="say what of a record is as it was sealed",
        description="Exit code 0: intact. 1: something was changed or is missing. 2: it cannot be judged.",
    )
    verify.add_argument("paths", type=Path, nargs="+", metavar="PATH", help="run folder, record, bundle or invoice")
    verify.add_argument("--key", type=Path, metavar="PUB.pem", help="public key (or folder of keys) that has to fit")
    verify.add_argument("--keys", type=Path, default=DEFAULT_KEYS, help="folder of the workshop's keys")
    verify.add_argument("--json", action="store_true", help="for another program to read")
    verify.set_defaults(command=_verify)

    seal = commands.add_parser("seal", help="seal a finished run as it is now (a seal that is there stays on record)")
    seal.add_argument("run_dir", type=Path, metavar="RUN")
    seal.add_argument("--keys", type=Path, default=DEFAULT_KEYS, help="folder of the workshop's keys")
    seal.set_defaults(command=_seal)

    key = commands.add_parser("key", help="make or show the key that seals are signed with")
    what = key.add_subparsers(required=True, metavar="new|show")
    new = what.add_parser("new", help="make a key pair; nothing is overwritten")
    new.add_argument("--keys", type=Path, default=DEFAULT_KEYS, help="folder of the workshop's keys")
    new.add_argument("--replace", action="store_true", help="sign with a new key from now on; the old one is put aside")
    new.add_argument("--passphrase", action="store_true", help=f"lock it (asks, or takes {PASSPHRASE_VARIABLE})")
    new.set_defaults(command=_key_new)
    show = what.add_parser("show", help="list the public keys and say which one signs")
    show.add_argument("--keys", type=Path, default=DEFAULT_KEYS, help="folder of the workshop's keys")
    show.set_defaults(command=_key_show)


def _verify(args: argparse.Namespace) -> int:
    from benchwarden.core.clock import SystemClock
    from benchwarden.proof.verify import trust_in, verify

    trust = trust_in(args.key, args.keys)
    now_utc = SystemClock().utc_label()
    found = [verify(path, trust, now_utc) for path in args.paths]
    if args.json:
        print(json.dumps([one.table() for one in found], indent=1))
    else:
        print("\n".join(line for one in found for line in one.lines()))
    codes = {one.exit_code for one in found}
    return 1 if 1 in codes else max(codes)


def _seal(args: argparse.Namespace) -> int:
    from benchwarden.proof.seal import seal_journal, write_seal
    from benchwarden.proof.signing import PRIVATE_NAME, signer_or_why

    seal = seal_journal(args.run_dir)
    passphrase = _passphrase(ask=_is_locked(args.keys / PRIVATE_NAME))
    signer, why = signer_or_why(args.keys, passphrase)
    target = write_seal(args.run_dir, seal, signer)
    lines = [f"Sealed: {target}", f"Head: {seal.head}"]
    lines.append(f"Signed with key {signer.key_id}." if signer else why)
    if seal.earlier:
        lines.append(f"It replaces {len(seal.earlier)} earlier seal(s), which it names.")
        if seal.earlier[-1].head != seal.head:
            lines.append("The journal is not what the seal before was made over.")
    print("\n".join(lines))
    return 0


def _key_new(args: argparse.Namespace) -> int:
    from benchwarden.proof.signing import PRIVATE_NAME, new_key

    passphrase = ""
    if args.passphrase:
        passphrase = _passphrase(ask=True)
        if not passphrase:
            raise RecordError(f"no passphrase: set {PASSPHRASE_VARIABLE}, or run this at a terminal; no key was made")
    signer = new_key(args.keys, passphrase, replace=args.replace)
    public = args.keys / f"public-{signer.key_id}.pem"
    words = (
        f"Key {signer.key_id} made.\n"
        f"Private half: {args.keys / PRIVATE_NAME}. Keep a copy where it is safe, and give it to nobody.\n"
        f"Public half: {public}. Give it to whoever is to verify your records, on a way of its own.\n"
        "If the private half is lost, records signed with it stay verifiable with the public half; "
        "make a new key and keep the old public half."
    )
    print(words)
    return 0


def _key_show(args: argparse.Namespace) -> int:
    from benchwarden.proof.signing import PRIVATE_NAME, SigningKeyError, load_signer, public_keys

    lines = []
    try:
        current = load_signer(args.keys, _passphrase(ask=False)).key_id
    except SigningKeyError as error:
        current = ""
        lines.append(f"No key to sign with: {error}. Records signed before stay verifiable with their public keys.")
    known = public_keys(args.keys) if args.keys.is_dir() else {}
    for name, public in known.items():
        use = "signs now" if name == current else "verifies what was signed with it"
        lines.append(f"{name}  {use}  (public key {public.hex()})")
    path = args.keys / PRIVATE_NAME
    if os.name == "posix" and path.exists() and path.stat().st_mode & 0o077:
        lines.append(f"CAUTION: others on this machine can read {path}; chmod 600 puts that right.")
    print("\n".join(lines))
    return 0 if known else 1


def _is_locked(path: Path) -> bool:
    try:
        with open(path, "rb") as file:
            return file.readline().startswith(b"-----BEGIN ENCRYPTED")
    except OSError:
        return False


def _passphrase(ask: bool) -> str:
    given = os.environ.get(PASSPHRASE_VARIABLE, "")
    if given or not ask or not sys.stdin.isatty():
        return given
    return getpass.getpass("Passphrase of the signing key: ")
