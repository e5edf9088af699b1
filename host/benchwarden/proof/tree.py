"""The hash tree of RFC 6962, section 2.1: one value that stands for an ordered list of entries.

A proof of inclusion shows that one entry is among them without showing the others.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

LEAF, NODE = b"\x00", b"\x01"


def leaf_hash(*parts: bytes) -> bytes:
    """Return the hash of one entry, given in one or more parts; 32 bytes."""
    found = hashlib.sha256(LEAF)
    for part in parts:
        found.update(part)
    return found.digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Return the hash of a node over its two sides; 32 bytes."""
    return hashlib.sha256(NODE + left + right).digest()


def tree_head(leaves: Sequence[bytes]) -> bytes:
    """Return the head over leaf hashes; of none, SHA-256 of nothing."""
    if not leaves:
        return hashlib.sha256().digest()
    level = list(leaves)
    while len(level) > 1:
        # Pairs from the left, the odd one moves up: the same tree as splitting at powers of two.
        paired = [node_hash(level[i], level[i + 1]) for i in range(0, len(level) - 1, 2)]
        level = paired + level[len(level) & ~1 :]
    return level[0]


def inclusion_proof(leaves: Sequence[bytes], index: int) -> list[bytes]:
    """Return the hashes that lead from leaf `index` to the head, lowest first (section 2.1.1).

    Raises:
        ValueError: there is no such leaf.
    """
    if not 0 <= index < len(leaves):
        raise ValueError(f"leaf {index}; allowed: 0 to {len(leaves) - 1}")
    path: list[bytes] = []
    level = list(leaves)
    while len(level) > 1:
        beside = index ^ 1
        if beside < len(level):
            path.append(level[beside])
        paired = [node_hash(level[i], level[i + 1]) for i in range(0, len(level) - 1, 2)]
        level = paired + level[len(level) & ~1 :]
        index >>= 1
    return path


def is_included(leaf: bytes, index: int, size: int, path: Sequence[bytes], head: bytes) -> bool:
    """Return whether `path` leads from a leaf hash at `index` of `size` to `head`.

    Source:
        RFC 9162, section 2.1.3.2, the same tree with the checking written out.
    """
    if not 0 <= index < size:
        return False
    at, last = index, size - 1
    value = leaf
    for beside in path:
        if last == 0:
            return False
        if at & 1 or at == last:
            value = node_hash(beside, value)
            while not at & 1 and at:
                at >>= 1
                last >>= 1
        else:
            value = node_hash(value, beside)
        at >>= 1
        last >>= 1
    return last == 0 and value == head
