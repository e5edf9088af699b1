"""The hash tree against the reference tree of RFC 6962 and SHA-256 against FIPS 180-4.

The eight leaves, nine heads and the proof are those of the Certificate Transparency
reference test tree (RFC 6962, section 2.1), as found in several public test suites.
"""

from __future__ import annotations

import hashlib

import pytest

from benchwarden.proof.tree import inclusion_proof, is_included, leaf_hash, tree_head

LEAVES = ("", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f")
HEADS = (
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
)
PROOF_OF_THE_FIRST = (
    "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
    "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
    "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
)


def leaves(count: int) -> list[bytes]:
    return [leaf_hash(bytes.fromhex(text)) for text in LEAVES[:count]]


@pytest.mark.parametrize("size", range(9))
def test_heads_are_those_of_the_reference_tree(size: int) -> None:
    assert tree_head(leaves(size)).hex() == HEADS[size]


def test_the_proof_is_that_of_the_reference_tree() -> None:
    assert tuple(part.hex() for part in inclusion_proof(leaves(8), 0)) == PROOF_OF_THE_FIRST


def test_every_leaf_of_every_tree_is_proven_and_nothing_else() -> None:
    for size in range(1, 9):
        held = leaves(size)
        head = tree_head(held)
        for index in range(size):
            path = inclusion_proof(held, index)
            assert is_included(held[index], index, size, path, head)
            assert not is_included(leaf_hash(b"other"), index, size, path, head)
            assert not is_included(held[index], index, size, [*path, bytes(32)], head)
            if path:
                assert not is_included(held[index], index, size, path[:-1], head)
            for other in range(size):
                if other != index:
                    assert not is_included(held[index], other, size, path, head)
    assert not is_included(held[0], 8, 8, [], head)
    with pytest.raises(ValueError, match="leaf 8"):
        inclusion_proof(held, 8)


def test_a_large_tree_splits_at_the_largest_power_of_two() -> None:
    # RFC 6962, 2.1, as it is written there, against the pairing from the left.
    def by_the_book(held: list[bytes]) -> bytes:
        if len(held) == 1:
            return held[0]
        split = 1 << (len(held) - 1).bit_length() - 1
        return hashlib.sha256(b"\x01" + by_the_book(held[:split]) + by_the_book(held[split:])).digest()

    for size in (9, 100, 255, 256, 257, 1471):
        held = [leaf_hash(b"%d" % k) for k in range(size)]
        assert tree_head(held) == by_the_book(held)


@pytest.mark.parametrize(
    ("message", "digest"),
    [
        # FIPS 180-4, the standard's published examples.
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    ],
)
def test_sha_256_is_that_of_the_standard(message: bytes, digest: str) -> None:
    assert hashlib.sha256(message).hexdigest() == digest
