"""Find equal rows fast: vertices of a facet soup that are one vertex, faces that come twice."""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Odd 64-bit multipliers with well spread bits, one a column (from the golden ratio and from the
#: finaliser of splitmix64: G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number
#: generators", OOPSLA 2014). Any odd numbers would do, since collisions are found and undone.
_MULTIPLIERS = (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB)

#: Rows that are worked on at once: few enough to stay in the cache of the processor.
_CHUNK = 1 << 16

#: Tables are tried so often; rows whose hashes still collide then are sorted.
_ROUNDS = 8


def equal_points(points: NDArray[np.floating]) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Number points by exactly equal coordinates; 0.0 and -0.0 are equal. Points must be finite.

    Parameters
    ----------
    points : (n, 3) float32 or float64

    Returns
    -------
    first : (k,) int64, ascending: the first point of each group
    group : (n,) int32: the group of each point
    """
    return equal_rows(points)


def equal_rows(rows: NDArray[Any]) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Number the rows of a (n, 3) array of numbers by equality, in the order in which they first appear.

    Each row writes its number into a table at a place that its hash names, earlier rows last, so that
    they stay; the row found there is its representative if the two are really equal. The few rows that
    met another one there go into the next table. That takes a fifth of the time of sorting hashes.
    (``take`` is used for brackets, since it is two to three times as fast.)
    """
    n = len(rows)
    representative = np.arange(n, dtype=np.int32)
    left = representative.copy()
    for k in range(_ROUNDS):
        if len(left) == 0:
            break
        left = left[_met_another(rows, left, representative, salt=k)]
    if len(left):
        _sort_out(rows, left, representative)
    first = np.flatnonzero(representative == np.arange(n, dtype=np.int32))
    rank = np.empty(n, dtype=np.int32)
    rank[first] = np.arange(len(first), dtype=np.int32)
    return first, rank.take(representative)


def all_different(keys: NDArray[np.uint64]) -> bool:
    """Tell whether no value comes twice among (n,) ``keys``."""
    left = np.arange(len(keys), dtype=np.int32)
    for k in range(_ROUNDS):
        slots = _slots(keys.take(left)[:, None] if k else keys[:, None], salt=k)
        winner = _table(slots, left).take(slots)
        lost = np.flatnonzero(winner != left)
        left, winner = left.take(lost), winner.take(lost)
        if (keys.take(left) == keys.take(winner)).any():
            return False
        if len(left) == 0:
            return True
    return len(np.unique(keys[left])) == len(left)


def _met_another(
    rows: NDArray[Any], left: NDArray[np.int32], representative: NDArray[np.int32], *, salt: int
) -> NDArray[np.bool_]:
    """One table for the rows ``left``: set their representatives, return which of them have none yet."""
    own = rows if len(left) == len(rows) else rows.take(left, axis=0)
    slots = _slots(own, salt=salt)
    table = _table(slots, left)
    met = np.empty(len(left), dtype=bool)
    for part in _chunks(len(left)):
        found = table.take(slots[part])
        differs = own[part] != rows.take(found, axis=0)
        met[part] = differs[:, 0] | differs[:, 1] | differs[:, 2]
        representative[left[part]] = found
    return met


def _table(slots: NDArray[np.int32], numbers: NDArray[np.int32]) -> NDArray[np.int32]:
    """Table that holds at each slot the first of the numbers that belong there."""
    table = np.empty(1 << _bits(len(slots)), dtype=np.int32)
    for part in reversed(list(_chunks(len(slots)))):
        # Of several values assigned to one place NumPy leaves the last.
        table[slots[part][::-1]] = numbers[part][::-1]
    return table


def _slots(rows: NDArray[Any], *, salt: int) -> NDArray[np.int32]:
    """Place of each row in a table, (n,); another one for another salt."""
    shift = np.uint64(64 - _bits(len(rows)))
    slots = np.empty(len(rows), dtype=np.int32)
    for part in _chunks(len(rows)):
        mixed = _hash(_words(rows[part])) + np.uint64(salt)
        mixed *= np.uint64(_MULTIPLIERS[salt % len(_MULTIPLIERS)])
        slots[part] = mixed >> shift
    return slots


def _bits(n: int) -> int:
    """Size of a table for n rows, in bits: two to four places a row."""
    return max(4, n.bit_length() + 1)


def _words(rows: NDArray[Any]) -> NDArray[np.unsignedinteger]:
    """Bits of each number; -0.0 becomes 0.0."""
    if rows.dtype.kind == "f":
        rows = rows + rows.dtype.type(0.0)
    word: NDArray[np.unsignedinteger] = np.ascontiguousarray(rows).view(f"u{rows.dtype.itemsize}")
    return word


def _hash(rows: NDArray[np.unsignedinteger]) -> NDArray[np.uint64]:
    """Mix the columns of each row into one word; wraps round on purpose."""
    mixed = np.zeros(len(rows), dtype=np.uint64)
    for k in range(rows.shape[1]):
        mixed ^= rows[:, k]
        mixed *= np.uint64(_MULTIPLIERS[k])
        mixed ^= mixed >> np.uint64(32)
    return mixed


def _sort_out(rows: NDArray[Any], left: NDArray[np.int32], representative: NDArray[np.int32]) -> None:
    """Set the representatives of the rows ``left`` by sorting them."""
    order = left[np.lexsort((left, *_words(rows[left]).T))]
    differs = (rows[order[1:]] != rows[order[:-1]]).any(axis=1)
    starts = np.concatenate([[0], np.flatnonzero(differs) + 1])
    representative[order] = np.repeat(order[starts], np.diff(np.append(starts, len(order))))


def _chunks(n: int) -> Iterator[slice]:
    for start in range(0, n, _CHUNK):
        yield slice(start, min(start + _CHUNK, n))
