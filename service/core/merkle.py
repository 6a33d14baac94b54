"""The tree hash of the journal: RFC 6962 Merkle tree over SHA-256, and its compact range.

A compact range holds the roots of the complete subtrees of a growing log (at most one per bit of its
size), which is enough to append and to state the root at any size. Proofs and signatures are not here.
A leaf and a node are hashed with different first bytes, so that no node can be passed off as a leaf.
"""

import hashlib
from collections.abc import Iterable

HASH_BYTES = 32
_LEAF_PREFIX = b"\x00"  # RFC 6962, 2.1
_NODE_PREFIX = b"\x01"  # RFC 6962, 2.1

EMPTY_ROOT = hashlib.sha256(b"").digest()
"""Root of a log without entries: the hash of an empty string (RFC 6962, 2.1)."""


class BrokenFrontier(ValueError):
    """Stored state of a log head that cannot belong to the size stated with it."""


def leaf_hash(data: bytes) -> bytes:
    """Hash of one entry's bytes: SHA-256(0x00 || data). Source : RFC 6962, 2.1."""
    return hashlib.sha256(_LEAF_PREFIX + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Hash of two neighbouring subtrees: SHA-256(0x01 || left || right). Source : RFC 6962, 2.1."""
    return hashlib.sha256(_NODE_PREFIX + left + right).digest()


def root(leaf_hashes: Iterable[bytes]) -> bytes:
    """Root over leaf hashes in their order; ``EMPTY_ROOT`` for none.

    Raises
    ------
    BrokenFrontier
        If one of them is not 32 bytes long.

    Notes
    -----
    Source : RFC 6962, 2.1 (Merkle tree hash).
    """
    tree = CompactRange()
    for leaf in leaf_hashes:
        tree.append(leaf)
    return tree.root()


class CompactRange:
    """Head of an append-only log: its size and the roots of its complete subtrees, largest first.

    Examples
    --------
    >>> head = CompactRange()
    >>> head.append(leaf_hash(b"first"))
    >>> head.append(leaf_hash(b"second"))
    >>> head.size, len(head.to_bytes())
    (2, 32)
    >>> CompactRange.from_bytes(head.size, head.to_bytes()).root() == head.root()
    True
    """

    __slots__ = ("_size", "_subtrees")

    def __init__(self) -> None:
        self._size = 0
        self._subtrees: list[bytes] = []

    @classmethod
    def from_bytes(cls, size: int, data: bytes) -> "CompactRange":
        """The head as stored: ``size`` entries and the concatenated subtree roots.

        Raises
        ------
        BrokenFrontier
            If the size is negative or the data does not hold one hash per set bit of the size.
        """
        if size < 0:
            raise BrokenFrontier(f"a log cannot hold {size} entries")
        expected_bytes = size.bit_count() * HASH_BYTES
        if len(data) != expected_bytes:
            raise BrokenFrontier(f"a log of {size} entries has a head of {expected_bytes} bytes, got {len(data)}")
        head = cls()
        head._size = size
        head._subtrees = [bytes(data[at : at + HASH_BYTES]) for at in range(0, expected_bytes, HASH_BYTES)]
        return head

    @property
    def size(self) -> int:
        """Number of entries appended so far; also the index the next entry will get."""
        return self._size

    def append(self, leaf: bytes) -> None:
        """Add one entry by its leaf hash.

        Raises
        ------
        BrokenFrontier
            If the hash is not 32 bytes long.
        """
        if len(leaf) != HASH_BYTES:
            raise BrokenFrontier(f"a leaf hash has {HASH_BYTES} bytes, got {len(leaf)}")
        subtree = bytes(leaf)
        # Each trailing 1 bit of the size is a complete subtree that now gets a neighbour of its own height.
        merges = self._size
        while merges & 1:
            subtree = node_hash(self._subtrees.pop(), subtree)
            merges >>= 1
        self._subtrees.append(subtree)
        self._size += 1

    def root(self) -> bytes:
        """Root over all entries appended so far."""
        if not self._subtrees:
            return EMPTY_ROOT
        joined = self._subtrees[-1]
        for larger in reversed(self._subtrees[:-1]):
            joined = node_hash(larger, joined)
        return joined

    def to_bytes(self) -> bytes:
        """Subtree roots, largest first, concatenated: what ``from_bytes`` takes."""
        return b"".join(self._subtrees)
