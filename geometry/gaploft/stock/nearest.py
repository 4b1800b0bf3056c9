"""Exact shortest distances to a scan, and distances along given lines, by a tree of its triangles."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.stock.outer_skin import OuterSkin
from gaploft.stock.triangle import squared_distance, through

Floats = NDArray[np.float64]

#: Triangles much larger than their fellows are cut for the search, so that no small one has to wait for them.
_LARGE = 1.5
_MOST_PIECES = 3_000_000
#: Candidates of the first and of each further look, and pairs that are worked on at once.
_FIRST, _MORE, _AT_ONCE = 12, 8, 1 << 19
#: Steps along a line, and candidates at each of them.
_STEPS, _ABOUT = 8, 8


@dataclass(frozen=True)
class TriangleTree:
    """Triangles of a skin by the middles of their pieces.

    ``parent`` (p,) is the triangle of each piece; no corner of a piece is further than ``radii_mm`` (p,) from
    its middle, at most ``radius_mm``.
    """

    skin: OuterSkin
    parent: NDArray[np.int32]
    radii_mm: Floats
    radius_mm: float
    tree: cKDTree


def triangle_tree(skin: OuterSkin) -> TriangleTree:
    """Ready a skin for :func:`shortest_distance` and :func:`distance_along`; it must hold a triangle."""
    middle, radius = _spheres(skin.corners)
    limit = max(_LARGE * float(np.median(radius)), 1e-9)
    large = radius > limit
    parent = np.arange(len(middle), dtype=np.int32)
    if large.any():
        middle, parent, radius = _with_pieces(skin.corners, middle, parent, radius, limit)
    tree = cKDTree(middle, balanced_tree=False, compact_nodes=False)
    return TriangleTree(skin, parent, radius, float(radius.max()), tree)


def _with_pieces(
    corners: Floats, middle: Floats, parent: NDArray[np.int32], radius: Floats, limit: float
) -> tuple[Floats, NDArray[np.int32], Floats]:
    """Halve the large ones along their longest edges until they are small."""
    done = [(middle[radius <= limit], parent[radius <= limit], radius[radius <= limit])]
    pieces, of_piece = corners[radius > limit], parent[radius > limit]
    while len(pieces):
        n_done = sum(len(part[0]) for part in done)
        last = n_done + 2 * len(pieces) > _MOST_PIECES
        pieces, of_piece = (pieces, of_piece) if last else (_halved(pieces), np.concatenate([of_piece] * 2))
        there, size = _spheres(pieces)
        small = (size <= limit) | last
        done.append((there[small], of_piece[small], size[small]))
        pieces, of_piece = pieces[~small], of_piece[~small]
    middles, parents, radii = zip(*done, strict=True)
    return np.concatenate(middles), np.concatenate(parents), np.concatenate(radii)


def _halved(corners: Floats) -> Floats:
    """Both halves of triangles cut at the middle of their longest edges, first all first ones."""
    length = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2)
    turn = (np.argmax(length, axis=1)[:, None] + np.arange(3)) % 3
    turned = np.take_along_axis(corners, turn[..., None], axis=1)
    a, b, c = turned[:, 0], turned[:, 1], turned[:, 2]
    cut = 0.5 * (a + b)
    return np.concatenate([np.stack([a, cut, c], axis=1), np.stack([cut, b, c], axis=1)])


def _spheres(corners: Floats) -> tuple[Floats, Floats]:
    """Middles of triangles and how far their corners are from these."""
    middle = (corners[:, 0] + corners[:, 1] + corners[:, 2]) / 3.0
    furthest = np.zeros(len(middle))
    for k in range(3):
        off = corners[:, k] - middle
        furthest = np.maximum(furthest, np.einsum("ij,ij->i", off, off))
    return middle, np.sqrt(furthest)


def shortest_distance(
    triangles: TriangleTree, points: Floats, normals: Floats, *, reach_mm: float
) -> tuple[Floats, Floats]:
    """Shortest distance from points to the triangles that face as their normals do, and the places nearest.

    Parameters
    ----------
    points, normals : (n, 3), and unit normals; a triangle that faces away from a point's does not count for
    it

    Returns
    -------
    distance (n,), not negative, NaN beyond ``reach_mm``; places (n, 3)
    """
    distance, place = np.full(len(points), np.nan), np.full(points.shape, np.nan)
    left, count = np.arange(len(points)), _FIRST
    while len(left):
        count = min(count, triangles.tree.n)
        undone = [np.empty(0, dtype=np.intp)]
        for start in range(0, len(left), max(1, _AT_ONCE // count)):
            part = left[start : start + max(1, _AT_ONCE // count)]
            best, there, certain = _nearest_of(triangles, points[part], normals[part], count, reach_mm)
            good = np.isfinite(best) & (best <= reach_mm)
            distance[part[good]], place[part[good]] = best[good], there[good]
            undone.append(part[~certain])
        left, count = np.concatenate(undone), _MORE * count
    return distance, place


def _nearest_of(
    triangles: TriangleTree, points: Floats, normals: Floats, count: int, reach_mm: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """The nearest of some candidates, and whether none of the others can be nearer."""
    bound = reach_mm + triangles.radius_mm
    middle_mm, index = triangles.tree.query(points, k=count, distance_upper_bound=bound, workers=-1)
    middle_mm, index = middle_mm.reshape(len(points), -1), index.reshape(len(points), -1)
    there_are = np.isfinite(middle_mm)
    piece = np.where(there_are, index, 0)
    triangle = triangles.parent[piece]
    facing = np.einsum("ijk,ik->ij", triangles.skin.normals[triangle], normals) > 0.0
    # A middle lies on its triangle: a piece that is further than the first one by its own size is not nearer.
    first_middle = np.where(facing & there_are, middle_mm, np.inf).min(axis=1, keepdims=True)
    worth = facing & there_are & (middle_mm - triangles.radii_mm[piece] <= first_middle)
    row, column = np.nonzero(worth)
    triangle = triangle[row, column]
    squared, there = squared_distance(points[row], triangles.skin.corners[triangle])
    best, place = np.full(len(points), np.inf), np.full(points.shape, np.nan)
    order = np.lexsort((squared, row))
    first = order[np.flatnonzero(np.diff(row[order], prepend=-1))]
    best[row[first]], place[row[first]] = np.sqrt(squared[first]), there[first]
    furthest = middle_mm[:, -1]
    all_seen = ~np.isfinite(furthest) | (middle_mm.shape[1] >= triangles.tree.n)
    return best, place, all_seen | (furthest >= np.minimum(best, reach_mm) + triangles.radius_mm)


def distance_along(
    triangles: TriangleTree, points: Floats, ways: Floats, *, reach_mm: float, start_mm: Floats | None = None
) -> Floats:
    """How far along unit ``ways`` (n, 3), forwards or back, a line from each point meets the skin.

    Parameters
    ----------
    start_mm : (n,) a guess where to look first, NaN for none

    Returns
    -------
    (n,) signed, NaN where the line goes through no triangle that faces as it does within ``reach_mm``, as
    where the scan has a hole
    """
    along = np.full(len(points), np.nan)
    at = np.zeros(len(points)) if start_mm is None else np.nan_to_num(start_mm)
    left = np.arange(len(points))
    for _ in range(_STEPS):
        if len(left) == 0:
            break
        here = points[left] + at[left, None] * ways[left]
        found, step = _met(triangles, points[left], ways[left], here, at[left], reach_mm)
        hit = np.isfinite(found)
        along[left[hit]] = found[hit]
        moving = ~hit & np.isfinite(step) & (np.abs(step - at[left]) > 1e-9)
        at[left[moving]] = step[moving]
        left = left[moving]
    along[np.abs(along) > reach_mm] = np.nan
    return along


def _met(
    triangles: TriangleTree, points: Floats, ways: Floats, here: Floats, at: Floats, reach_mm: float
) -> tuple[Floats, Floats]:
    """Where lines go through a triangle about where they are, else NaN; and where to look next, else NaN."""
    count = min(_ABOUT, triangles.tree.n)
    middle_mm, index = triangles.tree.query(
        here, k=count, distance_upper_bound=2.0 * reach_mm + triangles.radius_mm, workers=-1
    )
    middle_mm, index = middle_mm.reshape(len(here), -1), index.reshape(len(here), -1)
    row, column = np.nonzero(np.isfinite(middle_mm))
    triangle = triangles.parent[index[row, column]]
    facing = np.einsum("ij,ij->i", triangles.skin.normals[triangle], ways[row]) > 0.0
    row, triangle = row[facing], triangle[facing]
    plane, inside = through(points[row], ways[row], triangles.skin.corners[triangle])
    found, step = np.full(len(here), np.nan), np.full(len(here), np.nan)
    # Backwards, so that of several the one that is nearest to where the line is comes to stay.
    away = np.abs(plane - at[row])
    order = np.lexsort((away, row))[::-1]
    order = order[inside[order]]
    found[row[order]] = plane[order]
    nearest = np.flatnonzero(np.diff(row, prepend=-1))
    step[row[nearest]] = np.clip(plane[nearest], -reach_mm, reach_mm)
    return found, step
