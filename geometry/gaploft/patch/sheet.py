"""Smooth sheets that run on under a junction, and the edge in which two of them meet."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.sparse.csgraph import connected_components, depth_first_order, minimum_spanning_tree
from scipy.spatial import cKDTree

from gaploft.patch.nodes import apart
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface

Floats = NDArray[np.float64]

#: Spacing of the samples from which feet are sought, mm.
_SAMPLE_MM = 2.5
#: What lies this far past an end of a sheet, mm, has no foot on it.
_PAST_MM = 0.05
NOWHERE_MM = 1e3
#: Newton steps onto an edge, and how near to both sheets it then is, mm.
_STEPS, _ON_EDGE_MM = 9, 1e-4
#: Places along an edge: first ones at least this far apart, then evenly, mm.
_FIRST_MM, EDGE_STEP_MM = 0.5, 0.7
#: An edge whose ends are nearer than this to each other is closed, mm.
_CLOSED_MM = 3.5


@dataclass(frozen=True)
class Feet:
    """Nearest points of a sheet: signed distance, outward normal, and parameters, of n points each."""

    distance: Floats
    normal: Floats
    u: Floats
    v: Floats

    def where(self, part: NDArray[np.generic]) -> "Feet":
        """Some of them."""
        return Feet(self.distance[part], self.normal[part], self.u[part], self.v[part])


@dataclass(frozen=True)
class Sheet:
    """One smooth sheet, which goes on under the others."""

    surface: TubeSurface

    @cached_property
    def samples(self) -> tuple[cKDTree, Floats, Floats]:
        """Points all over the sheet and their parameters."""
        first, last = self.surface.range_u
        n_u = max(8, int((last - first) / _SAMPLE_MM))
        u, v = (
            grid.ravel()
            for grid in np.meshgrid(np.linspace(first, last, n_u), np.arange(72) * (TURN_RAD / 72))
        )
        return cKDTree(self.surface.evaluate(u, v)), u, v

    def feet(self, points: Floats, start: Feet | None = None) -> Feet:
        """Feet of points (n, 3); past an end of the sheet they are nowhere near.

        ``start`` are feet of points close to them.
        """
        if start is None:
            tree, sample_u, sample_v = self.samples
            nearest = tree.query(points)[1]
            found = self.surface.project(points, sample_u[nearest], sample_v[nearest], steps=3)
        else:
            found = self.surface.project(points, start.u, start.v, steps=2)
        first, last = self.surface.range_u
        at_end = (found.u <= first) | (found.u >= last)
        distance = found.distance_mm
        if at_end.any():
            along = self.surface.derivatives(found.u[at_end], found.v[at_end], 1, 0)
            foot = self.surface.evaluate(found.u[at_end], found.v[at_end])
            past = np.einsum("ij,ij->i", points[at_end] - foot, along) / np.linalg.norm(along, axis=1)
            distance = distance.copy()
            distance[np.flatnonzero(at_end)[np.abs(past) > _PAST_MM]] = NOWHERE_MM
        return Feet(distance, found.normals, found.u, found.v)


@dataclass(frozen=True)
class Edge:
    """The line in which two sheets meet, at places evenly along it.

    Attributes
    ----------
    points, along : (n, 3) places and unit tangents
    feet : of the places on both sheets
    closed : whether it runs back into itself
    """

    points: Floats
    along: Floats
    feet: tuple[Feet, Feet]
    closed: bool


def find_edge(one: Sheet, two: Sheet, near: Floats) -> Edge | None:
    """The edge of two sheets whose piece comes nearest to a place (3,); None where they don't meet."""
    points = _on_both(one, two)
    if points is None:
        return None
    points = points[apart(points, _FIRST_MM)]
    if len(points) < 5:
        return None
    order, closed = _in_order(points, near)
    if len(order) < 5:
        return None
    line = points[np.append(order, order[0])] if closed else points[order]
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    curve = CubicSpline(at, line, bc_type="periodic" if closed else "not-a-knot")
    n = max(8, int(at[-1] / EDGE_STEP_MM))
    even = curve(np.linspace(0.0, at[-1], n, endpoint=not closed))
    even, feet = _corrected(one, two, even)
    along = np.cross(feet[0].normal, feet[1].normal)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    return Edge(even, along, feet, closed)


def _on_both(one: Sheet, two: Sheet) -> Floats | None:
    """Points on both sheets, in no order."""
    _, u, v = two.samples
    points = two.surface.evaluate(u, v)
    points = points[np.abs(one.feet(points).distance) < 2.0 * _SAMPLE_MM]
    if len(points) == 0:
        return None
    points, feet = _corrected(one, two, points)
    on = np.maximum(np.abs(feet[0].distance), np.abs(feet[1].distance)) < _ON_EDGE_MM
    return points[on]


def _corrected(one: Sheet, two: Sheet, points: Floats) -> tuple[Floats, tuple[Feet, Feet]]:
    """Points moved onto both sheets by the shortest steps, and their feet."""
    feet = one.feet(points), two.feet(points)
    for _ in range(_STEPS):
        move = both_ways(feet[0].normal, feet[1].normal, -feet[0].distance, -feet[1].distance)
        size = np.linalg.norm(move, axis=1)
        points = points + move * np.minimum(1.0, _SAMPLE_MM / np.maximum(size, 1e-12))[:, None]
        feet = one.feet(points, feet[0]), two.feet(points, feet[1])
    return points, feet


def both_ways(first: Floats, second: Floats, a: Floats, b: Floats) -> Floats:
    """The moves within the planes of two unit vectors that have lengths a and b along them."""
    cosine = np.einsum("ij,ij->i", first, second)
    sine = np.maximum(1.0 - cosine**2, 1e-6)
    return np.asarray(
        ((a - cosine * b) / sine)[:, None] * first + ((b - cosine * a) / sine)[:, None] * second
    )


def _in_order(points: Floats, near: Floats) -> tuple[NDArray[np.int64], bool]:
    """Numbers of the points along the piece of a line nearest to a place, and whether it is closed.

    Points on a line are joined to their neighbours along it by the shortest tree through all of them.
    """
    pairs = cKDTree(points).sparse_distance_matrix(
        cKDTree(points), 2.5 * _SAMPLE_MM, output_type="coo_matrix"
    )
    tree = minimum_spanning_tree(pairs.tocsr())
    piece = connected_components(tree, directed=False)[1]
    own = np.flatnonzero(piece == piece[int(np.linalg.norm(points - near, axis=1).argmin())])
    part = (tree + tree.T)[own][:, own].tocsr()
    ends = np.flatnonzero(np.diff(part.indptr) == 1)
    start = int(ends[0]) if len(ends) else 0
    order = own[depth_first_order(part, start, directed=False, return_predecessors=False)]
    closed = len(order) > 12 and float(np.linalg.norm(points[order[0]] - points[order[-1]])) < _CLOSED_MM
    return order, closed
