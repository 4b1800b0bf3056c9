"""Cutting the target out of a patch: triangles whose chord error is measured, split along the rim."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError
from gaploft.evidence.rim import facet_normals
from gaploft.job import Layers
from gaploft.patch.base import PatchSurface
from gaploft.patch.meeting import Meeting
from gaploft.target.model import ORIGINS, Target
from gaploft.target.patch_facets import Depth, Facets, chord_error, facets_of
from gaploft.target.patch_layers import PatchLayers, layers_on, wanted_depth
from gaploft.target.patch_rim import RimLine
from gaploft.target.patch_step import Apart, taken_apart

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Triangles = NDArray[np.int32]

#: A vertex nearer to the rim than this is on it, mm.
_ON_RIM_MM = 1e-9
#: A step over layers that are nothing in places is still this high: its facets need an area.
_LOWEST_STEP_MM = 1e-3
#: Parts of a target whose layers end in a step.
_INSIDE, _BEYOND = 0, 1


@dataclass(frozen=True)
class NodeMesh:
    """A patch's nodes: triangles between them, and what is known at them.

    Attributes
    ----------
    points, normals : (n, 3) on the surface
    faces : (m, 3)
    from_rim_mm : (n,) distance from the rim of the rebuilt zone, negative inside
    band95_mm : (n,)
    """

    points: Floats
    normals: Floats
    faces: Triangles
    from_rim_mm: Floats
    band95_mm: Floats


@dataclass(frozen=True)
class PatchCut:
    """A target cut out of a patch, and what it was cut from.

    Attributes
    ----------
    facets : the outer surface over the rebuilt zone and the overlap, without any step
    vertex : (n,) the vertex of the facets that each vertex of the target lies below
    n_ground : how many triangles of the target are no walls of a step
    layers : by the vertices of the facets
    """

    target: Target
    facets: Facets
    vertex: NDArray[np.int64]
    n_ground: int
    layers: PatchLayers

    @property
    def from_rim_mm(self) -> Floats:
        """Distance of the facets' vertices from the rim, negative inside."""
        return np.asarray(self.facets.values[:, 0])

    @property
    def rebuilt(self) -> Bools:
        """Which facets lie inside the rim, (m,)."""
        return np.asarray(self.from_rim_mm[self.facets.faces].min(axis=1) < 0.0)


def cut_patch(
    surface: PatchSurface,
    nodes: NodeMesh,
    layers: Layers,
    *,
    overlap_mm: float,
    chord_tolerance_mm: float,
    also: tuple[Depth, ...] = (),
) -> PatchCut:
    """Facet a patch over the rebuilt zone and the overlap, below it by its layers.

    Parameters
    ----------
    also : more depths at which the facets are to keep to the tolerance

    Raises
    ------
    InputError
        Layers are to run out over no overlap, or a reading can't be used.
    EvidenceError
        The tolerance asks for too many facets, or the surface bends too tightly for the layers.
    """
    rim = RimLine(nodes.points, nodes.faces, nodes.from_rim_mm)
    wanted = wanted_depth(layers, overlap_mm, rim)
    deep = layers.total_mm > 0.0
    facets = facets_of(
        surface,
        (nodes.points, nodes.faces, np.column_stack([nodes.from_rim_mm, nodes.band95_mm])),
        (0.0, overlap_mm) if overlap_mm > 0.0 else (0.0,),
        (*((wanted,) if deep else ()), *also),
        chord_tolerance_mm,
    )
    at_rim = np.abs(facets.values[:, 0]) < _ON_RIM_MM
    facets.values[at_rim, 0] = 0.0
    if len(facets.faces) == 0:
        raise EvidenceError("nothing of the patch lies between its rims: mark the damage anew")
    laid = layers_on(facets, layers, wanted, (nodes.points, nodes.normals))
    inside = facets.values[facets.faces, 0].min(axis=1) < 0.0
    step = layers.outside == "step" and deep
    apart = taken_apart(facets.faces, np.where(inside, _INSIDE, _BEYOND) if step else np.zeros_like(inside))
    return _lowered(surface, facets, laid, apart, step=step)


def _lowered(
    surface: PatchSurface, facets: Facets, layers: PatchLayers, apart: Apart, *, step: bool
) -> PatchCut:
    """The target itself."""
    vertex = apart.vertex
    outer, normals = facets.points[vertex], facets.normals[vertex]
    from_rim = facets.values[vertex, 0]
    depth = layers.depth_mm[vertex]
    if step:
        foot = apart.part == _INSIDE
        depth = np.where(foot, np.maximum(layers.inside_mm[vertex], _LOWEST_STEP_MM), 0.0)
    lowered = outer - depth[:, None] * normals
    _check_unfolded(outer, lowered, apart.ground)
    if layers.outside == "blend" or layers.shortened.any():
        normals = _leaning(outer, normals, depth, apart.ground)
    trimmed = layers.shortened[vertex] & (depth > 0.0)
    target = Target(
        lowered,
        normals,
        facets.values[vertex, 1],
        (from_rim < 0.0).astype(np.uint8),
        np.zeros((0, 4), dtype=np.int32),
        apart.triangles,
        (0, 0),
        chord_error(surface, outer, lowered, apart.ground, depth),
        depth,
        trimmed=trimmed if trimmed.any() else None,
        origin=_origin(surface, facets.part[vertex]),
    )
    return PatchCut(target, facets, vertex, apart.n_ground, layers)


def _leaning(outer: Floats, normals: Floats, depth: Floats, faces: Triangles) -> Floats:
    """Normals of a surface that lies more and less deep, as near as its slope squared."""
    corners = faces.astype(np.int64)
    across = facet_normals(outer, corners)
    twice = 2.0 * np.maximum(np.einsum("ij,ij->i", across, across), 1e-30)
    rise = np.zeros_like(across)
    for k in range(3):
        opposite = outer[corners[:, (k + 2) % 3]] - outer[corners[:, (k + 1) % 3]]
        rise += depth[corners[:, k], None] * np.cross(across, opposite)
    rise /= twice[:, None]
    weight = np.sqrt(twice)
    slope = np.zeros_like(outer)
    for axis in range(3):
        slope[:, axis] = np.bincount(
            corners.ravel(), np.repeat(weight * rise[:, axis], 3), minlength=len(outer)
        )
    slope /= np.maximum(np.bincount(corners.ravel(), np.repeat(weight, 3), minlength=len(outer)), 1e-30)[
        :, None
    ]
    slope -= np.einsum("ij,ij->i", slope, normals)[:, None] * normals
    found = normals + slope
    return np.asarray(found / np.linalg.norm(found, axis=1, keepdims=True))


def _origin(surface: PatchSurface, part: NDArray[np.int64]) -> NDArray[np.uint8]:
    """Number in ``ORIGINS`` of what the surface stands on."""
    if not isinstance(surface.base, Meeting):
        return np.full(len(part), ORIGINS.index("fair"), dtype=np.uint8)
    loft, fillet = ORIGINS.index("loft"), ORIGINS.index("fillet")
    return np.where(part < len(surface.base.sheets), loft, fillet).astype(np.uint8)


def _check_unfolded(outer: Floats, lowered: Floats, faces: Triangles) -> None:
    """Raise EvidenceError where lowering turns a facet over."""
    corners = faces.astype(np.int64)
    across = np.einsum("ij,ij->i", facet_normals(outer, corners), facet_normals(lowered, corners))
    if (across < 0.0).any():
        raise EvidenceError(
            "the surface bends more tightly than the layers to be taken off are thick: take off less"
        )
