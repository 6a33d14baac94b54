"""Goal: the head of a log can be stored, taken up again and never silently become another log.

Method: a second, recursive tree hash written from the definition in RFC 6962, 2.1, and broken heads.
Published roots are in tests/published/test_rfc6962_tree.py.
"""

import hashlib

import pytest

from service.core.merkle import EMPTY_ROOT, BrokenFrontier, CompactRange, leaf_hash, node_hash, root


def tree_hash(entries: list[bytes]) -> bytes:
    """RFC 6962, 2.1, as written there: split at the largest power of two below n."""
    if not entries:
        return hashlib.sha256(b"").digest()
    if len(entries) == 1:
        return hashlib.sha256(b"\x00" + entries[0]).digest()
    split = 1
    while split * 2 < len(entries):
        split *= 2
    return hashlib.sha256(b"\x01" + tree_hash(entries[:split]) + tree_hash(entries[split:])).digest()


ENTRIES = [f"entry {number}".encode() for number in range(70)]


@pytest.mark.parametrize("size", range(len(ENTRIES) + 1))
def test_root_equals_the_recursive_definition(size: int) -> None:
    assert root(leaf_hash(entry) for entry in ENTRIES[:size]) == tree_hash(ENTRIES[:size])


def test_a_head_stored_after_every_entry_goes_on_as_if_never_stored() -> None:
    head = CompactRange()
    for number, entry in enumerate(ENTRIES):
        assert head.size == number
        head = CompactRange.from_bytes(head.size, head.to_bytes())
        head.append(leaf_hash(entry))
        assert head.root() == tree_hash(ENTRIES[: number + 1])
        assert len(head.to_bytes()) == 32 * (number + 1).bit_count()


def test_an_empty_head() -> None:
    head = CompactRange.from_bytes(0, b"")
    assert (head.size, head.to_bytes(), head.root()) == (0, b"", EMPTY_ROOT)


def test_two_heads_do_not_share_their_state() -> None:
    first = CompactRange()
    first.append(leaf_hash(b"a"))
    second = CompactRange.from_bytes(first.size, first.to_bytes())
    second.append(leaf_hash(b"b"))
    assert first.size == 1
    assert first.root() == leaf_hash(b"a")


@pytest.mark.parametrize(("size", "length"), [(0, 32), (1, 0), (3, 32), (4, 64), (3, 63), (3, 65), (8, 31)])
def test_a_head_that_does_not_fit_its_size_is_refused(size: int, length: int) -> None:
    with pytest.raises(BrokenFrontier, match=f"a log of {size} entries .* got {length}"):
        CompactRange.from_bytes(size, bytes(length))


def test_a_negative_size_is_refused() -> None:
    with pytest.raises(BrokenFrontier, match="cannot hold -1 entries"):
        CompactRange.from_bytes(-1, b"")


@pytest.mark.parametrize("leaf", [b"", b"entry 1", bytes(31), bytes(33)])
def test_an_entry_passed_instead_of_its_hash_is_refused_and_changes_nothing(leaf: bytes) -> None:
    head = CompactRange()
    head.append(leaf_hash(b"a"))
    before = head.to_bytes()
    with pytest.raises(BrokenFrontier, match=f"32 bytes, got {len(leaf)}"):
        head.append(leaf)
    assert (head.size, head.to_bytes()) == (1, before)


@pytest.mark.parametrize("changed", range(0, 13, 3))
def test_every_entry_every_order_and_every_byte_counts(changed: int) -> None:
    entries = ENTRIES[:13]
    original = root(map(leaf_hash, entries))
    flipped = [bytes([entries[changed][0] ^ 1]) + entries[changed][1:] if at == changed else entry
               for at, entry in enumerate(entries)]  # fmt: skip
    dropped = entries[:changed] + entries[changed + 1 :]
    swapped = [*entries[:changed], *reversed(entries[changed : changed + 2]), *entries[changed + 2 :]]
    doubled = [*entries, entries[-1]]
    variants = [flipped, dropped, doubled] + ([swapped] if swapped != entries else [])
    assert original not in {root(map(leaf_hash, variant)) for variant in variants}


def test_a_node_cannot_pass_as_a_leaf() -> None:
    left, right = leaf_hash(b"a"), leaf_hash(b"b")
    assert leaf_hash(left + right) != node_hash(left, right)
