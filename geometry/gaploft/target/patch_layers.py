"""Layers over a patch: thickness by place, what becomes of them beyond the rim, where they are trimmed."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial.distance import pdist

from gaploft.errors import EvidenceError, InputError
from gaploft.evidence.rim import corner_areas, facet_normals
from gaploft.job import COATS, Layers, Thickness
from gaploft.patch.loops import half_edges
from gaploft.scan.model import Note
from gaploft.target.beyond import running_out
from gaploft.target.layers import LayerRow, LayersSummary
from gaploft.target.patch_facets import Depth, Facets
from gaploft.target.patch_rim import RimLine
from gaploft.target.patch_room import PatchRoom, room_under
from gaploft.target.trim import SHARE

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
#: A value in mm at places (n, 3).
At = Callable[[Floats], Floats]

#: Trimmed layers rise by at most so much per mm, and the corner to whole ones is rounded off over this share.
_SLOPE, _ROUNDED = 0.25, 0.2
_SAME_PLACE_MM = 0.5


@dataclass(frozen=True)
class PatchLayers:
    """Layers over a patch.

    Attributes
    ----------
    coats : paint and filler, which lie on the laminate already, mm at places (n, 3)
    outside : "same", "blend" or "step"
    inside_mm : (n,) depth of the target at the vertices of its facets as inside the rim, carried on beyond it
    depth_mm : (n,) depth of the target there; "step" jumps to 0 at the rim
    shortened : (n,) bool, layers were made thinner there
    """

    coats: At
    outside: str
    inside_mm: Floats
    depth_mm: Floats
    shortened: Bools
    summary: LayersSummary
    notes: tuple[Note, ...] = ()


def named_place(point_mm: Floats) -> str:
    """A place of a patch, which has neither station nor angle, for a sentence."""
    return f"at ({', '.join(f'{value + 0.0:.1f}' for value in np.round(point_mm, 1))}) mm"


def check_readings(thickness: Thickness, of: str) -> None:
    """Raise InputError for readings by station and angle: only a tube has these."""
    if isinstance(thickness, tuple) and any(reading.point_mm is None for reading in thickness):
        raise InputError(
            f"readings of {of} by station and angle need a tube, and this damage gets a patch: give readings "
            "[x, y, z, mm], or one thickness"
        )


def thickness_at(thickness: Thickness, of: str) -> At:
    """Thickness as a function of places (n, 3): the same all over, or drawn smoothly through readings.

    Raises
    ------
    InputError
        A reading is by station and angle, or two that differ are of the same place.

    Notes
    -----
    As :func:`gaploft.target.readings.thickness_over`, by distances straight through space.
    """
    check_readings(thickness, of)
    if not isinstance(thickness, tuple) or len(thickness) == 1:
        value = float(thickness[0].value_mm if isinstance(thickness, tuple) else thickness)
        return lambda points: np.full(len(points), value)
    places = np.array([reading.point_mm for reading in thickness], dtype=np.float64)
    values = np.array([reading.value_mm for reading in thickness])
    apart = pdist(places)
    if apart.min() < _SAME_PLACE_MM:
        one, other = (int(k[apart.argmin()]) for k in np.triu_indices(len(values), 1))
        raise InputError(
            f"two readings of {of} are of the same place, {named_place(places[one])} ({values[one]:g} and "
            f"{values[other]:g} mm): keep one of them"
        )
    through = RBFInterpolator(
        places, values, kernel="multiquadric", epsilon=1.0 / float(apart.max()), degree=0
    )
    low, high = float(values.min()), float(values.max())
    return lambda points: np.clip(through(points), low, high)


def check_layers(layers: Layers, overlap_mm: float) -> None:
    """Raise InputError for readings by station, and for layers that are to run out over no overlap."""
    for name, given in layers.table.items():
        check_readings(given, name)
    if layers.outside == "blend" and overlap_mm <= 0.0 and layers.total_mm > 0.0:
        raise InputError(
            "layers can't run out beyond the rim over an overlap of 0 mm: give an overlap, or "
            'outside = "same" in [layers]'
        )


def wanted_depth(layers: Layers, overlap_mm: float, rim: RimLine) -> Depth:
    """Depth that layers ask for at places (n, 3) with values (n, k), the first their distance from the rim.

    A step is left out here: it divides the facets, and each side of it is as deep as the rest of that side.
    Layers that run out do so by the distance from the rim as a smooth line: the values are known at the
    nodes alone, and would leave creases.

    Raises
    ------
    InputError
        Layers are to run out over no overlap, or a reading can't be used.
    """
    check_layers(layers, overlap_mm)
    each = [thickness_at(given, name) for name, given in layers.table.items()]

    def depth(points: Floats, values: Floats) -> Floats:
        total = np.asarray(sum(over(points) for over in each))
        if layers.outside == "blend":
            away = np.where(values[:, 0] > 0.0, rim.away(points), 0.0)
            return np.asarray(total * running_out(away / max(overlap_mm, 1e-9)))
        return total

    return depth


def layers_on(facets: Facets, layers: Layers, asked: Depth, around: tuple[Floats, Floats]) -> PatchLayers:
    """Lay layers over the facets of a patch, whose first value is the distance from the rim.

    Parameters
    ----------
    asked : see :func:`wanted_depth`
    around : places (k, 3) of the whole surface and normals there, which layers must not reach from inside

    Raises
    ------
    InputError
        A reading can't be used.
    EvidenceError
        The surface bends too tightly, or the part is too thin, for the layers, and they are not to be
        trimmed.
    """
    wanted = asked(facets.points, facets.values)
    beyond = facets.values[:, 0] >= 0.0
    matters = ~beyond if layers.outside == "step" else np.ones(len(beyond), dtype=bool)
    depth, notes = _fitting(facets, wanted, matters, around, trim=layers.tight == "trim")
    shortened = (depth < wanted - 1e-9) & matters
    inside = depth[~beyond] if (~beyond).any() else depth
    faces = facets.faces.astype(np.int64)
    areas = corner_areas(
        np.linalg.norm(facet_normals(facets.points, faces), axis=1), faces, len(facets.points)
    )
    rows = [_row(name, given, facets.points) for name, given in layers.table.items()]
    summary = LayersSummary(
        rows, layers.outside, float(inside.min()), float(inside.max()), float(areas[shortened].sum())
    )
    return PatchLayers(
        coats_at(layers),
        layers.outside,
        depth,
        np.where(beyond, 0.0, depth) if layers.outside == "step" else depth,
        shortened,
        summary,
        notes,
    )


def coats_at(layers: Layers) -> At:
    """Paint and filler at places (n, 3), mm; InputError for a reading that can't be used."""
    each = [thickness_at(layers.table[name], name) for name in COATS]
    return lambda points: np.asarray(sum(over(points) for over in each))


def _row(name: str, given: Thickness, points: Floats) -> LayerRow:
    over = thickness_at(given, name)(points)
    source = "typed"
    if isinstance(given, tuple):
        source = f"{len(given)} reading{'s' if len(given) > 1 else ''}"
    return LayerRow(name, float(over.min()), float(over.max()), source)


def _fitting(
    facets: Facets, wanted: Floats, matters: Bools, around: tuple[Floats, Floats], *, trim: bool
) -> tuple[Floats, tuple[Note, ...]]:
    """A depth that fits below the surface, and a note where that is not what was wanted."""
    most = float(wanted.max(initial=0.0))
    if most <= 0.0:
        return wanted, ()
    enough = most / (SHARE * (1.0 - _ROUNDED))
    room = room_under(
        facets.points, facets.normals, facets.faces, around=around, most_mm=1.02 * (enough if trim else most)
    )
    short = np.where(matters, room.radius_mm - wanted, np.inf)
    worst = int(short.argmin())
    if short[worst] > 0.0:
        return wanted, ()
    where, what = named_place(facets.points[worst]), room.told(worst)
    if not trim:
        raise EvidenceError(
            f"layers of {wanted[worst]:.2f} mm can't be taken off {where}, where {what}: give thinner "
            'layers, or tight = "trim" in [layers]'
        )
    depth = _rounded_min(wanted, _cap(facets, room))
    text = (
        f"layers are up to {wanted[worst] - depth[worst]:.2f} mm thinner than asked for {where}, where "
        f"{what}: the target stands higher there, work it by hand"
    )
    return depth, (Note("layers_trimmed", text),)


def _cap(facets: Facets, room: PatchRoom) -> Floats:
    """The depth that there is room for, (n,), nowhere steep.

    From each vertex it may rise along the edges by the slope: the shortest way from a source that is as far
    from each vertex as its own room makes it.
    """
    n = len(facets.points)
    edges = np.unique(np.sort(half_edges(facets.faces), axis=1), axis=0)
    length = np.linalg.norm(facets.points[edges[:, 0]] - facets.points[edges[:, 1]], axis=1)
    every = np.arange(n)
    rows = np.concatenate([edges[:, 0], edges[:, 1], np.full(n, n)])
    columns = np.concatenate([edges[:, 1], edges[:, 0], every])
    ways = np.concatenate([length, length, SHARE * room.radius_mm / _SLOPE])
    graph = coo_matrix((ways, (rows, columns)), shape=(n + 1, n + 1)).tocsr()
    return np.asarray(_SLOPE * dijkstra(graph, indices=n)[:n])


def _rounded_min(one: Floats, cap: Floats) -> Floats:
    """The smaller of two with a rounded corner, as layers under a tube are trimmed; never above either."""
    width = _ROUNDED * cap
    over = np.maximum(width - np.abs(one - cap), 0.0) / np.maximum(width, 1e-30)
    return np.asarray(np.minimum(one, cap) - 0.25 * width * over**2)
