"""The wall under a patch: inner surface, what is left once the target is cut, the missing section."""

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.job import WallSettings
from gaploft.laminate.model import SectionSummary, WallSummary
from gaploft.laminate.patch_model import PatchWall, spot
from gaploft.laminate.solid import Skin
from gaploft.patch.loops import open_edges
from gaploft.scan.model import Note
from gaploft.target.patch_facets import Depth, Facets
from gaploft.target.patch_layers import At, named_place, thickness_at
from gaploft.target.patch_mesh import PatchCut
from gaploft.target.patch_room import room_under

Floats = NDArray[np.float64]
Triangles = NDArray[np.int32]


def inner_depth(coats: At, settings: WallSettings) -> Depth:
    """Depth of the inner surface at places (n, 3); InputError for a reading by station."""
    over = thickness_at(settings.thickness_mm, "wall")
    return lambda points, values: np.asarray(coats(points) + over(points))


def make_patch_wall(cut: PatchCut, settings: WallSettings, around: tuple[Floats, Floats]) -> PatchWall:
    """The laminate's wall under a patch, its inner surface, and the solid of the missing section.

    Parameters
    ----------
    cut : the target, facetted finely enough for the inner surface, too
    around : places (k, 3) of the whole outer surface and normals there

    Raises
    ------
    InputError
        Nothing would be left of the wall, or there is no room for it below the surface.
    """
    facets, target = cut.facets, cut.target
    over = thickness_at(settings.thickness_mm, "wall")
    wall, coats = over(facets.points), cut.layers.coats(facets.points)
    check_room_for(facets, coats + wall, around)
    thickness = wall[cut.vertex]
    taken = np.maximum(target.depth_mm - coats[cut.vertex], 0.0)
    least = int((thickness - taken).argmin())
    if thickness[least] <= taken[least]:
        raise InputError(
            f"cover and other plies take {taken[least]:.2f} mm out of a wall of {thickness[least]:.2f} mm "
            f"{named_place(target.vertices_mm[least])}, so nothing is left of it: give thinner layers"
        )
    inner = Skin(facets.lowered(coats + wall), facets.faces)
    section, numbers = _section(facets, coats, wall, cut.rebuilt)
    share = taken / thickness
    given = settings.thickness_mm
    summary = WallSummary(
        float(thickness.min()),
        float(thickness.max()),
        "typed" if not isinstance(given, tuple) else f"{len(given)} reading{'s' if len(given) > 1 else ''}",
        settings.share,
        float(share.max()),
        float(thickness[least] - taken[least]),
        spot(target.vertices_mm[least]),
        float((target.band95_mm / thickness).max()),
        numbers,
    )
    notes = _notes(cut, thickness, taken, settings.share)
    below = inner.vertices_mm[cut.vertex]
    return PatchWall(thickness, thickness - taken, share, below, inner, section, summary, notes)


def check_room_for(facets: Facets, depth: Floats, around: tuple[Floats, Floats]) -> None:
    """Refuse a wall that a surface has no room for: its inner surface would fold, or meet itself.

    Raises InputError; the sentence says where, and how tight it is.
    """
    room = room_under(
        facets.points, facets.normals, facets.faces, around=around, most_mm=1.02 * float(depth.max())
    )
    worst = int((room.radius_mm - depth).argmin())
    if depth[worst] >= room.radius_mm[worst]:
        raise InputError(
            f"wall and paint are {depth[worst]:.2f} mm thick {named_place(facets.points[worst])}, where "
            f"{room.told(worst)}: no inner surface fits in there, give a thinner wall"
        )


def shell(top: Floats, bottom: Floats, faces: Triangles) -> Skin:
    """The solid between a mesh and the same mesh lowered, its sides ruled between both borders.

    Parameters
    ----------
    top, bottom : (n, 3) vertices of both
    faces : (m, 3) anticlockwise seen from outside
    """
    used, number = np.unique(faces, return_inverse=True)
    corners, n = number.reshape(-1, 3), len(used)
    a, b = open_edges(corners, n).T
    sides = [np.column_stack([b, a, a + n]), np.column_stack([b, a + n, b + n])]
    triangles = np.concatenate([corners, corners[:, ::-1] + n, *sides])
    return Skin(np.concatenate([top[used], bottom[used]]), triangles.astype(np.int32))


def _section(
    facets: Facets, coats: Floats, wall: Floats, rebuilt: NDArray[np.bool_]
) -> tuple[Skin, SectionSummary]:
    outer, inner = facets.lowered(coats), facets.lowered(coats + wall)
    faces = facets.faces[rebuilt]
    solid = shell(outer, inner, faces)
    outside, inside = (float(Skin(points, faces).areas_mm2.sum()) for points in (outer, inner))
    return solid, SectionSummary(
        extent_mm(outer[faces].reshape(-1, 3)), solid.volume_mm3, outside, inside, solid.watertight
    )


def extent_mm(points: Floats) -> float:
    """Extent of points (n, 3) along the direction in which they spread most."""
    away = points - points.mean(axis=0)
    return float(np.ptp(away @ np.linalg.svd(away, full_matrices=False)[2][0]))


def _notes(cut: PatchCut, thickness: Floats, taken: Floats, allowed: float) -> tuple[Note, ...]:
    """Warnings where layers or band eat more of the wall than was allowed."""
    notes = []
    for code, what, eaten, help_ in (
        ("wall_share", "cover and other plies take", taken, "give thinner layers, or check the wall"),
        (
            "wall_band",
            "the 95 % band is",
            cut.target.band95_mm,
            "the rebuilt surface is that uncertain there",
        ),
    ):
        worst = int((eaten / thickness).argmax())
        if eaten[worst] > allowed * thickness[worst]:
            text = (
                f"{what} {eaten[worst]:.2f} mm of a wall of {thickness[worst]:.2f} mm "
                f"{named_place(cut.target.vertices_mm[worst])}, {eaten[worst] / thickness[worst]:.0%} of it "
                f"where {allowed:.0%} are allowed: {help_}"
            )
            notes.append(Note(code, text))
    return tuple(notes)
