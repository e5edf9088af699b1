"""Who sealed it: an Ed25519 key (RFC 8032) that the workshop holds.

The keys folder holds `signing-key.pem`, the private key in use, and the public
key of every key ever used as `public-ID.pem`. A seal carries the public key it
was signed with; only the workshop's word says that this key is the workshop's.
If the private key is lost, nothing signed with it is: checking needs the public
key alone. A new key is made and signs from then on.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)

from benchwarden.errors import RecordError

PRIVATE_NAME = "signing-key.pem"
_MOST_PEM_BYTES = 65_536
_MOST_KEYS = 1000


class SigningKeyError(RecordError):
    """A key cannot be made, found or opened; nothing recorded depends on it."""


@dataclass(frozen=True)
class Signer:
    """A private key, ready to sign."""

    private: Ed25519PrivateKey

    @property
    def public_key(self) -> bytes:
        """The public key, 32 bytes."""
        return self.private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)

    @property
    def key_id(self) -> str:
        return key_id(self.public_key)

    def sign(self, data: bytes) -> bytes:
        """Return the signature of `data`, 64 bytes; the same data give the same signature."""
        return self.private.sign(data)


def key_id(public_key: bytes) -> str:
    """Return what a key is called: the first 16 hexadecimal digits of SHA-256 over its 32 bytes."""
    return hashlib.sha256(public_key).hexdigest()[:16]


def is_signed(public_key: bytes, signature: bytes, data: bytes) -> bool:
    """Return whether `signature` over `data` was made with the private half of `public_key`."""
    try:
        Ed25519PublicKey.from_public_bytes(public_key).verify(signature, data)
    except (InvalidSignature, ValueError):
        return False
    return True


def new_key(keys: Path, passphrase: str = "", replace: bool = False) -> Signer:
    """Make a key pair in the keys folder and return it; no file is ever overwritten.

    Args:
        passphrase: needed at every sealing; "" for none.
        replace: a key that is there is put aside as `retired-ID.pem`; its public key stays.

    Raises:
        SigningKeyError: there is a key already, or the folder cannot be written.
    """
    target = keys / PRIVATE_NAME
    private = Ed25519PrivateKey.generate()
    signer = Signer(private)
    try:
        keys.mkdir(parents=True, exist_ok=True, mode=0o700)
        if target.exists():
            if not replace:
                raise SigningKeyError(
                    f"{target}: there is a signing key already and it stays. To sign with a new one from now on: "
                    "benchwarden key new --replace. Seals made with the old one stay verifiable with its public key"
                )
            _retire(keys, target)
        encryption = BestAvailableEncryption(passphrase.encode()) if passphrase else NoEncryption()
        _write_new(target, private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, encryption), 0o600)
        public = private.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
        _write_new(keys / f"public-{signer.key_id}.pem", public, 0o644)
    except OSError as error:
        raise SigningKeyError(f"{keys}: no key was made ({error.strerror})") from error
    return signer


def _retire(keys: Path, target: Path) -> None:
    # A passphrase may be forgotten: the file is named by its own bytes, not by what is locked in it.
    name = f"retired-{hashlib.sha256(target.read_bytes()).hexdigest()[:16]}.pem"
    if (keys / name).exists():
        raise SigningKeyError(f"{keys / name}: put aside already; nothing was changed")
    target.rename(keys / name)


def _write_new(path: Path, data: bytes, mode: int) -> None:
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(fd, "wb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())


def load_signer(keys: Path, passphrase: str = "") -> Signer:
    """Return the private key of the keys folder.

    Raises:
        SigningKeyError: there is none, or it cannot be opened with this passphrase.
    """
    path = keys / PRIVATE_NAME
    data = _pem(path)
    secret = passphrase.encode() if passphrase else None
    try:
        private = load_pem_private_key(data, secret)
    except TypeError as error:
        # How the library says that a passphrase is missing, or given for a key without one.
        if secret is not None:
            return load_signer(keys)
        raise SigningKeyError(f"{path}: the key is locked with a passphrase and none was given") from error
    except (ValueError, UnsupportedAlgorithm) as error:
        seen = "the passphrase does not open it" if secret else "it is damaged or no private key"
        raise SigningKeyError(f"{path}: {seen}") from error
    if not isinstance(private, Ed25519PrivateKey):
        raise SigningKeyError(f"{path}: not an Ed25519 key; make one with: benchwarden key new")
    return Signer(private)


def signer_or_why(keys: Path, passphrase: str = "") -> tuple[Signer | None, str]:
    """Return (signer, "") or (None, why there is no signature): a run is sealed in either case."""
    try:
        return load_signer(keys, passphrase), ""
    except SigningKeyError as error:
        return None, (
            f"Sealed WITHOUT a signature: {error}. Nothing recorded is lost by it; "
            "`benchwarden seal RUN` seals again with a signature later."
        )


def public_keys(path: Path) -> dict[str, bytes]:
    """Return public keys by key id, of one PEM file or of all `public-*.pem` in a folder.

    Raises:
        SigningKeyError: a file cannot be read or holds no Ed25519 public key.
    """
    if path.is_dir():
        paths = sorted(path.glob("public-*.pem"))[:_MOST_KEYS]
    else:
        paths = [path]
    found = {}
    for one in paths:
        try:
            public = load_pem_public_key(_pem(one))
        except (ValueError, UnsupportedAlgorithm) as error:
            raise SigningKeyError(f"{one}: not a public key in PEM form") from error
        if not isinstance(public, Ed25519PublicKey):
            raise SigningKeyError(f"{one}: not an Ed25519 public key")
        raw = public.public_bytes(Encoding.Raw, PublicFormat.Raw)
        found[key_id(raw)] = raw
    return found


def _pem(path: Path) -> bytes:
    try:
        with open(path, "rb") as file:
            data = file.read(_MOST_PEM_BYTES + 1)
    except FileNotFoundError as error:
        raise SigningKeyError(f"{path}: there is no key here; make one with: benchwarden key new") from error
    except OSError as error:
        raise SigningKeyError(f"{path}: the key cannot be read ({error.strerror})") from error
    if len(data) > _MOST_PEM_BYTES:
        raise SigningKeyError(f"{path}: too large to be a key")
    return data
