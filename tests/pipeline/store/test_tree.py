"""The Merkle tree, held to the published hashes of RFC 9162's tree (the same tree as RFC 6962)."""

import pytest

from pipeline.store.tree import EMPTY_ROOT, grow, leaf_hash, leaf_hashes, node_hash, root

# Reference leaves and roots of the RFC 6962 / RFC 9162 reference implementation's test vectors (hex).
LEAVES = [
    bytes.fromhex(text)
    for text in ("", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f")
]
ROOTS = {
    0: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    1: "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    2: "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    3: "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    4: "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    8: "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
}


@pytest.mark.parametrize(("size", "expected"), ROOTS.items())
def test_the_root_of_the_reference_leaves_is_the_published_one(size: int, expected: str):
    assert root(grow([], map(leaf_hash, LEAVES[:size]))).hex() == expected


def test_leaf_and_node_hashes_are_the_published_ones():
    # RFC 6962 reference implementation, hasher test vectors
    assert leaf_hashes(LEAVES) == [leaf_hash(leaf) for leaf in LEAVES]
    assert leaf_hash(b"L123456").hex() == "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56"
    assert node_hash(b"N123", b"N456").hex() == "aa217fe888e47007fa15edab33c2b492a722cb106c64667fc2b044444de66bbb"


def recursive_root(leaves: list[bytes]) -> bytes:
    """RFC 9162 section 2.1.1, word for word: split at the largest power of two below n."""
    if not leaves:
        return EMPTY_ROOT
    if len(leaves) == 1:
        return leaf_hash(leaves[0])
    split = 1 << ((len(leaves) - 1).bit_length() - 1)
    return node_hash(recursive_root(leaves[:split]), recursive_root(leaves[split:]))


@pytest.mark.parametrize("size", range(40))
def test_growing_in_two_steps_gives_the_root_of_the_definition(size: int):
    leaves = [bytes([i]) for i in range(size)]
    hashed = [leaf_hash(leaf) for leaf in leaves]
    assert root(grow(grow([], hashed[: size // 3]), hashed[size // 3 :])) == recursive_root(leaves)
