"""Splitting a triangle mesh on a tube along the contour of a value."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.basis import TURN_RAD, wrapped

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: A contour that comes closer to a vertex than this share of an edge goes through it: slivers would follow.
_CLOSE_SHARE = 0.1
#: A vertex that must stay is on the contour when no edge is cut further from it than rounding goes.
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Split:
    """A mesh after :func:`split_along`: the vertices it had, by their old numbers, then the new ones.

    Attributes
    ----------
    uv : (n, 2) parameters of the vertices, u in mm, v in radians, 0 to 2 pi
    triangles : (k, 3) int32, turning as the ones they were cut from
    side : (k,) bool, True where the value is above the level
    source : (k,) number of the triangle each was cut from
    on_level : (n,) bool, vertices on the contour
    parents, share : (n, 2) and (n,), a vertex lies so far from its first parent to its second, both numbered
        as before; one that did not move is its own parent
    """

    uv: Floats
    triangles: NDArray[np.int32]
    side: Bools
    source: Ints
    on_level: Bools
    parents: Ints
    share: Floats

    def carried(self, values: Floats) -> Floats:
        """Values at the vertices of the mesh before, (n_before, ...), carried to the ones now."""
        share = self.share.reshape(-1, *(1,) * (values.ndim - 1))
        return np.asarray((1.0 - share) * values[self.parents[:, 0]] + share * values[self.parents[:, 1]])


def split_along(
    uv: Floats, triangles: NDArray[np.int32], values: Floats, level: float, *, held: Bools | None = None
) -> Split:
    """Split a mesh so that each triangle lies on one side of the contour ``values == level``.

    Parameters
    ----------
    uv : (n, 2) parameters of its vertices; v is periodic, and no edge spans half a turn or more
    triangles : (k, 3), a manifold mesh, open or closed
    values : (n,) values at the vertices, taken as linear in each triangle
    level : the value of the contour
    held : (n,) bool, vertices that must not move, such as those of an earlier contour

    Notes
    -----
    A vertex that the contour passes within a tenth of an edge is moved onto it along that edge, one of the
    mesh's own border only along the border: this leaves no slivers, and the contour stays accurate to second
    order in the size of the triangles. Give held vertices to keep two contours apart that come this close.
    """
    n = len(uv)
    corners = np.asarray(triangles, dtype=np.int64)
    edges, of_corner, border = _edges(corners, n)
    height = np.asarray(values, dtype=np.float64) - level
    to, share = _moves(edges, border, height, np.zeros(n, dtype=bool) if held is None else held)
    sign = np.where(to >= 0, 0, np.sign(height)).astype(np.int64)
    crossed = np.flatnonzero(sign[edges[:, 0]] * sign[edges[:, 1]] < 0)
    made = np.full(len(edges), -1, dtype=np.int64)
    made[crossed] = n + np.arange(len(crossed))
    one, other = height[edges[crossed, 0]], height[edges[crossed, 1]]
    itself = np.arange(n)
    parents = np.concatenate([np.column_stack([itself, np.where(to >= 0, to, itself)]), edges[crossed]])
    shares = np.concatenate([share, one / (one - other)])
    cut, source = _cut(corners, sign, made[of_corner], shares, edges[of_corner])
    on_level = np.concatenate([sign == 0, np.ones(len(crossed), dtype=bool)])
    above = np.concatenate([sign, np.zeros(len(crossed), dtype=np.int64)])[cut].sum(axis=1) > 0
    return Split(
        _between(uv, parents, shares), cut.astype(np.int32), above, source, on_level, parents, shares
    )


def _edges(corners: Ints, n: int) -> tuple[Ints, Ints, Bools]:
    """Each edge once, smaller number first; the edge after each corner, (k, 3); which lie on the border."""
    ends = np.sort(np.stack([corners, np.roll(corners, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    keys, of_corner, count = np.unique(ends @ [n, 1], return_inverse=True, return_counts=True)
    return np.column_stack([keys // n, keys % n]), of_corner.reshape(-1, 3), count == 1


def _moves(edges: Ints, border: Bools, height: Floats, held: Bools) -> tuple[Ints, Floats]:
    """The neighbour towards which each vertex moves onto the contour, or -1, and by which share."""
    n = len(height)
    start, stop = np.concatenate([edges, edges[:, ::-1]]).T
    with np.errstate(divide="ignore", invalid="ignore"):
        share = height[start] / (height[start] - height[stop])
    on_border = np.zeros(n, dtype=bool)
    on_border[edges[border].ravel()] = True
    bound = held[start] | (on_border[start] & ~np.tile(border, 2))
    near = (share >= 0.0) & (share <= np.where(bound, _ROUNDING, _CLOSE_SHARE))
    start, stop, share = start[near], stop[near], share[near]
    order = np.lexsort((stop, share, start))
    vertex, first = np.unique(start[order], return_index=True)
    to, by = np.full(n, -1, dtype=np.int64), np.zeros(n)
    to[vertex], by[vertex] = stop[order][first], share[order][first]
    level = height == 0.0
    to[level], by[level] = np.flatnonzero(level), 0.0
    by[held] = 0.0
    return to, by


def _cut(corners: Ints, sign: Ints, made: Ints, share: Floats, ends: Ints) -> tuple[Ints, Ints]:
    """Triangles after the cut and the ones they come from; ``made`` is the new vertex on the edge after each
    corner or -1, ``ends`` that edge's own vertices."""
    n_cut = (made >= 0).sum(axis=1)
    number = np.arange(len(corners))
    whole, halved, tipped = (number[n_cut == k] for k in (0, 1, 2))
    pieces, source = [corners[whole]], [whole]
    turned = _turned(halved, np.argmax(made[halved] >= 0, axis=1))
    a, b, c = corners[turned].T
    middle = made[halved, turned[1][:, 0]]
    pieces += [np.column_stack([a, middle, c]), np.column_stack([middle, b, c])]
    source += [halved, halved]
    # The tip is the corner alone on its side: the edge opposite it is the one that is not cut.
    turned = _turned(tipped, (np.argmin(made[tipped] >= 0, axis=1) + 2) % 3)
    tip, b, c = corners[turned].T
    on_b, on_c = made[tipped, turned[1][:, 0]], made[tipped, turned[1][:, 2]]
    along_b = np.where(ends[tipped, turned[1][:, 0], 0] == tip, share[on_b], 1.0 - share[on_b])
    along_c = np.where(ends[tipped, turned[1][:, 2], 0] == tip, share[on_c], 1.0 - share[on_c])
    # The diagonal that leaves the smallest piece larger, by areas as shares of the whole triangle.
    from_b = np.minimum(along_c * (1.0 - along_b), 1.0 - along_c)
    from_c = np.minimum(along_b * (1.0 - along_c), 1.0 - along_b)
    by_b = (from_b >= from_c)[:, None]
    pieces += [
        np.column_stack([tip, on_b, on_c]),
        np.where(by_b, np.column_stack([on_b, b, on_c]), np.column_stack([on_b, b, c])),
        np.where(by_b, np.column_stack([b, c, on_c]), np.column_stack([on_b, c, on_c])),
    ]
    source += [tipped, tipped, tipped]
    return np.concatenate(pieces), np.concatenate(source)


def _turned(rows: Ints, first: Ints) -> tuple[Ints, Ints]:
    """Index of the corners of ``rows`` with another one first."""
    return rows[:, None], (first[:, None] + np.arange(3)) % 3


def _between(uv: Floats, parents: Ints, share: Floats) -> Floats:
    """Parameters of vertices between their parents, the short way around."""
    start, stop = uv[parents[:, 0]], uv[parents[:, 1]]
    way = stop - start
    way[:, 1] = np.mod(way[:, 1] + np.pi, TURN_RAD) - np.pi
    found = start + share[:, None] * way
    return np.column_stack([found[:, 0], wrapped(found[:, 1])])
