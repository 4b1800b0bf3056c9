"""Facets of a patch: triangles of its nodes cut along contours, and split until they keep to a tolerance."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError
from gaploft.patch.base import PatchSurface
from gaploft.patch.loops import half_edges
from gaploft.patch.refine import divided_at, flipped
from gaploft.target.split import split_along

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Triangles = NDArray[np.int32]
#: Depth in mm below the outer surface at places (n, 3) with their values (n, k).
Depth = Callable[[Floats, Floats], Floats]

_MOST_VERTICES = 2_000_000
_ROUNDS = 9
#: An edge is split where its middle is so much of the tolerance off: the middle of a facet is farther off.
_EDGE_SHARE = 0.55
#: One number for each edge, whatever is split later.
_KEY = 1 << 31


@dataclass(frozen=True)
class Facets:
    """Triangles on the outer surface of a patch.

    Attributes
    ----------
    points, normals : (n, 3) places on the surface, and its outward unit normals there
    faces : (m, 3)
    values : (n, k) what is carried along; contours of the first are lines of edges
    part : (n,) what the surface stands on there, as :class:`gaploft.patch.meeting.Against` numbers it
    """

    points: Floats
    normals: Floats
    faces: Triangles
    values: Floats
    part: Ints

    def lowered(self, depth_mm: Floats) -> Floats:
        """The points moved inward along the normals, (n, 3)."""
        return np.asarray(self.points - depth_mm[:, None] * self.normals)


def facets_of(
    surface: PatchSurface,
    start: tuple[Floats, Triangles, Floats],
    levels: Sequence[float],
    depths: tuple[Depth, ...],
    chord_tolerance_mm: float,
    *,
    above: float = -np.inf,
) -> Facets:
    """Cut a mesh along contours of its first value, up to the last of them, and split it where it is coarse.

    Parameters
    ----------
    start : points (n, 3) on the surface, triangles, and values (n, k) at the points
    levels : values of the contours, rising; what lies beyond the last is left out
    depths : below the surface, at which facets are to keep to the tolerance
    above : what lies below this level is left out, too

    Raises
    ------
    EvidenceError
        The tolerance asks for too many facets.
    """
    points, faces, values = _cut_out(*start, levels, above)
    points = surface.onto(points)
    good = np.zeros(0, dtype=np.int64)
    for _ in range(_ROUNDS):
        if len(points) > _MOST_VERTICES:
            raise EvidenceError(
                f"a chord tolerance of {chord_tolerance_mm:g} mm asks for more than {_MOST_VERTICES} "
                "vertices: give a larger one"
            )
        ends = np.unique(np.sort(half_edges(faces), axis=1), axis=0)
        new = ~np.isin(ends @ [_KEY, 1], good)
        off = _worst_off(surface, points, values, ends[new], depths)
        long = ends[new][off > _EDGE_SHARE * chord_tolerance_mm]
        good = np.concatenate([good, ends[new][off <= _EDGE_SHARE * chord_tolerance_mm] @ [_KEY, 1]])
        if len(long) == 0:
            break
        n = len(points)
        points, faces, _ = divided_at(points, faces, long)
        values = np.concatenate([values, values[long].mean(axis=1)])
        points[n:] = surface.onto(points[n:])
        faces = _flipped_apart(points, faces, np.searchsorted(levels, values[faces, 0].mean(axis=1)))
    found = surface.against(points)
    return Facets(points, found.normal, faces, values, found.part)


def _cut_out(
    points: Floats, faces: Triangles, values: Floats, levels: Sequence[float], above: float
) -> tuple[Floats, Triangles, Floats]:
    """Triangles between the first and the last contour, split along all, with what their corners carry."""
    table = np.column_stack([points, values])
    held = np.zeros(len(table), dtype=bool)
    for level in levels:
        split = split_along(np.zeros((len(table), 2)), faces, table[:, 3], level, held=held)
        table = split.carried(table)
        table[split.on_level, 3] = level
        held = np.append(held, np.zeros(len(table) - len(held), dtype=bool)) | split.on_level
        faces = split.triangles
    middle = table[faces, 3].mean(axis=1)
    used, number = np.unique(faces[(middle < levels[-1]) & (middle > above)], return_inverse=True)
    return table[used, :3], number.reshape(-1, 3).astype(np.int32), table[used, 3:]


def _worst_off(
    surface: PatchSurface, points: Floats, values: Floats, ends: Ints, depths: tuple[Depth, ...]
) -> Floats:
    """How far the middles of edges are off at the worst of the depths, (k,) mm."""
    if len(ends) == 0:
        return np.zeros(0)
    normals = surface.against(points).normal if any(depths) else np.zeros_like(points)
    middle = points[ends].mean(axis=1)
    found = surface.against(middle)
    foot = middle - found.distance[:, None] * found.normal
    worst = np.abs(found.distance)
    for depth in depths:
        low = (points - depth(points, values)[:, None] * normals)[ends].mean(axis=1)
        wanted = depth(foot, values[ends].mean(axis=1))
        worst = np.maximum(worst, np.abs(np.einsum("ij,ij->i", low - foot, found.normal) + wanted))
    return worst


def _flipped_apart(points: Floats, faces: Triangles, band: Ints) -> Triangles:
    """Edges flipped between any two contours, none across one."""
    return np.concatenate([flipped(points, faces[band == k]) for k in np.unique(band)])


def chord_error(
    surface: PatchSurface, outer: Floats, lowered: Floats, faces: Triangles, depth: Floats
) -> float:
    """Largest distance of facet centres and edge middles from the lowered surface, mm.

    Parameters
    ----------
    outer, lowered, depth : (n, 3), (n, 3) and (n,) places on the surface, the same below it, and how far
    faces : (m, 3)

    Notes
    -----
    The smooth surface below is taken at the foot that each place has on the outer one, along the normal
    there, so that nothing is asked of the surface far from itself.
    """
    ends = np.unique(np.sort(half_edges(faces), axis=1), axis=0)
    worst = 0.0
    for corners in (ends, faces):
        if len(corners) == 0:
            continue
        middle = outer[corners].mean(axis=1)
        found = surface.against(middle)
        foot = middle - found.distance[:, None] * found.normal
        off = np.einsum("ij,ij->i", lowered[corners].mean(axis=1) - foot, found.normal)
        worst = max(worst, float(np.abs(off + depth[corners].mean(axis=1)).max()))
    return worst
