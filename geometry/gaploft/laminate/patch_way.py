"""Ways along a patch: how far each place of its surface is from the edge of a hole."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from gaploft.patch.loops import half_edges

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Indices = NDArray[np.int64]
Triangles = NDArray[np.int32]

#: Within so many spacings of the edge the straight distance is taken: it is short by its cube alone.
_STRAIGHT = 2.5
#: Nearer than so many spacings to the edge its own side tells inside from outside.
_NEAR = 1.5
#: Rounds of passing ways on, at most, and the change that ends them, mm.
_MOST_ROUNDS, _STILL_MM = 2000, 1e-7
#: Steps inward and outward that take the teeth of the scan's triangles out of an outline and keep its size.
_SMOOTHED, _SHARES = 8, (0.5, -0.53)
#: Places of an outline are so close together, mm.
_CLOSE_MM = 0.05


@dataclass(frozen=True)
class Outline:
    """The edge of a hole: places (k, 3) close together, and the way it runs there, the hole on its right."""

    points: Floats
    ways: Floats


def outline_of(loops: Iterable[Floats], onto: Callable[[Floats], Floats]) -> Outline:
    """The edge of a hole from closed loops of places (n, 3), the hole on their right, brought onto a surface.

    Smoothed as G. Taubin, "A signal processing approach to fair surface design", 1995 (cited from memory).
    """
    points, ways = [], []
    for loop in loops:
        smooth = loop
        for share in _SMOOTHED * _SHARES:
            around = 0.5 * (np.roll(smooth, 1, axis=0) + np.roll(smooth, -1, axis=0))
            smooth = smooth + share * (around - smooth)
        smooth = onto(smooth)
        closed = np.concatenate([smooth, smooth[:1]])
        length = np.linalg.norm(np.diff(closed, axis=0), axis=1)
        at = np.concatenate([[0.0], np.cumsum(np.maximum(length, 1e-9))])
        line = CubicSpline(at, closed, bc_type="periodic")
        fine = np.linspace(0.0, at[-1], max(16, int(np.ceil(at[-1] / _CLOSE_MM))), endpoint=False)
        points.append(line(fine))
        ways.append(line(fine, 1))
    return Outline(np.concatenate(points), np.concatenate(ways))


def way_from_hole(
    points: Floats, normals: Floats, faces: Triangles, outline: Outline, inside: Bools
) -> Floats:
    """Distance of the vertices of a mesh from an outline on it, along the surface, (n,) mm; negative inside.

    Parameters
    ----------
    points, normals, faces : (n, 3), (n, 3) and (m, 3), vertices evenly spread
    inside : (n,) bool, roughly

    Notes
    -----
    Outside, the way of a vertex is the shortest over the triangles around it, through each of which ways
    run on straight: R. Kimmel and J. A. Sethian, "Computing geodesic paths on manifolds", PNAS 95, 1998
    (cited from memory), by passing them on all at once instead of in order. Inside it is the straight
    distance.
    """
    ends = half_edges(faces)
    spacing = float(np.linalg.norm(points[ends[:, 0]] - points[ends[:, 1]], axis=1).mean())
    straight, nearest = cKDTree(outline.points).query(points)
    left = np.cross(normals, outline.ways[nearest])
    right = np.einsum("ij,ij->i", points - outline.points[nearest], left) < 0.0
    inside = np.where(straight < _NEAR * spacing, right, inside)
    signed = np.where(inside, -straight, straight)
    known = inside | (straight <= _STRAIGHT * spacing)
    way = np.where(known, signed, np.inf)
    corners = _corners(points, faces)
    for _ in range(_MOST_ROUNDS):
        found = way.copy()
        np.minimum.at(found, corners[0], _through(way, *corners))
        found[known] = way[known]
        reached = np.isfinite(way)
        still = np.array_equal(reached, np.isfinite(found))
        if still and np.abs(found[reached] - way[reached]).max(initial=0.0) < _STILL_MM:
            break
        way = found
    return way


def _corners(points: Floats, faces: Triangles) -> tuple[Indices, Indices, Indices, Floats, Floats, Floats]:
    """Each corner of each triangle, the two others, and the triangle laid flat: side, place of the corner."""
    turns = np.concatenate([np.roll(faces, -k, axis=1) for k in range(3)]).astype(np.int64)
    at, one, two = turns.T
    side = points[two] - points[one]
    length = np.linalg.norm(side, axis=1)
    to = points[at] - points[one]
    along = np.einsum("ij,ij->i", to, side) / length
    high = np.sqrt(np.maximum(np.einsum("ij,ij->i", to, to) - along**2, 0.0))
    return at, one, two, length, along, high


def _through(
    way: Floats,
    at: Indices,
    one: Indices,
    two: Indices,
    length: Floats,
    along: Floats,
    high: Floats,
) -> Floats:
    """Way to a corner through its triangle, from those of the two others: of a front that is straight there.

    The front comes in at the slope that both ends of the side have along it; where it would not cross that
    side on its way to the corner, the way runs along one of the two other sides.
    """
    first, second = way[one], way[two]
    both = np.isfinite(first) & np.isfinite(second)
    slope = np.where(both, second - np.where(both, first, 0.0), np.inf) / length
    across = np.sqrt(np.maximum(1.0 - np.where(both, slope, 0.0) ** 2, 0.0))
    # Where the ray that arrives at the corner crosses the side.
    cross = along - high * np.where(both, slope, 0.0) / np.maximum(across, 1e-12)
    runs = both & (np.abs(slope) < 1.0) & (cross >= 0.0) & (cross <= length)
    front = np.where(runs, first + np.where(runs, slope, 0.0) * along + across * high, np.inf)
    edge = np.minimum(first + np.hypot(along, high), second + np.hypot(length - along, high))
    return np.where(runs, front, edge)
