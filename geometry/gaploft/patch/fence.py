"""From a loop drawn around damage to the vertices of the scan that lie under it, one after the other."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from gaploft.errors import InputError
from gaploft.patch.loops import half_edges

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]
Indices = NDArray[np.int64]

#: A drawn point belongs to the scan within so many mm, or so many of its edges where these are longer.
_NEAR_MM, _NEAR_EDGES = 5.0, 5.0
#: A loop whose ends are farther apart than so many of its steps is open.
_OPEN_STEPS = 3.0
#: Drawn points closer together than so many edges tell no more, but make the way go to and fro.
_THIN_EDGES = 3.0
#: From one drawn point to the next the way along the scan is at most so many times as long as straight on,
#: and so many edges: around a tube it is half a circle over its diameter, 1.6 times.
_ROUNDABOUT, _ROUNDABOUT_EDGES = 4.0, 10.0
#: Ways that meet again within so many edges, and within this share of the loop, have no more than a spur.
_SPUR_EDGES, _SPUR_SHARE = 10.0, 0.25


@dataclass(frozen=True)
class _Nearby:
    """The scan around a drawn loop: vertices (n, 3), edges between them (m, 2), their usual length."""

    points: Floats
    edges: Indices
    step_mm: float


def fence(points: Floats, faces: Faces, piece: Indices, drawn: Floats, name: str) -> Indices:
    """Vertices along edges of the scan that lie under a drawn loop.

    Parameters
    ----------
    points, faces : (n, 3) mm and (m, 3), the scan
    piece : (n,) number of the piece of the scan that each vertex belongs to; below 0 for one of no face
    drawn : (k, 3) mm, the loop; its first point may be given again as the last
    name : what messages call the loop

    Returns
    -------
    (j,) numbers of vertices in order, each the next one's neighbour, the last the first one's.

    Raises
    ------
    InputError
        The loop has too few points, is open, too small, lies off the scan, on two pieces of it, or leaps from
        one part of it to another, or touches itself.
    """
    loop = _closed(drawn, name)
    used = np.flatnonzero(piece >= 0)
    away, nearest = cKDTree(points[used]).query(loop)
    corner = points[faces[np.isin(faces, used[nearest]).any(axis=1)]]
    step_mm = float(np.median(np.linalg.norm(corner - np.roll(corner, -1, axis=1), axis=2)))
    near_mm = max(_NEAR_MM, _NEAR_EDGES * step_mm)
    if away.max() > near_mm:
        raise InputError(
            f"point {int(away.argmax()) + 1} of {name} is {away.max():.1f} mm away from the scan, and at "
            f"most {near_mm:.1f} mm will do: draw it on the surface of the scan"
        )
    if len(np.unique(piece[used[nearest]])) > 1:
        raise InputError(
            f"{name} lies on two pieces of the scan that nothing joins: draw one around the damage of each"
        )
    place = used[nearest[_thinned(loop, _THIN_EDGES * step_mm)]]
    place = place[place != np.roll(place, 1)]
    if len(place) < 3:
        raise InputError(
            f"{name} is only a few edges of the scan long, which are {step_mm:.2f} mm: draw a larger one, or "
            "scan more finely"
        )
    ways = _ways(points, faces, place, step_mm, name)
    _check_touching(points, ways, step_mm, name)
    return ways


def _closed(drawn: Floats, name: str) -> Floats:
    """The loop without its first point given again."""
    loop = drawn[np.append(True, (drawn[1:] != drawn[:-1]).any(axis=1))]
    repeated = len(loop) > 1 and np.array_equal(loop[0], loop[-1])
    loop = loop[:-1] if repeated else loop
    if len(loop) < 3:
        raise InputError(f"{name} has {len(loop)} different points, and needs 3 or more: draw it all around")
    step = float(np.median(np.linalg.norm(np.diff(loop, axis=0), axis=1)))
    apart = float(np.linalg.norm(loop[-1] - loop[0]))
    if not repeated and apart > _OPEN_STEPS * step:
        raise InputError(
            f"{name} is open: its ends are {apart:.1f} mm apart, and its points {step:.1f} mm; draw on to "
            "where it began, or give its first point again as the last"
        )
    return loop


def _thinned(loop: Floats, step_mm: float) -> Indices:
    """Numbers of the loop's points that are a step apart along it."""
    along = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(loop, axis=0), axis=1)))
    total = along[-1] + float(np.linalg.norm(loop[0] - loop[-1]))
    bins = np.floor(along / step_mm).astype(np.int64)
    first = np.flatnonzero(np.append(True, np.diff(bins) > 0))
    return first[(first == 0) | (total - along[first] > 0.5 * step_mm)]


def _ways(points: Floats, faces: Faces, place: Indices, step_mm: float, name: str) -> Indices:
    """The shortest ways from each place to the next, one after the other."""
    straight = np.linalg.norm(points[np.roll(place, -1)] - points[place], axis=1)
    longest = _ROUNDABOUT * straight + _ROUNDABOUT_EDGES * step_mm
    near = cKDTree(points[place]).query(points, distance_upper_bound=0.5 * longest.max())[0]
    vertex = np.flatnonzero(np.isfinite(near))
    number = np.full(len(points), -1, dtype=np.int64)
    number[vertex] = np.arange(len(vertex))
    edges = number[half_edges(faces)]
    edges = np.sort(edges[(edges >= 0).all(axis=1)], axis=1)
    edges = np.stack(np.divmod(np.unique(edges[:, 0] * len(vertex) + edges[:, 1]), len(vertex)), axis=1)
    nearby = _Nearby(points[vertex], edges, step_mm)
    stops = number[place]
    found = []
    for k, (start, stop) in enumerate(zip(stops, np.roll(stops, -1), strict=True)):
        way = _way(nearby, int(start), int(stop), 0.5 * longest[k])
        if way is None or _length(nearby.points[way]) > longest[k]:
            raise InputError(
                f"{name} leaps {straight[k]:.1f} mm from {_text(nearby.points[start])} to "
                f"{_text(nearby.points[stop])}, where the way along the scan is longer than "
                f"{longest[k]:.1f} mm: draw it on one surface, in smaller steps"
            )
        found.append(vertex[way[:-1]])
    return np.concatenate(found)


def _way(nearby: _Nearby, start: int, stop: int, reach_mm: float) -> Indices | None:
    """The shortest way between two vertices that keeps near the straight line, both included; or None.

    Along the edges of a regular mesh many ways are equally short: an edge counts for more by half for each
    step of its middle from the line, so that ways to different places part at once.
    """
    ends = nearby.points[nearby.edges]
    line = nearby.points[stop] - nearby.points[start]
    middle = ends.mean(axis=1) - nearby.points[start]
    along = np.clip(middle @ line / (line @ line), 0.0, 1.0)
    off = np.linalg.norm(middle - along[:, None] * line, axis=1)
    near = off <= reach_mm
    length = np.maximum(np.linalg.norm(ends[near, 1] - ends[near, 0], axis=1), 1e-9)
    weight = length * (1.0 + 0.5 * off[near] / nearby.step_mm)
    n = len(nearby.points)
    graph = coo_matrix((weight, tuple(nearby.edges[near].T)), shape=(n, n)).tocsr()
    cost, before = dijkstra(graph, directed=False, indices=start, return_predecessors=True)
    if not np.isfinite(cost[stop]):
        return None
    way = [stop]
    while way[-1] != start:
        way.append(int(before[way[-1]]))
    return np.array(way[::-1], dtype=np.int64)


def _check_touching(points: Floats, ways: Indices, step_mm: float, name: str) -> None:
    """Raise InputError where a loop comes to a vertex again after more than a spur."""
    steps = np.linalg.norm(points[np.roll(ways, -1)] - points[ways], axis=1)
    total, at = float(steps.sum()), np.cumsum(steps) - steps
    order = np.lexsort((at, ways))
    again = np.flatnonzero(np.diff(ways[order]) == 0)
    between = at[order[again + 1]] - at[order[again]]
    spur = min(_SPUR_EDGES * step_mm, _SPUR_SHARE * total)
    bad = np.flatnonzero(np.minimum(between, total - between) > spur)
    if len(bad):
        where = points[ways[order[again[bad[0]]]]]
        raise InputError(
            f"{name} touches or crosses itself at {_text(where)}: draw it around the damage once, or draw two"
        )


def _length(way: Floats) -> float:
    return float(np.linalg.norm(np.diff(way, axis=0), axis=1).sum())


def _text(place: Floats) -> str:
    return "[" + ", ".join(f"{x:.1f}" for x in place) + "]"
