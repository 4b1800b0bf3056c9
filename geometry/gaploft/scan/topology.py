"""Which faces share an edge, and whether they agree on which side is out."""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from gaploft.scan.weld import all_different

#: An odd multiplier with well spread bits (the golden ratio); any odd number would do.
_SPREAD = np.uint64(0x9E3779B97F4A7C15)
_MIX = np.uint64(29)
#: Edges that are looked at together: memory for more of them buys no time.
_EDGES_AT_ONCE = 2_000_000


@dataclass(frozen=True)
class EdgeCounts:
    """How many edges lie in one face, in two, in more, and in two that run the same way along it."""

    boundary: int
    shared: int
    crowded: int
    clashing: int

    @property
    def manifold(self) -> bool:
        """A surface with or without a boundary: one or two faces an edge, running opposite ways."""
        return self.crowded == 0 and self.clashing == 0


def count_edges(faces: NDArray[np.integer], n_vertices: int) -> EdgeCounts:
    """Count the edges of (m, 3) ``faces`` by the faces that share them."""
    keys = np.sort(_half_edges(faces, n_vertices))
    starts, counts = _runs(keys >> 1)
    if len(starts) == 0:
        return EdgeCounts(0, 0, 0, 0)
    backwards = np.add.reduceat(keys & 1, starts)
    return EdgeCounts(
        boundary=int((counts == 1).sum()),
        shared=int((counts == 2).sum()),
        crowded=int((counts > 2).sum()),
        clashing=int(((counts == 2) & (backwards != 1)).sum()),
    )


def surely_sound(faces: NDArray[np.integer], n_vertices: int) -> bool:
    """Tell quickly that a mesh is a surface whose faces agree and that no face comes twice in it.

    If no edge is run through twice the same way, none lies in more than two faces, and faces that share
    one run through it opposite ways. A face may then still come twice, once each way round. False means
    "perhaps not": two different faces may look alike here.
    """
    n_parts = max(1, round(3 * len(faces) / _EDGES_AT_ONCE))
    # The same edge starts at the same vertex, so that runs of vertices can be looked at one by one.
    bounds = np.linspace(0, n_vertices, n_parts + 1).astype(np.int32)
    for low, high in pairwise(bounds):
        keys = [_keys_from(faces, k, low, high, n_vertices) for k in range(3)]
        if not all_different(np.concatenate(keys)):
            return False
    mixed = np.zeros(len(faces), dtype=np.uint64)
    for corner in range(3):
        mixed += _spread(faces[:, corner])
    part = (mixed % np.uint64(n_parts)).astype(np.int8 if n_parts < 128 else np.int32)
    return all(all_different(mixed[part == k]) for k in range(n_parts))


def _keys_from(
    faces: NDArray[np.integer], k: int, low: int, high: int, n_vertices: int
) -> NDArray[np.uint64]:
    """Keys of the edges from corner ``k`` to the next one that start at the vertices low to high - 1."""
    tail = faces[:, k]
    here = (tail >= low) & (tail < high)
    start, stop = tail[here].astype(np.uint64), faces[:, (k + 1) % 3][here].astype(np.uint64)
    return start * np.uint64(n_vertices) + stop


def _spread(numbers: NDArray[Any]) -> NDArray[np.uint64]:
    """Numbers that differ in all bits where these differ in some."""
    word = numbers.astype(np.uint64)
    word *= _SPREAD
    word ^= word >> _MIX
    word *= _SPREAD
    return word


def surely_open(faces: NDArray[np.integer], n_vertices: int) -> bool:
    """Tell quickly that some edge is not run through as often one way as the other: a border, or a clash.

    Sums of the hashed edges are compared; chance makes those of an open mesh equal once in 2**64.
    """
    balance, at_once = 0, _EDGES_AT_ONCE // 8
    for start in range(0, len(faces), at_once):
        part = faces[start : start + at_once]
        for k in range(3):
            tail, head = part[:, k].astype(np.uint64), part[:, (k + 1) % 3].astype(np.uint64)
            balance += int(_spread(tail * np.uint64(n_vertices) + head).sum())
            balance -= int(_spread(head * np.uint64(n_vertices) + tail).sum())
    return balance % 2**64 != 0


def clashing_faces(faces: NDArray[np.integer], n_vertices: int) -> tuple[NDArray[np.bool_], int]:
    """Find the faces to turn over so that neighbours agree.

    Each face stands for two nodes, "as it is" and "turned"; an edge between two faces joins the
    nodes that agree. A connected set of nodes is then one consistent choice for a piece of
    surface, and the choice that turns fewer faces is taken.

    Returns
    -------
    turn : (m,) bool
    n_one_sided : faces of one-sided pieces (such as a Moebius strip), which are left as they are
    """
    n = len(faces)
    keys = _half_edges(faces, n_vertices)
    order = np.argsort(keys)
    starts, counts = _runs(keys[order] >> 1)
    pairs = starts[counts == 2]
    one, other = order[pairs], order[pairs + 1]
    clash = (keys[one] & 1) == (keys[other] & 1)
    one, other = one % n, other % n
    rows = np.concatenate([one, one + n])
    columns = np.concatenate([np.where(clash, other + n, other), np.where(clash, other, other + n)])
    graph = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(2 * n, 2 * n))
    label = connected_components(graph, directed=False)[1]
    choice = np.minimum(label[:n], label[n:])
    turn = label[:n] != choice
    share_turned = np.bincount(choice, weights=turn) / np.maximum(np.bincount(choice), 1)
    turn ^= share_turned[choice] > 0.5
    one_sided = label[:n] == label[n:]
    return turn & ~one_sided, int(one_sided.sum())


def _half_edges(faces: NDArray[np.integer], n_vertices: int) -> NDArray[np.int64]:
    """Sortable key of each directed edge, (3 m,): both ways along one edge differ in the last bit only."""
    wide = faces.astype(np.int64, copy=False)
    tail = wide.T.ravel()
    head = wide[:, [1, 2, 0]].T.ravel()
    backwards = tail > head
    key = np.minimum(tail, head) * n_vertices + np.maximum(tail, head)
    return (key << 1) | backwards


def _runs(values: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Start and length of each run of equal values."""
    if len(values) == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    starts = np.concatenate([[0], np.flatnonzero(values[1:] != values[:-1]) + 1])
    return starts, np.diff(np.append(starts, len(values)))
