"""The ground a patch is solved on: trusted scan and a first filling, as evenly spread nodes."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, diags
from scipy.sparse.linalg import splu

from gaploft.errors import InputError
from gaploft.patch.filling import joined_loops, least_area
from gaploft.patch.loops import half_edges
from gaploft.patch.nodes import point_areas, spread_nodes
from gaploft.patch.refine import flipped, split_long
from gaploft.patch.region import Region

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]
Indices = NDArray[np.int64]

#: Fine points for each spacing of nodes; loops are thinned to so many points before they are filled.
_FINE_SHARE, _MOST_ON_LOOP = 0.3, 420
_SPLIT_ROUNDS = 12
#: A patch whose outlines are farther apart than this many of their own widths joins nothing.
_APART_WIDTHS = 2.5


@dataclass(frozen=True)
class Ground:
    """Nodes over patch and surroundings.

    Attributes
    ----------
    points, normals : (n, 3)
    faces : (m, 3) triangles between nodes
    areas : (n,) mm^2
    lost : (n,) share of each node's own area that is not trusted scan, 0 to 1
    spacing_mm : mean distance of nodes
    """

    points: Floats
    normals: Floats
    faces: Faces
    areas: Floats
    lost: Floats
    spacing_mm: float


def make_ground(region: Region, spacing_mm: float, onto: Callable[[Floats], Floats] | None = None) -> Ground:
    """Fill the region's outline and holes, and spread nodes over all of it.

    ``onto`` brings points onto a surface that is known beforehand, as the filling is to lie on it.

    Raises
    ------
    InputError
        Outlines are too far apart to belong to one patch.
    """
    points, faces, filled = _split(*_filled(region), _FINE_SHARE * spacing_mm)
    points = faired(points, faces, filled)
    if onto is not None:
        points, faces, filled = _brought(points, faces, filled, _FINE_SHARE * spacing_mm, onto)
    faces[filled] = flipped(points, faces[filled])
    areas = point_areas(points, faces)
    nodes, triangles, owner = spread_nodes(points, faces, spacing_mm)
    n = len(nodes)
    area = _summed(owner, areas, n)
    lost = _summed(owner, point_areas(points, faces[filled]), n) / np.maximum(area, 1e-300)
    corner = points[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    normals = np.stack(
        [_summed(owner[faces].ravel(), np.repeat(across[:, k], 3), n) for k in range(3)], axis=1
    )
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    return Ground(nodes, normals, triangles, area, lost, spacing_mm)


def _split(
    points: Floats, faces: Faces, filled: NDArray[np.bool_], edge_mm: float
) -> tuple[Floats, Faces, NDArray[np.bool_]]:
    """Faces split until no edge is too long, and which of them are filled."""
    for _ in range(_SPLIT_ROUNDS):
        before = len(points)
        points, faces, was = split_long(points, faces, edge_mm)
        filled = filled[was]
        faces[filled] = flipped(points, faces[filled])
        if len(points) == before:
            break
    return points, faces, filled


def _brought(
    points: Floats,
    faces: Faces,
    filled: NDArray[np.bool_],
    edge_mm: float,
    onto: Callable[[Floats], Floats],
) -> tuple[Floats, Faces, NDArray[np.bool_]]:
    """A filling brought onto a surface.

    A filling across a crotch is brought onto both of its walls and onto nothing between: edges from one to
    the other are split, and their middles brought down in their turn.
    """
    fresh: Indices = np.setdiff1d(faces[filled], faces[~filled]).astype(np.int64)
    for _ in range(_SPLIT_ROUNDS):
        points[fresh] = onto(points[fresh])
        before = len(points)
        points, faces, was = split_long(points, faces, edge_mm)
        filled = filled[was]
        faces[filled] = flipped(points, faces[filled])
        fresh = np.arange(before, len(points))
        if len(fresh) == 0:
            break
    return points, faces, filled


def _summed(owner: NDArray[np.integer], values: Floats, n: int) -> Floats:
    return np.asarray(np.bincount(owner, values, minlength=n), dtype=np.float64)


def _filled(region: Region) -> tuple[Floats, Faces, NDArray[np.bool_]]:
    """Points and faces with outline and holes filled by triangles, and which faces these are."""
    points, faces = region.points, [region.faces]
    groups = [*map(list, region.outline), *([hole] for hole in region.holes)]
    of_loop = np.zeros(len(points), dtype=np.int64)
    for loops in groups:
        for k, loop in enumerate(loops):
            of_loop[loop] = k
        for chain in _chains(points, region.faces, loops):
            thin = _thinned(points, chain)
            faces.append(_bridged(points, chain, thin, of_loop if len(loops) > 1 else None))
    whole = np.concatenate(faces)
    filled = np.arange(len(whole)) >= len(region.faces)
    return points, whole, filled


def _chains(points: Floats, faces: Faces, loops: list[Indices]) -> list[Indices]:
    """Loops to be filled, those that belong together joined into one."""
    if len(loops) == 1:
        return [loops[0][::-1]]
    widths = [float(np.ptp(points[loop], axis=0).max()) for loop in loops]
    chain = joined_loops(points, [loop[::-1] for loop in loops])
    jumps = np.linalg.norm(points[np.roll(chain, -1)] - points[chain], axis=1)
    if jumps.max() > _APART_WIDTHS * max(widths):
        raise InputError(
            f"the damage has outlines {jumps.max():.0f} mm apart, on two tubes or on parts that nothing "
            "joins: mark one damage for each"
        )
    return [chain]


def _thinned(points: Floats, chain: Indices) -> Indices:
    """Numbers within the chain of at most so many points, evenly."""
    if len(chain) <= _MOST_ON_LOOP:
        return np.arange(len(chain))
    return np.unique(np.linspace(0, len(chain), _MOST_ON_LOOP, endpoint=False).astype(np.int64))


def _bridged(points: Floats, chain: Indices, thin: Indices, of_loop: Indices | None) -> Faces:
    """Triangles over a chain: least area over its thinned points, fans between these and the others."""
    some = chain[thin]
    inner = some[least_area(points[some], None if of_loop is None else of_loop[some])]
    if len(thin) == len(chain):
        return inner.astype(np.int32)
    at = np.arange(len(chain))
    start = thin[np.searchsorted(thin, at, side="right") - 1]
    after = np.append(chain, chain[0])[at + 1]
    fan = (at > start) & (at < len(chain))
    return np.concatenate([inner, np.stack([chain[start[fan]], chain[at[fan]], after[fan]], axis=1)]).astype(
        np.int32
    )


def faired(points: Floats, faces: Faces, filled: NDArray[np.bool_], *, order: int = 2) -> Floats:
    """Points of a filling moved to where the graph's Laplacian of second order vanishes; others stay.

    A first guess for everything that follows, and no more: its error is that of k-harmonic fairing.
    """
    n = len(points)
    edges = half_edges(faces)
    length = np.linalg.norm(points[edges[:, 0]] - points[edges[:, 1]], axis=1)
    weight = 1.0 / np.maximum(length, 1e-6)
    graph = coo_matrix((weight, (edges[:, 0], edges[:, 1])), shape=(n, n)).tocsr()
    graph = graph.maximum(graph.T)
    total = np.asarray(graph.sum(axis=1)).ravel()
    laplace = diags(1.0 / np.maximum(total, 1e-300)) @ graph - diags(np.ones(n))
    free = np.ones(n, dtype=bool)
    free[faces[~filled]] = False
    free &= total > 0.0
    if not free.any():
        return points
    rows = laplace
    for _ in range(order - 1):
        rows = rows @ laplace
    rows = (laplace.T @ rows).tocsr() if order == 1 else (laplace.T @ laplace).tocsr()
    inside, around = np.flatnonzero(free), np.flatnonzero(~free)
    lu = splu(
        rows[inside][:, inside].tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
    moved = points.copy()
    moved[inside] = lu.solve(-(rows[inside][:, around] @ points[around]))
    return moved
