"""Meshes of the bed: from the hole's edge to the bed's, as one slope or as terraces with upright walls."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.laminate.hole import Hole
from gaploft.laminate.solid import Sleeve
from gaploft.surface.basis import TURN_RAD, wrapped
from gaploft.target.readings import Over
from gaploft.target.split import Split, split_along

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Triangles = NDArray[np.int32]

#: Secant steps that bring a vertex onto a contour, and the most that one of them moves it, as a share of its
#: edge.
_ROUNDS, _MOST = 3, 0.05


@dataclass(frozen=True)
class BedMesh:
    """The bed as places below the outer surface.

    Attributes
    ----------
    uv : (n, 2) parameters of the vertices
    depth_mm : (n,) below the bare laminate
    beyond_mm : (n,) distance from the hole's edge
    triangles : (k, 3), first those of slope or terraces, anticlockwise seen from outside
    n_ground : how many of them these are; upright walls follow
    at_hole, at_edge : (n,) bool, on the hole's edge and on the bed's
    """

    uv: Floats
    depth_mm: Floats
    beyond_mm: Floats
    triangles: Triangles
    n_ground: int
    at_hole: Bools
    at_edge: Bools

    @property
    def ground(self) -> Triangles:
        """Triangles of slope or terraces."""
        return self.triangles[: self.n_ground]


def sloping(sleeve: Sleeve, hole: Hole, wall: Over, ratio: float) -> BedMesh:
    """One slope from the full wall at the hole's edge to nothing, its length the ratio times its depth."""
    uv, triangles, at_hole = _one_side(
        sleeve.uv, sleeve.triangles, hole.beyond, 0.0, held=np.zeros(len(sleeve.uv), dtype=bool)
    )

    def past_edge(u: Floats, v: Floats) -> Floats:
        return hole.beyond(u, v) - ratio * wall(u, v)

    uv, triangles, at_edge = _one_side(uv, triangles, past_edge, 0.0, held=at_hole, below=True)
    at_hole = np.append(at_hole, np.zeros(len(uv) - len(at_hole), dtype=bool))
    used = np.unique(triangles)
    uv, at_hole, at_edge = uv[used], at_hole[used], at_edge[used]
    away, thickness = np.maximum(hole.beyond(*uv.T), 0.0), wall(*uv.T)
    away[at_hole] = 0.0
    depth = np.where(at_edge, 0.0, np.maximum(thickness - away / ratio, 0.0))
    numbered = np.searchsorted(used, triangles).astype(np.int32)
    return BedMesh(uv, depth, away, numbered, len(triangles), at_hole, at_edge)


def terraced(sleeve: Sleeve, hole: Hole, wall: Over, step_mm: float, depths: Floats) -> BedMesh:
    """Terraces of one length at the given depths below the bare laminate, from the hole's edge outward.

    Upright walls stand between them, from the inner surface up to the first at the hole's edge, and from the
    last one up to the laminate at the bed's edge.
    """
    levels = step_mm * np.arange(len(depths) + 1)
    uv, triangles, values = sleeve.uv, sleeve.triangles, hole.beyond(*sleeve.uv.T)
    held = np.zeros(len(uv), dtype=bool)
    for level in levels:
        split = split_along(uv, triangles, values, level, held=held)
        values = np.where(split.on_level, level, split.carried(values))
        held = np.append(held, np.zeros(len(split.uv) - len(uv), dtype=bool)) | split.on_level
        uv, triangles = _settled(split, uv, hole.beyond, level), split.triangles
    terrace = np.searchsorted(levels, values[triangles].mean(axis=1)) - 1
    on = (terrace >= 0) & (terrace < len(depths))
    triangles, terrace = triangles[on].astype(np.int64), terrace[on]
    walls = _walls(triangles, terrace, values <= 0.0, len(depths))
    # A vertex is there once for each height that it has: terraces, inner surface, laminate.
    n_heights = len(depths) + 2
    keys = np.concatenate([triangles * n_heights + 1 + terrace[:, None], walls])
    used, numbered = np.unique(keys, return_inverse=True)
    vertex, height = used // n_heights, used % n_heights
    places, by_height = uv[vertex], np.concatenate([[0.0], depths, [0.0]])
    return BedMesh(
        places,
        np.where(height == 0, wall(*places.T), by_height[height]),
        values[vertex],
        numbered.reshape(-1, 3).astype(np.int32),
        len(triangles),
        height == 0,
        height == n_heights - 1,
    )


def _one_side(
    uv: Floats, triangles: Triangles, value: Over, level: float, *, held: Bools, below: bool = False
) -> tuple[Floats, Triangles, Bools]:
    """Split along a contour and keep one side; also which vertices lie on it."""
    split = split_along(uv, triangles, value(*uv.T), level, held=held)
    return (
        _settled(split, uv, value, level),
        split.triangles[split.side != below],
        split.on_level,
    )


def _settled(split: Split, before: Floats, value: Over, level: float) -> Floats:
    """The vertices of a split with those on the contour moved onto it along their edges, (n, 2).

    Where the value is not linear in a triangle, its contour lies off the one of the corners' values by the
    square of the triangle's size.
    """
    moved = np.flatnonzero(split.on_level & (split.parents[:, 0] != split.parents[:, 1]))
    first, last = split.parents[moved].T
    way = before[last] - before[first]
    way[:, 1] = np.mod(way[:, 1] + np.pi, TURN_RAD) - np.pi
    share = split.share[moved]
    slope = value(*before[last].T) - value(*before[first].T)
    slope = np.where(slope == 0.0, np.inf, slope)
    for _ in range(_ROUNDS):
        places = before[first] + share[:, None] * way
        share = np.clip(share - (value(*places.T) - level) / slope, share - _MOST, share + _MOST)
        share = np.clip(share, 0.0, 1.0)
    places = before[first] + share[:, None] * way
    uv = split.uv.copy()
    uv[moved] = np.column_stack([places[:, 0], wrapped(places[:, 1])])
    return uv


def _walls(triangles: Ints, terrace: Ints, at_hole: Bools, n_terraces: int) -> Ints:
    """Upright walls as (m, 3) keys, number of the vertex times the number of heights plus the height.

    Heights are 0 for the inner surface, then the terraces from 1, then the bare laminate.
    """
    n = len(at_hole)
    ways = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 2)
    of, there, back = np.repeat(terrace, 3), ways @ [n, 1], ways @ [1, n]
    order = np.argsort(there)
    across = order[np.minimum(np.searchsorted(there, back, sorter=order), len(order) - 1)]
    beyond = np.where(at_hole[ways].all(axis=1), -1, n_terraces)
    other = np.where(there[across] == back, of[across], beyond)
    # Between two terraces the lower one has the wall; at a free edge there is only one.
    wall = (of < other) | (other < 0)
    start, stop = ways[wall].T
    low, high = 1 + of[wall], 1 + other[wall]
    m = n_terraces + 2
    a, b, c, d = stop * m + low, start * m + low, start * m + high, stop * m + high
    return np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
