"""Where a plane cuts a triangle mesh: a section of what has no rings."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, depth_first_order

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True)
class Cut:
    """The points in which a plane meets the edges of a mesh, and the straight pieces between them.

    Attributes
    ----------
    ends, share : (m, 2) and (m,), a point lies so far from the first of its edge's vertices to the second
    pieces : (k, 2) numbers of points, one piece for each triangle that is cut. All run the same way: with the
        plane's normal towards the eye, the outer side of the mesh is on their left
    """

    ends: Indices
    share: Floats
    pieces: Indices

    def carried(self, values: NDArray[np.floating]) -> Floats:
        """Values at the vertices, (n, ...), carried to the points, (m, ...)."""
        share = self.share.reshape(-1, *(1,) * (values.ndim - 1))
        return np.asarray((1.0 - share) * values[self.ends[:, 0]] + share * values[self.ends[:, 1]])

    @cached_property
    def lines(self) -> tuple[Indices, ...]:
        """Numbers of the points of each line in order, the longest first; a closed one ends as it begins."""
        count = len(self.ends)
        ways = np.ones(len(self.pieces), dtype=np.int8)
        graph = coo_array((ways, tuple(self.pieces.T)), shape=(count, count)).tocsr()
        of_line = connected_components(graph, directed=False)[1]
        has_before = np.zeros(count, dtype=bool)
        has_before[self.pieces[:, 1]] = True
        # Open lines begin where nothing comes before, closed ones at their first point.
        order = np.lexsort((np.arange(count), has_before, of_line))
        starts = order[np.flatnonzero(np.diff(of_line[order], prepend=-1))]
        found = []
        for start in starts.tolist():
            line = depth_first_order(graph, start, return_predecessors=False).astype(np.int64)
            found.append(np.append(line, line[:1]) if has_before[start] else line)
        return tuple(sorted(found, key=lambda line: (-len(line), int(line[0]))))


def cut_by_plane(vertices_mm: ArrayLike, triangles: ArrayLike, point_mm: ArrayLike, normal: ArrayLike) -> Cut:
    """Cut a triangle mesh by a plane.

    Parameters
    ----------
    vertices_mm : (n, 3), mm
    triangles : (k, 3), a manifold mesh, open or closed, anticlockwise seen from outside
    point_mm, normal : (3,) each, a point of the plane and its normal

    Notes
    -----
    A vertex in the plane counts as above it. No triangle then touches the plane in a corner alone, and every
    one that meets it has two of its edges cut.
    """
    points = np.asarray(vertices_mm, dtype=np.float64)
    corners = np.asarray(triangles, dtype=np.int64)
    height = (points - np.asarray(point_mm, dtype=np.float64)) @ np.asarray(normal, dtype=np.float64)
    above = height >= 0.0
    sides = above[corners]
    corners = corners[sides.any(axis=1) & ~sides.all(axis=1)]
    following = np.roll(corners, -1, axis=1)
    down = above[corners] & ~above[following]
    up = ~above[corners] & above[following]
    # One edge of each triangle leads down through the plane and one up.
    edges = np.concatenate([np.column_stack([corners[way], following[way]]) for way in (down, up)])
    key = np.sort(edges, axis=1) @ [len(points), 1]
    unique, number = np.unique(key, return_inverse=True)
    ends = np.column_stack(np.divmod(unique, len(points)))
    one, other = height[ends].T
    pieces = number.reshape(2, -1).T
    return Cut(ends, one / (one - other), pieces[:, ::-1].copy())
