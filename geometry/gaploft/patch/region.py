"""The part of a scan around damage: what is trusted, what is lost, and the loops between them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components, dijkstra

from gaploft.errors import InputError
from gaploft.patch.loops import border_loops, half_edges, pinched

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]
Indices = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: A loop of the scan's own border that goes this much farther from the damage than the damage is wide is the
#: end of the scan, and no hole.
_BEYOND_SHARE, _BEYOND_MM = 0.35, 8.0
#: Holes of the scan near the damage are filled up to this length of their border, mm.
_SMALL_HOLE_MM = 60.0
#: Pieces of the scan smaller than this are debris; larger ones are islands of intact scan (a decision of this
#: project, no source: a round one is 9 mm across, and what lies within 6 mm of damage says little).
_DEBRIS_MM2 = 60.0
_MOST_ROUNDS = 20


@dataclass(frozen=True)
class Region:
    """Trusted scan around damage.

    Attributes
    ----------
    points, normals : (n, 3) vertices, mm
    faces : (m, 3) trusted faces alone
    away_mm : (n,) way along the scan from the damage
    outline : loops of vertices around the damage, the damage on their right; those of one patch together
    holes : loops around holes of the scan close by
    """

    points: Floats
    normals: Floats
    faces: Faces
    away_mm: Floats
    outline: tuple[tuple[Indices, ...], ...]
    holes: tuple[Indices, ...]


def edge_graph(points: Floats, faces: Faces) -> coo_matrix:
    """Lengths of a mesh's edges as a symmetric sparse matrix."""
    edges = np.unique(np.sort(half_edges(faces), axis=1), axis=0)
    length = np.maximum(np.linalg.norm(points[edges[:, 0]] - points[edges[:, 1]], axis=1), 1e-9)
    n = len(points)
    return coo_matrix((length, (edges[:, 0], edges[:, 1])), shape=(n, n)).tocsr()


def way_from(points: Floats, faces: Faces, start: Bools, limit_mm: float) -> Floats:
    """Shortest way along edges from any of the marked vertices, (n,); infinite beyond the limit."""
    if not start.any():
        return np.full(len(points), np.inf)
    found = dijkstra(
        edge_graph(points, faces),
        directed=False,
        indices=np.flatnonzero(start),
        limit=limit_mm,
        min_only=True,
    )
    return np.asarray(found)


def cut_out(points: Floats, faces: Faces, normals: Floats, damaged: Bools, reach_mm: float) -> Region:
    """The trusted scan within ``reach_mm`` of the damage.

    Raises
    ------
    InputError
        No trusted scan is left around the damage, or the damage reaches the end of the scan.
    """
    away = way_from(points, faces, damaged, 1.5 * reach_mm)
    away = _past_holes(points, damaged, away, reach_mm)
    damaged = _without_pinches(faces, damaged, len(points))
    keep = ~damaged & (away <= reach_mm)
    kept = _pieces_worth(points, faces[keep[faces].all(axis=1)])
    for _ in range(_MOST_ROUNDS):
        odd = pinched(kept, len(points))
        if len(odd) == 0:
            break
        kept = kept[~np.isin(kept, odd).any(axis=1)]
    if len(kept) == 0:
        raise InputError(
            "no trusted scan is left around the damage: mark less of it, or scan more of what is around it"
        )
    outline, holes = _sorted_loops(points, faces, kept, damaged, away, reach_mm)
    groups = _together(faces, kept, damaged, outline)
    return _renumbered(points, normals, kept, away, groups, holes)


def _past_holes(points: Floats, damaged: Bools, away: Floats, reach_mm: float) -> Floats:
    """Ways to pieces of the scan that no edge leads to: straight through the air."""
    from scipy.spatial import cKDTree

    lost = ~np.isfinite(away)
    if lost.any() and damaged.any():
        straight = cKDTree(points[damaged]).query(points[lost], distance_upper_bound=0.5 * reach_mm)[0]
        away = away.copy()
        away[lost] = straight
    return away


def _without_pinches(faces: Faces, damaged: Bools, n: int) -> Bools:
    """Damage widened where what is left of the scan would hang together by a single vertex."""
    damaged = damaged.copy()
    for _ in range(_MOST_ROUNDS):
        odd = pinched(faces[~damaged[faces].any(axis=1)], n)
        near = odd[np.isin(odd, faces[damaged[faces].any(axis=1)])]
        if len(near) == 0:
            break
        damaged[near] = True
    return damaged


def _pieces_worth(points: Floats, faces: Faces) -> Faces:
    """Faces without those of small loose pieces."""
    corner = points[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    piece = _labels(faces, len(points))[faces[:, 0]]
    area = np.bincount(piece, 0.5 * np.linalg.norm(across, axis=1))
    return faces[area[piece] >= _DEBRIS_MM2]


def _sorted_loops(
    points: Floats, all_faces: Faces, kept: Faces, damaged: Bools, away: Floats, reach_mm: float
) -> tuple[list[Indices], list[Indices]]:
    """Loops around the damage, and around holes beside it; all others end the region."""
    beside = np.zeros(len(points), dtype=bool)
    beside[all_faces[damaged[all_faces].any(axis=1)]] = True
    scan_border = np.zeros(len(points), dtype=bool)
    scan_border[_border(all_faces, len(points))] = True
    width = _width(points, damaged)
    outline, holes = [], []
    for loop in border_loops(kept, len(points)):
        at = away[loop]
        if beside[loop].any():
            if (at[scan_border[loop]] > _BEYOND_MM + _BEYOND_SHARE * width).any() or (
                at > reach_mm - 1.0
            ).any():
                raise InputError(
                    "the outline of the damage is open: it reaches the end of the scan; scan more of the "
                    "part beyond the damage, or mark less of it"
                )
            outline.append(loop)
        elif scan_border[loop].all() and _length(points[loop]) < _SMALL_HOLE_MM:
            holes.append(loop)
    if not outline:
        raise InputError(
            "the marked damage has no outline in the scan: mark the damaged vertices of the part itself, "
            "with intact scan all around"
        )
    return outline, holes


def _together(faces: Faces, kept: Faces, damaged: Bools, outline: list[Indices]) -> list[list[Indices]]:
    """Loops of each patch: those that one stretch of damage touches; all, where nothing else joins them."""
    n = len(damaged)
    lost = _labels(faces[damaged[faces].any(axis=1)], n)
    piece = _labels(kept, n)
    links = [
        (k, len(outline) + int(label)) for k, loop in enumerate(outline) for label in np.unique(lost[loop])
    ]
    n_nodes = len(outline) + int(lost.max()) + 1
    group = _joined(links, n_nodes)[: len(outline)]
    pieces = [int(piece[loop[0]]) for loop in outline]
    both = _joined(
        list(zip(group, group.max() + 1 + np.array(pieces), strict=True)), int(group.max()) + max(pieces) + 2
    )
    if len(np.unique(both[group])) > 1:
        return [outline]
    return [[loop for loop, mine in zip(outline, group, strict=True) if mine == g] for g in np.unique(group)]


def _labels(faces: Faces, n: int) -> Indices:
    """Number of the piece of a mesh that each vertex belongs to."""
    edges = half_edges(faces)
    graph = coo_matrix((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(n, n))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def _joined(links: list[tuple[int, int]], n: int) -> Indices:
    """Number of the group that each of n things belongs to once linked."""
    one, two = np.array(links, dtype=np.int64).reshape(-1, 2).T
    return np.asarray(
        connected_components(coo_matrix((np.ones(len(one)), (one, two)), shape=(n, n)))[1], np.int64
    )


def _border(faces: Faces, n: int) -> Indices:
    edges = half_edges(faces)
    key, back = edges[:, 0] * n + edges[:, 1], edges[:, 1] * n + edges[:, 0]
    return np.unique(edges[~np.isin(key, back)])


def _length(ring: Floats) -> float:
    return float(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum())


def _width(points: Floats, damaged: Bools) -> float:
    return float(np.ptp(points[damaged], axis=0).max()) if damaged.any() else 0.0


def _renumbered(
    points: Floats,
    normals: Floats,
    faces: Faces,
    away: Floats,
    outline: list[list[Indices]],
    holes: list[Indices],
) -> Region:
    used, number = np.unique(faces, return_inverse=True)
    place = np.full(len(points), -1, dtype=np.int64)
    place[used] = np.arange(len(used))
    return Region(
        points[used],
        normals[used],
        number.reshape(-1, 3).astype(np.int32),
        away[used],
        tuple(tuple(place[loop] for loop in loops) for loops in outline),
        tuple(place[loop] for loop in holes),
    )
