"""Flat patterns of the plies: the part of a tube's surface that a ply covers, cut open and laid flat."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from gaploft.laminate.flatten import flatten
from gaploft.surface.basis import TURN_RAD
from gaploft.target.offset import Below
from gaploft.target.split import split_along

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Points = Callable[[Floats, Floats], Floats]

_FEWEST = 24


@dataclass(frozen=True)
class Pattern:
    """One flat piece of surface, x along the tube, as seen from outside.

    Attributes
    ----------
    outlines_mm : closed lines (n, 2), the first vertex not repeated; the outer one first and anticlockwise,
        holes after it
    seams_mm : (m, 2, 2) pieces of the outlines along which the tube was cut open
    uv : (n, 2) parameters of the outlines' points, one below the other
    area_mm2 : of the curved piece
    stretch_most : largest change of length by flattening, as a share
    """

    outlines_mm: tuple[Floats, ...]
    seams_mm: Floats
    uv: Floats
    area_mm2: float
    stretch_most: float

    @property
    def size_mm(self) -> tuple[float, float]:
        """Extent along the tube and around it."""
        along, around = np.ptp(self.outlines_mm[0], axis=0)
        return float(along), float(around)


@dataclass(frozen=True)
class OpenGrid:
    """An even grid over a stretch of tube, cut open along one parameter v.

    Attributes
    ----------
    stations : first and last parameter u
    seam_rad : parameter v of the cut
    step_mm : edges are about as long
    """

    stations: tuple[float, float]
    seam_rad: float
    step_mm: float

    def mesh(self, below: Below) -> tuple[Floats, NDArray[np.int32]]:
        """Places (n, 2), v running one turn from the seam, and triangles anticlockwise seen from outside."""
        middle = np.array(0.5 * (self.stations[0] + self.stations[1]))
        ring = below.points(middle, np.linspace(0.0, TURN_RAD, 181))
        around = float(np.linalg.norm(np.diff(ring, axis=0), axis=1).sum())
        line = below.points(np.linspace(*self.stations, 41), np.array(self.seam_rad))
        along = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
        n_u, n_v = (max(_FEWEST, int(np.ceil(length / self.step_mm))) for length in (along, around))
        u = np.linspace(*self.stations, n_u + 1)
        v = self.seam_rad + np.linspace(0.0, TURN_RAD, n_v + 1)
        i, j = (part.ravel() for part in np.meshgrid(np.arange(n_u), np.arange(n_v), indexing="ij"))
        a, b = i * (n_v + 1) + j, (i + 1) * (n_v + 1) + j
        triangles = np.concatenate([np.column_stack([a, b, b + 1]), np.column_stack([a, b + 1, a + 1])])
        if below.surface.outward > 0.0:
            triangles = triangles[:, ::-1]
        places = np.column_stack([np.repeat(u, n_v + 1), np.tile(v, n_u + 1)])
        return places, triangles.astype(np.int32)


def patterns_of(below: Below, grid: OpenGrid, past_edge: Points) -> tuple[Pattern, ...]:
    """Flat patterns of the part of a surface where ``past_edge(u, v)`` is negative, largest first.

    Parameters
    ----------
    below : the surface on which the ply lies
    grid : the stretch of tube and where it is cut open
    past_edge : distance in mm from the edge of the ply, negative inside; v passes a turn
    """
    uv, triangles = grid.mesh(below)
    split = split_along(np.mod(uv, [np.inf, TURN_RAD]), triangles, past_edge(*uv.T), 0.0)
    # Carried, not wrapped: the two sides of the seam are a turn apart.
    uv, inside = split.carried(uv), split.triangles[~split.side].astype(np.int64)
    links = np.concatenate([inside[:, [0, 1]], inside[:, [1, 2]]])
    joined = sparse.coo_matrix((np.ones(len(links)), (links[:, 0], links[:, 1])), shape=(len(uv), len(uv)))
    label = connected_components(joined, directed=False)[1][inside[:, 0]]
    found = [_pattern(below, grid, uv, inside[label == k]) for k in np.unique(label)]
    return tuple(sorted(found, key=lambda pattern: -pattern.area_mm2))


def _pattern(below: Below, grid: OpenGrid, uv: Floats, triangles: Ints) -> Pattern:
    used, numbered = np.unique(triangles, return_inverse=True)
    uv, triangles = uv[used], numbered.reshape(-1, 3)
    flat = flatten(triangles.astype(np.int32), _lengths(below, uv, triangles), _unrolled(below, uv))
    loops = _loops(triangles, flat.places_mm)
    on_seam = np.isclose(np.abs(uv[:, 1] - grid.seam_rad - np.pi), np.pi, rtol=0.0, atol=1e-9)
    edges = np.concatenate([np.column_stack([loop, np.roll(loop, -1)]) for loop in loops])
    seams = edges[on_seam[edges].all(axis=1) & (np.ptp(uv[edges, 1], axis=1) < 1.0)]
    return Pattern(
        tuple(flat.places_mm[loop] for loop in loops),
        flat.places_mm[seams],
        uv[np.concatenate(loops)],
        flat.area_mm2,
        float(flat.stretch.max()),
    )


def _lengths(below: Below, uv: Floats, triangles: Ints) -> Floats:
    """Lengths along the surface of the edges opposite to each corner, (k, 3).

    From the chords of the whole and of both halves, by Richardson's rule: a chord alone is short by the
    square of its length.
    """
    start, stop = np.roll(triangles, -1, axis=1), np.roll(triangles, -2, axis=1)
    points = below.points(*uv.T)
    middle = below.points(*(0.5 * (uv[start] + uv[stop])).reshape(-1, 2).T).reshape(*start.shape, 3)
    halves = sum(np.linalg.norm(middle - points[end], axis=-1) for end in (start, stop))
    return np.asarray((4.0 * halves - np.linalg.norm(points[stop] - points[start], axis=-1)) / 3.0)


def _unrolled(below: Below, uv: Floats) -> Floats:
    """Places by their mean lengths along and around the tube, as seen from outside, (n, 2)."""
    centre = 0.5 * (uv.min(axis=0) + uv.max(axis=0))
    found = np.empty_like(uv)
    for k in (0, 1):
        line = np.linspace(uv[:, k].min(), uv[:, k].max(), 400)
        other = np.array(centre[1 - k])
        points = below.points(line, other) if k == 0 else below.points(other, line)
        steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
        found[:, k] = np.interp(uv[:, k], line, np.concatenate([[0.0], np.cumsum(steps)]))
    # Around the tube the way of v is clockwise seen from outside where u, v and the normal are left-handed.
    return found * [1.0, -1.0 if below.surface.outward > 0.0 else 1.0]


def _loops(triangles: Ints, places: Floats) -> list[Ints]:
    """The border as closed lines of vertex numbers, the one around the largest area first."""
    edges = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 2)
    n = len(places)
    free = edges[~np.isin(edges @ [n, 1], edges @ [1, n])]
    following = dict(zip(free[:, 0].tolist(), free[:, 1].tolist(), strict=True))
    loops = []
    while following:
        start = min(following)
        loop, at = [start], following.pop(start)
        while at != start:
            loop.append(at)
            at = following.pop(at)
        loops.append(np.array(loop, dtype=np.int64))
    return sorted(loops, key=lambda loop: -_area(places[loop]))


def _area(outline: Floats) -> float:
    x, y = outline.T
    return 0.5 * float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum())
