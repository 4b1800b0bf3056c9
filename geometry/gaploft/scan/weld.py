"""Find equal rows fast: vertices of a facet soup that are one vertex, faces that come twice."""

import numpy as np
from numpy.typing import NDArray

#: Odd 64-bit multipliers with well spread bits, one a column (from the golden ratio and from the
#: finaliser of splitmix64: G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number
#: generators", OOPSLA 2014). Any odd numbers would do, since collisions are found and undone.
_MULTIPLIERS = (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB)


def equal_points(points: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Number points by exactly equal coordinates; 0.0 and -0.0 are equal. Points must be finite.

    Returns
    -------
    first : (k,) int64, ascending: the first point of each group
    group : (n,) int32: the group of each point
    """
    return equal_rows(np.ascontiguousarray(points + 0.0).view(np.uint64))


def equal_rows(rows: NDArray[np.uint64]) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Number the rows of a (n, 3) array by equality, in the order in which they first appear.

    Sorting one 64-bit hash a row is several times faster than sorting rows; the result is checked
    against the rows themselves, and a collision falls back to the slow way.
    """
    if len(rows) == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int32)
    hashed = _hash(rows)
    order = np.argsort(hashed)
    in_order = hashed[order]
    first, group = _number(order, in_order[1:] != in_order[:-1])
    if all(np.array_equal(rows[first, k][group], rows[:, k]) for k in range(rows.shape[1])):
        return first, group
    order = np.lexsort(rows.T)
    in_rows = rows[order]
    return _number(order, (in_rows[1:] != in_rows[:-1]).any(axis=1))


def _hash(rows: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Mix the columns of each row into one word; wraps round on purpose."""
    mixed = np.zeros(len(rows), dtype=np.uint64)
    for column, multiplier in zip(rows.T, _MULTIPLIERS, strict=True):
        mixed ^= column
        mixed *= np.uint64(multiplier)
        mixed ^= mixed >> np.uint64(32)
    return mixed


def _number(
    order: NDArray[np.int64], differs: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Group numbers from a sorting ``order`` and where a sorted row differs from the one before it."""
    starts = np.concatenate([[0], np.flatnonzero(differs) + 1])
    first = np.minimum.reduceat(order, starts)
    by_first = np.argsort(first)
    rank = np.empty(len(first), dtype=np.int32)
    rank[by_first] = np.arange(len(first), dtype=np.int32)
    group = np.empty(len(order), dtype=np.int32)
    group[order] = np.repeat(rank, np.diff(np.append(starts, len(order))))
    return first[by_first].astype(np.int64, copy=False), group
