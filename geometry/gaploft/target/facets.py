"""Cutting the target out of the surface: a quad mesh whose chord error is measured, not assumed."""

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface
from gaploft.target.field import grid_over
from gaploft.target.layers import LayerMap
from gaploft.target.model import Target
from gaploft.target.offset import Below
from gaploft.target.readings import Over
from gaploft.target.step_wall import GridMesh, plain_grid, stepped_grid, stepped_patch, triangles_of
from gaploft.target.steps import steps_along, steps_around, target_bounds

Floats = NDArray[np.float64]
Triangles = NDArray[np.int32]

_MOST_VERTICES = 4_000_000
_ATTEMPTS = 6
#: A step over layers that are nothing in places is still this high: its facets need an area.
_LOWEST_STEP_MM = 1e-3


def cut_target(
    surface: TubeSurface,
    rebuilt_mm: tuple[float, float],
    *,
    overlap_mm: float,
    chord_tolerance_mm: float,
    layers: LayerMap,
    band: Over,
    zone: Over,
) -> Target:
    """Facet the surface between the rims and over the overlap, below it by the depth of the layers.

    Parameters
    ----------
    surface : the rebuilt outer surface
    rebuilt_mm : stations between which it is rebuilt
    overlap_mm : how far the target runs on at each end, as far as the surface reaches
    chord_tolerance_mm : largest distance between facets and the smooth target surface
    layers : depth of the target; "step" gives the mesh a wall along its rims, of exactly the layers
    band, zone : functions of (u, v) for the vertex attributes; rims with a step belong to the intact side

    Raises
    ------
    EvidenceError
        The layers are thicker than the tightest radius, or the tolerance asks for too many facets.

    Notes
    -----
    Vertices lie exactly ``depth`` below the surface along its normal, and their normals are those of the
    offset surface. The step around a patch does not follow the grid of quads: there the triangles are the
    target, and quads that the rim runs through only join their corners.
    """
    bounds = target_bounds(surface, rebuilt_mm, overlap_mm)
    step = layers.outside == "step" and _some_depth(layers, bounds)
    below = Below(surface, layers.within if step else layers.depth, layers.even and layers.outside != "blend")
    aim = chord_tolerance_mm
    for _ in range(_ATTEMPTS):
        v = steps_around(below, (bounds[0], bounds[-1]), aim)
        u = steps_along(below, bounds, v, aim)
        if len(u) * len(v) > _MOST_VERTICES:
            raise EvidenceError(
                f"a chord tolerance of {chord_tolerance_mm:g} mm asks for {len(u) * len(v)} vertices, "
                f"at most {_MOST_VERTICES} are made: give a larger one"
            )
        check_depth(below, *np.meshgrid(u[::2], v[::2], indexing="ij"))
        mesh, made = _mesh(u, v, below, layers, rebuilt_mm if step else None)
        vertices, depth = _lowered(mesh, below)
        triangles = triangles_of(vertices, mesh.quads) if made is None else made
        error = _largest_error(mesh, below, vertices, triangles)
        if error <= chord_tolerance_mm:
            break
        aim *= 0.9 * chord_tolerance_mm / error
    places = mesh.uv.T
    shortened = layers.shortened(*places) & mesh.inside
    return Target(
        vertices,
        _normals(mesh, below),
        band(*places),
        np.where(mesh.at_rim, 0, zone(*places)).astype(np.uint8),
        mesh.quads,
        triangles,
        mesh.shape,
        error,
        depth,
        mesh.uv,
        shortened if shortened.any() else None,
    )


def _some_depth(layers: LayerMap, bounds: tuple[float, ...]) -> bool:
    u, v = grid_over((bounds[0], bounds[-1]), (40, 90))
    return bool(layers.within(u, v).max() > 0.0)


def _mesh(
    u: Floats, v: Floats, below: Below, layers: LayerMap, step: tuple[float, float] | None
) -> tuple[GridMesh, Triangles | None]:
    """Places of the vertices, and the triangles where these are not those of the quads."""
    outward = below.surface.outward
    if step is None:
        return plain_grid(u, v, outward), None
    if layers.all_round:
        return stepped_grid(u, v, outward, step), None
    grid = plain_grid(u, v, outward)
    triangles = triangles_of(below.surface.evaluate(*grid.uv.T), grid.quads)
    return stepped_patch(grid, triangles, layers.from_rim(*grid.uv.T))


def _lowered(mesh: GridMesh, below: Below) -> tuple[Floats, Floats]:
    """Vertices and how deep they lie."""
    u, v = mesh.uv.T
    depth = np.where(mesh.inside, below.depth(u, v), 0.0)
    foot = mesh.inside & mesh.at_rim
    depth[foot] = np.maximum(depth[foot], _LOWEST_STEP_MM)
    return below.surface.evaluate(u, v) - depth[:, None] * below.surface.normals(u, v), depth


def _normals(mesh: GridMesh, below: Below) -> Floats:
    u, v = mesh.uv.T
    normals = below.normals(u, v)
    outside = ~mesh.inside
    if outside.any():
        normals[outside] = below.surface.normals(u[outside], v[outside])
    return normals


def _largest_error(mesh: GridMesh, below: Below, vertices: Floats, triangles: Triangles) -> float:
    """Chord error on both sides of a step; the facets of the step itself are none of the surface's."""
    inside = mesh.inside[triangles]
    error = 0.0
    if (within := inside.all(axis=1)).any():
        error = chord_error(below, vertices, triangles[within], mesh.uv)
    if (beyond := ~inside.any(axis=1)).any():
        itself = Below(below.surface, lambda u, v: np.zeros(np.shape(u)), even=True)
        error = max(error, chord_error(itself, vertices, triangles[beyond], mesh.uv))
    return error


def chord_error(below: Below, vertices: Floats, triangles: Triangles, uv: Floats) -> float:
    """Largest distance of facet centres and edge middles to the smooth target surface, mm.

    It is measured along the normals of the outer surface: where the depth varies that is a little more.
    """
    uv_corners = uv[triangles]
    wide = uv_corners[:, :, 1].max(1) - uv_corners[:, :, 1].min(1) > np.pi
    uv_corners[wide, :, 1] += TURN_RAD * (uv_corners[wide, :, 1] < np.pi)
    corners = vertices[triangles]
    worst = 0.0
    for share in ((1 / 3, 1 / 3, 1 / 3), (0.5, 0.5, 0.0), (0.0, 0.5, 0.5), (0.5, 0.0, 0.5)):
        weights = np.array(share)
        points = np.einsum("tcd,c->td", corners, weights)
        start = np.einsum("tcd,c->td", uv_corners, weights)
        feet = below.surface.project(points, start[:, 0], start[:, 1], steps=1)
        worst = max(worst, float(np.abs(feet.distance_mm + below.depth(feet.u, feet.v)).max()))
    return worst


def check_depth(below: Below, u: Floats, v: Floats) -> None:
    """Refuse a depth that folds the surface because it bends more tightly somewhere.

    Raises
    ------
    EvidenceError
        Depth times largest curvature reaches 1 at one of the places (u, v).
    """
    bend, depth = below.surface.curvatures(u, v)[..., 0], below.depth(u, v)
    worst = int((bend * depth).argmax())
    if bend.flat[worst] * depth.flat[worst] >= 1.0:
        raise EvidenceError(
            f"layers of {depth.flat[worst]:.2f} mm can't be taken off where the surface bends with a radius "
            f"of {1.0 / bend.flat[worst]:.2f} mm: give thinner layers"
        )
