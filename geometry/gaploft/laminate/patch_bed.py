"""The surface to be ground around a patch before the lay-up: a taper or steps down to the inner surface."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError, InputError
from gaploft.evidence.rim import facet_normals
from gaploft.job import BedSettings, WallSettings, largest
from gaploft.laminate.model import BedSummary
from gaploft.laminate.patch_hole import Ground
from gaploft.laminate.patch_model import PatchBed
from gaploft.laminate.patch_wall import check_room_for, extent_mm
from gaploft.laminate.plies import cured_thickness_mm
from gaploft.laminate.solid import Skin
from gaploft.scan.model import Note
from gaploft.target.patch_facets import Facets, chord_error, facets_of
from gaploft.target.patch_step import taken_apart

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Triangles = NDArray[np.int32]

#: A hole shorter than this is none that anybody would lay plies into, mm.
_LEAST_HOLE_MM = 0.5
_ROUNDING_MM = 1e-6


@dataclass(frozen=True)
class _Cut:
    """The mesh of a bed, lowered, with what its facets are."""

    outer: Floats
    lowered: Floats
    depth: Floats
    beyond: Floats
    from_rim: Floats
    triangles: Triangles
    ground: Triangles
    at_hole: Bools
    at_edge: Bools


def make_patch_bed(
    ground: Ground, settings: BedSettings, *, overlap_mm: float, chord_tolerance_mm: float
) -> PatchBed:
    """The surface to be ground before the lay-up; depths and distances are as those around a tube's hole.

    Raises
    ------
    InputError
        The hole is too small, the plies are too few for steps or thicker than the wall, or no inner surface
        fits below the surface.
    EvidenceError
        The bed reaches beyond what can be trusted of the scan; the sentence says by how much.
    """
    depths = terrace_depths(settings)
    wall = ground.wall(ground.nodes.points)
    if depths is not None and depths[0] >= wall.min():
        raise InputError(
            f"without the innermost, the plies are {depths[0]:.2f} mm thick together, but the wall is "
            f"{wall.min():.2f} mm: lay fewer or thinner plies, or measure the wall"
        )
    beyond = ground.beyond_mm - settings.cut_back_mm
    length = _lengths(settings, depths, wall)
    _check_room(ground, settings, depths)
    start = (
        ground.nodes.points,
        ground.nodes.faces,
        np.column_stack([beyond / length, ground.nodes.from_rim_mm]),
    )
    parts = 1 if depths is None else len(depths)

    def deepest(points: Floats, values: Floats) -> Floats:
        return np.asarray(ground.coats(points) + ground.wall(points))

    facets = facets_of(
        ground.surface,
        start,
        np.linspace(0.0, 1.0, parts + 1).tolist(),
        (deepest,),
        chord_tolerance_mm,
        above=0.0,
    )
    edge = facets.points[facets.values[:, 0] == 0.0]
    if len(edge) < 3 or extent_mm(edge) < _LEAST_HOLE_MM:
        raise InputError(
            f"the hole is too small for a bed, cut back by {settings.cut_back_mm:g} mm: cut it back further"
        )
    check_room_for(facets, deepest(facets.points, facets.values), ground.around)
    cut = (
        _sloping(ground, settings, facets) if depths is None else _terraced(ground, settings, facets, depths)
    )
    return PatchBed(
        settings,
        cut.lowered,
        cut.triangles,
        cut.depth,
        cut.beyond,
        _summary(ground, settings, cut, depths),
        _notes(settings, cut, overlap_mm),
    )


def terrace_depths(settings: BedSettings) -> Floats | None:
    """Depths of the terraces below the bare laminate, from the hole outward; None for a ratio.

    Raises InputError for steps with a single ply, which would lap over nothing.
    """
    if settings.step_mm is None:
        return None
    each = [cured_thickness_mm(ply) for ply in settings.plies for _ in range(ply.count)]
    if len(each) < 2:
        raise InputError(
            f"a bed in steps is asked for and {len(each)} ply is to be laid, which laps over nothing: add "
            "plies, or give a ratio instead of step"
        )
    return np.asarray(np.cumsum(each[:0:-1])[::-1])


def longest_taper(settings: BedSettings, wall: WallSettings) -> float:
    """How far beyond the damage bed and plies may reach, mm; InputError as :func:`terrace_depths`."""
    thickest = np.array([largest(wall.thickness_mm)])
    taper = float(_lengths(settings, terrace_depths(settings), thickest)[0])
    return settings.cut_back_mm + taper + settings.lap_mm


def _lengths(settings: BedSettings, depths: Floats | None, wall: Floats) -> Floats:
    """Length of the taper at places whose wall is so thick."""
    if depths is None:
        assert settings.ratio is not None
        return np.asarray(settings.ratio * wall)
    assert settings.step_mm is not None
    return np.full(len(wall), settings.step_mm * len(depths))


def _check_room(ground: Ground, settings: BedSettings, depths: Floats | None) -> None:
    """Raise EvidenceError where the bed reaches beyond the trusted scan."""
    points, away = ground.border
    beyond = away - settings.cut_back_mm
    length = _lengths(settings, depths, ground.wall(points))
    short = length - beyond
    if len(short) == 0 or short.max() <= _ROUNDING_MM:
        return
    worst = int(short.argmax())
    needed, found = (max(0.0, value + settings.cut_back_mm) for value in (length[worst], beyond[worst]))
    if settings.ratio is None:
        help_ = "give shorter steps, or scan more of the part"
    else:
        fitting = math.floor(settings.ratio * max(beyond[worst], 0.0) / length[worst] + _ROUNDING_MM)
        help_ = f"give a ratio of at most {fitting}" if fitting >= 1 else "cut back less"
        help_ += ", or scan more of the part"
    raise EvidenceError(
        f"the bed needs {needed:.1f} mm of intact surface around the damage, and the scan can be trusted for "
        f"{found:.1f} mm of it: {help_}"
    )


def _sloping(ground: Ground, settings: BedSettings, facets: Facets) -> _Cut:
    """One slope from the full wall at the hole's edge to nothing."""
    along, wall = np.clip(facets.values[:, 0], 0.0, 1.0), ground.wall(facets.points)
    depth = ground.coats(facets.points) + wall * (1.0 - along)
    beyond = along * _lengths(settings, None, wall)
    return _Cut(
        facets.points,
        facets.lowered(depth),
        depth,
        beyond,
        facets.values[:, 1],
        facets.faces,
        facets.faces,
        along == 0.0,
        along == 1.0,
    )


def _terraced(ground: Ground, settings: BedSettings, facets: Facets, depths: Floats) -> _Cut:
    """Terraces; upright walls from the inner surface up to the first, and from the last to the laminate."""
    along, n = facets.values[:, 0], len(depths)
    terrace = np.clip(np.floor(along[facets.faces].mean(axis=1) * n).astype(np.int64), 0, n - 1)
    free = np.where(along == 0.0, 0, np.where(along == 1.0, n + 1, -1))
    apart = taken_apart(facets.faces, terrace + 1, free)
    outer, normals = facets.points[apart.vertex], facets.normals[apart.vertex]
    below = np.concatenate([[0.0], depths, [0.0]])[apart.part]
    below = np.where(apart.part == 0, ground.wall(outer), below)
    depth = ground.coats(outer) + below
    assert settings.step_mm is not None
    return _Cut(
        outer,
        outer - depth[:, None] * normals,
        depth,
        along[apart.vertex] * settings.step_mm * n,
        facets.values[apart.vertex, 1],
        apart.triangles,
        apart.ground,
        apart.part == 0,
        apart.part == n + 1,
    )


def _summary(ground: Ground, settings: BedSettings, cut: _Cut, depths: Floats | None) -> BedSummary:
    tapers = cut.beyond[cut.at_edge]
    coats = ground.coats(cut.outer)
    share = np.divide(coats, cut.depth, out=np.zeros_like(coats), where=cut.depth > 0.0)
    bare = cut.outer + share[:, None] * (cut.lowered - cut.outer)
    return BedSummary(
        "ratio" if depths is None else "steps",
        settings.ratio,
        settings.step_mm,
        settings.cut_back_mm,
        extent_mm(cut.outer[cut.at_hole]),
        float(tapers.min()),
        float(tapers.max()),
        float(Skin(cut.lowered, cut.triangles).areas_mm2.sum()),
        volume_between(bare, cut.lowered, cut.ground),
        90.0 if depths is not None else _steepest_deg(cut),
        (settings.cut_back_mm + float(tapers.min()), settings.cut_back_mm + float(tapers.max())),
        None if depths is None else len(depths),
        chord_error(ground.surface, cut.outer, cut.lowered, cut.ground, cut.depth),
    )


def volume_between(top: Floats, bottom: Floats, faces: Triangles) -> float:
    """Volume that a mesh sweeps on its way to the same mesh lower, mm3: exact for straight ways.

    The flow through a triangle is its area, which is of second degree in the share of the way, times the mean
    of its corners' ways; Simpson's rule is exact for that.
    """
    corners = faces.astype(np.int64)
    areas = sum(
        weight * facet_normals((1.0 - share) * top + share * bottom, corners)
        for share, weight in ((0.0, 1 / 6), (0.5, 4 / 6), (1.0, 1 / 6))
    )
    return float(-np.einsum("ij,ij->", areas, (bottom - top)[corners].mean(axis=1)))


def _steepest_deg(cut: _Cut) -> float:
    """Greatest slope against the surface at the depth of each facet, degrees."""
    corners = cut.ground.astype(np.int64)
    middle = cut.depth[corners].mean(axis=1)
    outward = cut.outer - cut.lowered
    outward = outward / np.maximum(cut.depth, 1e-30)[:, None]
    points = cut.outer[corners] - middle[:, None, None] * outward[corners]
    across = np.cross(points[:, 1] - points[:, 0], points[:, 2] - points[:, 0])
    rise = sum(
        cut.depth[corners[:, k], None] * np.cross(across, points[:, (k + 2) % 3] - points[:, (k + 1) % 3])
        for k in range(3)
    )
    slope = np.linalg.norm(rise, axis=1) / np.maximum(np.einsum("ij,ij->i", across, across), 1e-30)
    return float(np.degrees(np.arctan(slope.max())))


def _notes(settings: BedSettings, cut: _Cut, overlap_mm: float) -> tuple[Note, ...]:
    """A note where the lay-up reaches beyond the target."""
    needed = float(cut.from_rim[cut.at_edge].max()) + settings.lap_mm
    if needed <= overlap_mm + _ROUNDING_MM:
        return ()
    what = "bed" if settings.lap_mm == 0.0 else "lay-up"
    text = (
        f"the target's overlap of {overlap_mm:.1f} mm ends before the {what} does, at {needed:.1f} mm: set "
        f"overlap to {math.ceil(needed - _ROUNDING_MM)} to have all of the {what} machined back afterwards"
    )
    return (Note("bed_beyond_target", text),)
