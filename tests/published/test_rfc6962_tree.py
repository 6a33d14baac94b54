"""Goal: our tree hash is the RFC 6962 one, so that others can check our log with their own tools.

Method: the roots over the eight leaf inputs of the Certificate Transparency reference tests, and, where
the file of published proof vectors lies beside the repository, all its inclusion proofs (good and broken),
checked by a verifier that lives in this test only and uses our hashes.
"""

import base64
import json
from pathlib import Path
from typing import Any

import pytest

from service.core.merkle import HASH_BYTES, CompactRange, leaf_hash, node_hash, root

# Source: transparency-dev/merkle, testonly/constants.go, LeafInputs() (Apache-2.0).
LEAF_INPUTS = [
    "",
    "00",
    "10",
    "2021",
    "3031",
    "40414243",
    "5051525354555657",
    "606162636465666768696a6b6c6d6e6f",
]
# Source: transparency-dev/merkle, testonly/constants.go, RootHashes(), index = size of the tree.
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
VECTORS = Path(__file__).resolve().parents[3] / "shared/vectors/merkle/transparency-dev-merkle-proofs.json"


@pytest.mark.parametrize("size", range(9))
def test_roots_over_the_reference_leaves(size: int) -> None:
    hashes = [leaf_hash(bytes.fromhex(data)) for data in LEAF_INPUTS[:size]]
    assert root(hashes).hex() == ROOTS[size]


def test_a_growing_log_passes_through_all_reference_roots() -> None:
    head = CompactRange()
    seen = [head.root().hex()]
    for data in LEAF_INPUTS:
        head.append(leaf_hash(bytes.fromhex(data)))
        seen.append(head.root().hex())
    assert seen == ROOTS


def is_included(leaf_index: int, tree_size: int, leaf: bytes, proof: list[bytes], claimed: bytes) -> bool:
    """Source : RFC 9162, 2.1.3.2 (verifying an inclusion proof), with our node hash."""
    if not 0 <= leaf_index < tree_size or len(leaf) != HASH_BYTES:
        return False
    first, second, joined = leaf_index, tree_size - 1, leaf
    for step in proof:
        if second == 0:
            return False
        if first & 1 or first == second:
            joined = node_hash(step, joined)
            while not first & 1 and first:
                first, second = first >> 1, second >> 1
        else:
            joined = node_hash(joined, step)
        first, second = first >> 1, second >> 1
    return second == 0 and joined == claimed


def published_inclusions() -> list[dict[str, Any]]:
    if not VECTORS.exists():
        pytest.skip("the published proof vectors (transparency-dev/merkle testdata) are not beside the repository")
    inclusions: list[dict[str, Any]] = json.loads(VECTORS.read_text())["inclusion"]
    return inclusions


def test_published_inclusion_proofs_hold_and_broken_ones_do_not() -> None:
    vectors = published_inclusions()
    wrong = []
    for vector in vectors:
        accepted = is_included(
            vector["leafIdx"],
            vector["treeSize"],
            base64.b64decode(vector["leafHash"] or ""),
            [base64.b64decode(step) for step in vector["proof"] or []],
            base64.b64decode(vector["root"] or ""),
        )
        if accepted is vector["wantErr"]:
            wrong.append(vector["name"])
    assert wrong == []
    assert sum(not vector["wantErr"] for vector in vectors) >= 5
    assert sum(vector["wantErr"] for vector in vectors) >= 50


def test_published_proofs_of_the_reference_leaves_lead_to_our_roots() -> None:
    hashes = [leaf_hash(bytes.fromhex(data)) for data in LEAF_INPUTS]
    checked = 0
    for vector in published_inclusions():
        index, size = vector["leafIdx"], vector["treeSize"]
        if vector["wantErr"] or base64.b64decode(vector["leafHash"]) not in hashes:
            continue
        assert base64.b64decode(vector["leafHash"]) == hashes[index], vector["name"]
        assert base64.b64decode(vector["root"]) == root(hashes[:size]), vector["name"]
        checked += 1
    assert checked >= 4
