"""The surface to be ground before the lay-up: a taper or steps around the hole, down to the inner surface."""

from functools import partial

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.job import BedSettings
from gaploft.laminate.bed_mesh import BedMesh, sloping, terraced
from gaploft.laminate.chart import chart_of
from gaploft.laminate.hole import Hole, hole_of
from gaploft.laminate.model import Bed, BedSummary, LayersOver, Wall
from gaploft.laminate.solid import Skin, Sleeve, around_one_turn, make_sleeve, volume_between
from gaploft.laminate.taper import Taper, beyond_target, check_depths, check_room, stretch_of, taper_of
from gaploft.laminate.wall import check_folds
from gaploft.target.facets import chord_error
from gaploft.target.field import grid_over
from gaploft.target.offset import Below
from gaploft.target.places import Places

Floats = NDArray[np.float64]

#: Edges are at most so many mm long around a patch, and so many go into the shortest taper or step at least.
_EDGE_MM, _EDGES_IN = 0.6, 4
#: A hole shorter than this is none that anybody would lay plies into.
_LEAST_HOLE_MM = 0.5
#: Splitting moves vertices by up to a tenth of an edge: edges grow by up to a fifth, chord errors squared.
_TOLERANCE_SHARE = 0.69


def make_bed(
    fit: TubeFit,
    settings: BedSettings,
    layers: LayersOver,
    wall: Wall,
    places: Places,
    *,
    chord_tolerance_mm: float = 0.005,
) -> Bed:
    """The surface to be ground before the lay-up.

    Parameters
    ----------
    fit : the fitted tube, its damage, and how far its scan is trusted
    settings : ratio or steps, and how far the damage is cut back
    layers : paint and filler over the laminate
    wall : thickness of the laminate, and the stations of the target

    Returns
    -------
    Bed
        By ratio it lies a wall less ``beyond / ratio`` below the bare laminate. By steps the terraces lie as
        deep as the plies that go onto them are thick: each ply laps over the next by a step, the innermost
        fills the hole. Distances are along the surface of the bare laminate. The bed ends where it meets that
        surface: paint beyond it stays, but where a ply laps over it.

    Raises
    ------
    InputError
        The hole is too small for a bed, the plies are too few for steps, or thicker than the wall; or no
        inner surface fits into the tube.
    EvidenceError
        The bed reaches beyond what can be trusted of the scan; the sentence says by how much.
    """
    start, stop = fit.outline.gap_mm
    if fit.outline.patch is None and stop - start + 2.0 * settings.cut_back_mm < _LEAST_HOLE_MM:
        raise _too_small(settings)
    taper = taper_of(settings, wall)
    stations = stretch_of(fit, taper)
    chart = chart_of(fit.surface, layers.coats, stations)
    hole = hole_of(fit.outline, chart, cut_back_mm=settings.cut_back_mm)
    check_room(taper, hole, stations)
    check_depths(taper, stations)
    bare = Below(fit.surface, layers.coats)
    within = Below(fit.surface, lambda u, v: layers.coats(u, v) + wall.over(u, v))
    check_folds(fit.surface, stations, within.depth, places)
    sleeve = make_sleeve(
        (bare, within),
        stations,
        chord_tolerance_mm=_TOLERANCE_SHARE * chord_tolerance_mm,
        step_mm=_longest_edge(taper, hole, stations),
    )
    mesh = _mesh(taper, hole, sleeve)
    if not mesh.at_hole.any():
        raise _too_small(settings)
    u, v = mesh.uv.T
    depth = layers.coats(u, v) + mesh.depth_mm
    vertices = fit.surface.evaluate(u, v) - depth[:, None] * fit.surface.normals(u, v)
    ends = float(u[mesh.at_edge].min()), float(u[mesh.at_edge].max())
    return Bed(
        settings,
        hole,
        layers.coats,
        vertices,
        mesh.triangles,
        mesh.uv,
        depth,
        mesh.beyond_mm,
        ends,
        _summary(fit, taper, hole, bare, mesh, vertices),
        beyond_target(fit, settings, wall, ends),
    )


def _too_small(settings: BedSettings) -> InputError:
    return InputError(
        f"the hole is too small for a bed, cut back by {settings.cut_back_mm:g} mm: cut it back further"
    )


def _longest_edge(taper: Taper, hole: Hole, stations: tuple[float, float]) -> float:
    """Edges that resolve a taper or step, and the outline of a patch."""
    shortest = taper.settings.step_mm or float(taper.length(*grid_over(stations, (60, 72))).min())
    return min(shortest / _EDGES_IN, np.inf if hole.field is None else _EDGE_MM)


def _mesh(taper: Taper, hole: Hole, sleeve: Sleeve) -> BedMesh:
    settings = taper.settings
    if taper.depths_mm is None:
        assert settings.ratio is not None
        return sloping(sleeve, hole, taper.wall, settings.ratio)
    assert settings.step_mm is not None
    return terraced(sleeve, hole, taper.wall, settings.step_mm, taper.depths_mm)


def _summary(
    fit: TubeFit, taper: Taper, hole: Hole, bare: Below, mesh: BedMesh, vertices: Floats
) -> BedSummary:
    settings, steps = taper.settings, taper.depths_mm
    coats, depth = bare.depth(*mesh.uv.T), mesh.depth_mm
    corners = around_one_turn(mesh.uv[mesh.ground])
    bottom = (coats + depth)[mesh.ground]
    at_edge, start, stop = mesh.uv[mesh.at_edge, 0], *fit.outline.gap_mm
    tapers = mesh.beyond_mm[mesh.at_edge] if steps is not None else _lengths(taper, mesh)
    return BedSummary(
        "ratio" if steps is None else "steps",
        settings.ratio,
        settings.step_mm,
        settings.cut_back_mm,
        float(np.ptp(mesh.uv[mesh.at_hole, 0])),
        float(tapers.min()),
        float(tapers.max()),
        float(Skin(vertices, mesh.triangles).areas_mm2.sum()),
        volume_between(bare.surface, corners, coats[mesh.ground], bottom),
        90.0 if steps is not None else _steepest_deg(bare, mesh),
        (start - float(at_edge.min()), float(at_edge.max()) - stop),
        None if steps is None else len(steps),
        _chord_error(taper, hole, bare, mesh, vertices),
    )


def _lengths(taper: Taper, mesh: BedMesh) -> Floats:
    """Length of the taper where it meets the laminate."""
    return taper.length(*mesh.uv[mesh.at_edge].T)


def _steepest_deg(bare: Below, mesh: BedMesh) -> float:
    """Greatest slope of the edges of slopes against the surface at their depth, degrees."""
    ends = np.concatenate([mesh.ground[:, [k, (k + 1) % 3]] for k in range(3)])
    depth = mesh.depth_mm[ends]
    u, v = mesh.uv[ends].reshape(-1, 2).T
    level = bare.depth(u, v) + np.repeat(depth.mean(axis=1), 2)
    points = bare.surface.evaluate(u, v) - level[:, None] * bare.surface.normals(u, v)
    lengths = np.linalg.norm(np.diff(points.reshape(-1, 2, 3), axis=1)[:, 0], axis=1)
    return float(np.degrees(np.arctan(np.abs(np.diff(depth, axis=1)[:, 0]) / lengths).max()))


def _chord_error(taper: Taper, hole: Hole, bare: Below, mesh: BedMesh, vertices: Floats) -> float:
    """Largest distance between the mesh and the smooth bed, mm."""
    ratio = taper.settings.ratio
    if taper.depths_mm is None and ratio is not None:

        def sloping_depth(u: Floats, v: Floats) -> Floats:
            wall = taper.wall(u, v)
            return bare.depth(u, v) + np.clip(wall - hole.beyond(u, v) / ratio, 0.0, wall)

        return chord_error(Below(bare.surface, sloping_depth), vertices, mesh.ground, mesh.uv)
    worst = 0.0
    for depth in () if taper.depths_mm is None else taper.depths_mm:
        terrace = mesh.ground[mesh.depth_mm[mesh.ground[:, 0]] == depth]
        level = Below(bare.surface, partial(_below, bare, float(depth)))
        worst = max(worst, chord_error(level, vertices, terrace, mesh.uv))
    return worst


def _below(bare: Below, more_mm: float, u: Floats, v: Floats) -> Floats:
    return np.asarray(bare.depth(u, v) + more_mm)
