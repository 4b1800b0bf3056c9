"""The target's mesh as places on the surface: a grid of rings, or one with a step along its rims."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.target.split import split_along

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Quads = NDArray[np.int32]


@dataclass(frozen=True)
class GridMesh:
    """Places of the target's vertices, and its facets.

    Attributes
    ----------
    uv : (n, 2), first the ``n_u`` rings of ``n_v`` places each, then those that a rim needs beside them
    inside : (n,) bool, the layers are taken off there
    at_rim : (n,) bool, the place is on a rim at which the layers end in a step
    quads : (k, 4) int32, the facets of the grid
    shape : (n_u, n_v)
    """

    uv: Floats
    inside: Bools
    at_rim: Bools
    quads: Quads
    shape: tuple[int, int]


def plain_grid(u: Floats, v: Floats, outward: int) -> GridMesh:
    """Rings at u of places at v."""
    uu, vv = np.meshgrid(u, v, indexing="ij")
    n = uu.size
    quads = _quads(len(u), len(v), outward)
    uv = np.column_stack([uu.ravel(), vv.ravel()])
    return GridMesh(uv, np.ones(n, dtype=bool), np.zeros(n, dtype=bool), quads, (len(u), len(v)))


def stepped_grid(u: Floats, v: Floats, outward: int, rims: tuple[float, float]) -> GridMesh:
    """Rings at u, those at the two rims twice: once for the surface outside, once for the foot of the step.

    A rim at the end of the stations has nothing outside, and no step.
    """
    at = [int(np.abs(u - rim).argmin()) for rim in rims]
    twice = [k for k in at if 0 < k < len(u) - 1]
    rings = np.sort(np.append(np.arange(len(u)), np.array(twice, dtype=np.int64)))
    inside = (rings >= at[0]) & (rings <= at[1])
    first, last = (np.flatnonzero(rings == k) for k in at)
    at_rim = np.zeros(len(rings), dtype=bool)
    if len(first) == 2:
        inside[first[0]], at_rim[first] = False, True
    if len(last) == 2:
        inside[last[1]], at_rim[last] = False, True
    plain = plain_grid(u[rings], v, outward)
    return GridMesh(plain.uv, np.repeat(inside, len(v)), np.repeat(at_rim, len(v)), plain.quads, plain.shape)


def stepped_patch(
    grid: GridMesh, triangles: NDArray[np.int32], from_rim: Floats
) -> tuple[GridMesh, NDArray[np.int32]]:
    """A grid split along the rim of a patch, with a wall of triangles between both sides of the rim.

    The grid keeps its places, rings and quads; only places next to the rim are moved onto it. What the rim
    needs beside them follows, and only the triangles know of it.
    """
    split = split_along(grid.uv, triangles, from_rim, 0.0)
    inner = ~split.side
    n, corners = len(split.uv), split.triangles.astype(np.int64)
    rim = np.flatnonzero(split.on_level)
    foot = np.arange(n)
    foot[rim] = n + np.arange(len(rim))
    # An edge of an inner triangle that an outer one runs through the other way carries the wall.
    ways = np.stack([corners, np.roll(corners, -1, axis=1)], axis=2)
    inner_ways, outer_ways = ways[inner].reshape(-1, 2), ways[~inner].reshape(-1, 2)
    start, stop = inner_ways[np.isin(inner_ways @ [n, 1], outer_ways[:, ::-1] @ [n, 1])].T
    wall = np.concatenate(
        [np.column_stack([start, stop, foot[stop]]), np.column_stack([start, foot[stop], foot[start]])]
    )
    faces = np.concatenate([foot[corners[inner]], corners[~inner], wall]).astype(np.int32)
    used = np.zeros(n, dtype=bool)
    used[corners[inner]] = True
    inside = np.concatenate([used & ~split.on_level, np.ones(len(rim), dtype=bool)])
    at_rim = np.concatenate([split.on_level, np.ones(len(rim), dtype=bool)])
    return GridMesh(np.concatenate([split.uv, split.uv[rim]]), inside, at_rim, grid.quads, grid.shape), faces


def _quads(n_u: int, n_v: int, outward: int) -> Quads:
    """Quads of a sleeve of rings, anticlockwise seen from outside."""
    i, j = np.meshgrid(np.arange(n_u - 1), np.arange(n_v), indexing="ij")
    a, b = i * n_v + j, i * n_v + (j + 1) % n_v
    corners = np.stack([a, b, b + n_v, a + n_v], axis=-1).reshape(-1, 4)
    return (corners if outward > 0 else corners[:, ::-1]).astype(np.int32)


def triangles_of(vertices: Floats, quads: Quads) -> NDArray[np.int32]:
    """Each quad cut along its shorter diagonal; the first one where both are the same."""
    a, b, c, d = (vertices[quads[:, k]] for k in range(4))
    first = ((c - a) ** 2).sum(1) <= ((d - b) ** 2).sum(1) * (1.0 + 1e-9)
    one = np.where(first[:, None], quads[:, [0, 1, 2]], quads[:, [0, 1, 3]])
    two = np.where(first[:, None], quads[:, [0, 2, 3]], quads[:, [1, 2, 3]])
    return np.stack([one, two], axis=1).reshape(-1, 3)
