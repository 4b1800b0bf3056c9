"""Parts of a mesh at heights of their own, with upright walls between them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.patch.loops import half_edges

Ints = NDArray[np.int64]
Triangles = NDArray[np.int32]


@dataclass(frozen=True)
class Apart:
    """A mesh whose parts have corners of their own.

    Attributes
    ----------
    vertex, part : (k,) the vertex that each corner was, and the part that it belongs to
    triangles : (m, 3), first those there were, in their order, then upright walls
    n_ground : how many of them are no walls
    """

    vertex: Ints
    part: Ints
    triangles: Triangles
    n_ground: int

    @property
    def ground(self) -> Triangles:
        """Triangles without walls."""
        return self.triangles[: self.n_ground]


def taken_apart(faces: NDArray[np.integer], part: Ints, free: Ints | None = None) -> Apart:
    """Give each part corners of its own, and put a wall of two triangles on each edge between two parts.

    Parameters
    ----------
    faces : (m, 3) a manifold mesh
    part : (m,) the part of each face, 0 or more
    free : (n,) part beyond the open edges at a vertex, for walls there, too; -1 for none

    Notes
    -----
    A wall turns as the faces on both of its sides do, whichever of them is lower.
    """
    corners = np.asarray(faces, dtype=np.int64)
    n, edges, own = int(corners.max()) + 1, half_edges(corners), np.tile(part, 3)
    there, back = edges @ [n, 1], edges[:, ::-1] @ [n, 1]
    order = np.argsort(there)
    place = np.minimum(np.searchsorted(there[order], back), len(order) - 1)
    across = np.where(there[order][place] == back, own[order][place], -1)
    if free is not None:
        ends = free[edges]
        across = np.where((across < 0) & (ends[:, 0] == ends[:, 1]), ends[:, 0], across)
    open_ = ~np.isin(back, there)
    wall = (across >= 0) & ((own < across) | (open_ & (own != across)))
    many = int(max(part.max(), across.max())) + 1
    (start, stop), low, high = edges[wall].T, own[wall], across[wall]
    a, b, c, d = (v * many + k for v, k in ((stop, low), (start, low), (start, high), (stop, high)))
    keys = np.concatenate(
        [corners * many + part[:, None], np.column_stack([a, b, c]), np.column_stack([a, c, d])]
    )
    used, number = np.unique(keys, return_inverse=True)
    return Apart(used // many, used % many, number.reshape(-1, 3).astype(np.int32), len(corners))
