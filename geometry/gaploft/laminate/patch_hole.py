"""The hole of a patch: what a bed is ground out of, and how far its places are from the marked damage."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.laminate.patch_way import outline_of, way_from_hole
from gaploft.patch.base import PatchSurface
from gaploft.patch.fit import PatchFit
from gaploft.patch.loops import half_edges, open_edges
from gaploft.patch.refine import divided_at
from gaploft.target.patch_layers import At
from gaploft.target.patch_mesh import NodeMesh

Floats = NDArray[np.float64]

#: Room beyond the longest taper, mm.
_ROOM_MM = 3.0


@dataclass(frozen=True)
class Ground:
    """What a bed is ground out of.

    Attributes
    ----------
    surface, nodes : the outer surface, and a mesh of it with its distance from the rim
    beyond_mm : (n,) distance of the nodes from the marked damage along the bare laminate, negative inside
    border : places (k, 3) where the trusted scan ends, and their distance from the damage
    around : places of the whole outer surface, and normals there
    coats, wall : paint and filler, and the laminate below them, mm at places (n, 3)
    """

    surface: PatchSurface
    nodes: NodeMesh
    beyond_mm: Floats
    border: tuple[Floats, Floats]
    around: tuple[Floats, Floats]
    coats: At
    wall: At


def ground_of(
    fit: PatchFit, surface: PatchSurface, nodes: NodeMesh, layers: tuple[At, At], longest_mm: float
) -> Ground:
    """The laminate around a patch.

    Parameters
    ----------
    surface : that of the fit, or the same through guide points
    nodes : of the fit, on the surface
    layers : coats and wall
    longest_mm : how far beyond the damage the bed may reach

    Notes
    -----
    Ways are found on triangles half as large as those of the fit: they are long by a share of their size.
    """
    coats, wall = layers
    region = fit.region
    loops = [region.points[loop] for patch in region.outline for loop in patch]
    holes = [region.points[hole] for hole in region.holes]
    inside = fit.ground.lost > 0.5
    straight = cKDTree(np.concatenate(loops)).query(nodes.points)[0]
    if holes:
        inside &= straight < cKDTree(np.concatenate(holes)).query(nodes.points)[0]

    def bare(points: Floats) -> Floats:
        found = surface.onto(points)
        return np.asarray(found - coats(found)[:, None] * surface.against(found).normal)

    outline = outline_of(loops, bare)

    def ways(mesh: NodeMesh, within: NDArray[np.bool_]) -> Floats:
        lowered = mesh.points - coats(mesh.points)[:, None] * mesh.normals
        return way_from_hole(lowered, mesh.normals, mesh.faces, outline, within)

    border = np.unique(open_edges(nodes.faces, len(nodes.points)))
    border = border[straight[border] < longest_mm + _ROOM_MM]
    away = ways(nodes, inside)[border]
    near = inside | (straight < longest_mm + _ROOM_MM)
    fine, was = _halved(surface, nodes, near)
    return Ground(
        surface,
        fine,
        ways(fine, inside[was[:, 0]] & inside[was[:, 1]]),
        (nodes.points[border], away),
        (nodes.points, nodes.normals),
        coats,
        wall,
    )


def _halved(
    surface: PatchSurface, nodes: NodeMesh, near: NDArray[np.bool_]
) -> tuple[NodeMesh, NDArray[np.int64]]:
    """The mesh of some nodes with all edges halved, and the two nodes between which each new one lies."""
    used, number = np.unique(nodes.faces[near[nodes.faces].any(axis=1)], return_inverse=True)
    faces = number.reshape(-1, 3).astype(np.int32)
    ends = np.unique(np.sort(half_edges(faces), axis=1), axis=0)
    points, faces, _ = divided_at(nodes.points[used], faces, ends)
    points[len(used) :] = surface.onto(points[len(used) :])
    was = np.concatenate([np.column_stack([used, used]), used[ends]])
    carried = [values[was].mean(axis=1) for values in (nodes.from_rim_mm, nodes.band95_mm)]
    return NodeMesh(points, surface.against(points).normal, faces, *carried), was
