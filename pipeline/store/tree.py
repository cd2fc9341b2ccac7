"""The Merkle tree over the log's entries, by RFC 9162 section 2.1: leaf and node hashes, root, and its running form.

The running form keeps the roots of the perfect subtrees that the leaves so far fill, largest first; adding n leaves
costs at most 2n hashes, and the root of any later size needs nothing else.
"""

from collections.abc import Iterable, Sequence
from hashlib import sha256

EMPTY_ROOT = sha256(b"").digest()
Peak = tuple[int, bytes]  # height, root of a perfect subtree


def leaf_hash(entry: bytes) -> bytes:
    """SHA-256 of 0x00 and the entry."""
    return sha256(b"\x00" + entry).digest()


def leaf_hashes(entries: Iterable[bytes]) -> list[bytes]:
    """The leaf hash of each entry; none is copied to put 0x00 before it."""
    copy = sha256(b"\x00").copy
    leaves = []
    for entry in entries:
        leaf = copy()
        leaf.update(entry)
        leaves.append(leaf.digest())
    return leaves


def node_hash(left: bytes, right: bytes) -> bytes:
    """SHA-256 of 0x01 and both children."""
    return sha256(b"\x01" + left + right).digest()


def grow(peaks: Sequence[Peak], leaves: Iterable[bytes]) -> list[Peak]:
    """The peaks after more leaves (leaf hashes) have been added; a whole level of the tree at a time."""
    grown, below = list(peaks), []
    nodes, height = list(leaves), 0
    while nodes:
        if grown and grown[-1][0] == height:
            nodes = [grown.pop()[1], *nodes]
        if len(nodes) % 2:
            below.append((height, nodes.pop()))
        pairs = iter(nodes)
        nodes = [sha256(b"\x01" + left + right).digest() for left, right in zip(pairs, pairs, strict=True)]
        height += 1
    return grown + below[::-1]


def root(peaks: Sequence[Peak]) -> bytes:
    """The tree head: the Merkle tree hash of all leaves behind the peaks."""
    if not peaks:
        return EMPTY_ROOT
    node = peaks[-1][1]
    for _, left in reversed(peaks[:-1]):
        node = node_hash(left, node)
    return node
