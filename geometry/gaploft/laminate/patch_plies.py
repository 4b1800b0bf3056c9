"""The plies over a patch: how far each one reaches, and its flat pattern."""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from gaploft.errors import EvidenceError
from gaploft.job import BedSettings, Ply
from gaploft.laminate.flatten import flatten
from gaploft.laminate.patch_hole import Ground
from gaploft.laminate.patterns import Pattern
from gaploft.laminate.plies import (
    PlyBook,
    PlyBookSummary,
    PlyRow,
    cured_thickness_mm,
    filling_notes,
    published_overlaps,
)
from gaploft.patch.loops import border_loops, half_edges
from gaploft.target.lay import Lay
from gaploft.target.split import split_along

Floats = NDArray[np.float64]
Triangles = NDArray[np.int32]

_ROUNDING_MM = 1e-6


def lay_patch_plies(ground: Ground, settings: BedSettings, lay: Lay) -> PlyBook:
    """Work out each single ply from the inside out, and flatten it, as around a tube.

    Parameters
    ----------
    lay : the target's own directions: x of the patterns is the way along it, from which warps are turned

    Raises
    ------
    EvidenceError
        The outermost ply laps onto surface that the scan does not show, the hole is too small to cut cloth
        for, or a ply goes around the part or bends too much to be laid flat in one piece.
    ValueError
        There are no plies.
    """
    each = [ply for ply in settings.plies for _ in range(ply.count)]
    if not each:
        raise ValueError("there are no plies to lay")
    thickness = np.array([cured_thickness_mm(ply) for ply in each])
    points = ground.nodes.points
    wall, coats = ground.wall(points), ground.coats(points)
    reaches = _reaches(settings, thickness, wall)
    _check_room(ground, settings, _reaches(settings, thickness, ground.wall(ground.border[0]))[-1])
    rows, pieces = [], []
    for k, ply in enumerate(each):
        depth = coats + _middle(settings, thickness, wall, k)
        lowered = points - depth[:, None] * ground.nodes.normals
        past = ground.beyond_mm - settings.cut_back_mm - reaches[k]
        found = _patterns(lowered, ground.nodes.faces, past, lay, k + 1)
        least = reaches[k] - (reaches[k - 1] if k else 0.0)
        rows.append(_row(ply, k, found, float(least.min()), float(reaches[k].min())))
        pieces.append(found)
    total, mean_wall = float(thickness.sum()), float(wall.mean())
    summary = PlyBookSummary(
        tuple(rows), len(rows), total, mean_wall, float("nan"), published_overlaps(float(thickness[-1]))
    )
    return PlyBook(summary, filling_notes(total, mean_wall), tuple(pieces))


def _reaches(settings: BedSettings, thickness: Floats, wall: Floats) -> list[Floats]:
    """How far each ply reaches beyond the hole's edge at places whose wall is so thick, (n,) mm each."""
    n, lap = len(thickness), settings.lap_mm
    if settings.step_mm is not None:
        return [np.full(len(wall), settings.step_mm * k + (lap if k == n - 1 else 0.0)) for k in range(n)]
    assert settings.ratio is not None
    tops = settings.ratio * np.cumsum(thickness)
    within = [np.minimum(top, settings.ratio * wall) for top in tops[:-1]]
    return [*within, settings.ratio * wall + lap]


def _middle(settings: BedSettings, thickness: Floats, wall: Floats, k: int) -> Floats:
    """Depth of the middle of a ply below the bare laminate: by steps they are counted from there inwards, by
    ratio from the inner surface outwards, as the bed is."""
    if settings.step_mm is not None:
        return np.full(len(wall), float(thickness[k + 1 :].sum() + 0.5 * thickness[k]))
    return np.asarray(wall - float(thickness[:k].sum() + 0.5 * thickness[k]))


def _check_room(ground: Ground, settings: BedSettings, last: Floats) -> None:
    short = last + settings.cut_back_mm - ground.border[1]
    if len(short) and short.max() > _ROUNDING_MM:
        what = "lap" if settings.lap_mm >= short.max() else "ratio, step or cut back"
        raise EvidenceError(
            f"the outermost ply reaches {short.max():.1f} mm beyond the surface that the scan can be trusted "
            f"for: give a smaller {what}, or scan more of the part"
        )


def _patterns(
    points: Floats, faces: Triangles, past_edge: Floats, lay: Lay, number: int
) -> tuple[Pattern, ...]:
    """Flat patterns of the part of a mesh where a value at its vertices is negative, largest first."""
    split = split_along(np.zeros((len(points), 2)), faces, past_edge, 0.0)
    places, inside = split.carried(points), split.triangles[~split.side]
    if len(inside) == 0:
        raise EvidenceError("the hole is too small to cut a ply for: cut back more")
    edges = half_edges(inside)
    joined = coo_matrix((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(len(places),) * 2)
    label = connected_components(joined, directed=False)[1][inside[:, 0]]
    found = [_pattern(places, inside[label == k], lay, number) for k in np.unique(label)]
    return tuple(sorted(found, key=lambda pattern: -pattern.area_mm2))


def _pattern(points: Floats, faces: Triangles, lay: Lay, number: int) -> Pattern:
    used, numbered = np.unique(faces, return_inverse=True)
    points, faces = points[used], numbered.reshape(-1, 3).astype(np.int32)
    edges = np.unique(np.sort(half_edges(faces), axis=1), axis=0)
    if len(points) - len(edges) + len(faces) != 1:
        raise EvidenceError(
            f"ply {number} goes around the part, or around a hole in it, and can't be laid flat in one "
            "piece: cut it on the bed"
        )
    corner = points[faces]
    lengths = np.linalg.norm(np.roll(corner, -1, axis=1) - np.roll(corner, -2, axis=1), axis=2)
    flat = flatten(faces, lengths, lay.placed(points)[:, :2])
    if flat.n_flipped:
        raise EvidenceError(f"ply {number} bends too much to be laid flat in one piece: cut it on the bed")
    (loop,) = border_loops(faces, len(points))
    return Pattern(
        (flat.places_mm[loop],),
        np.zeros((0, 2, 2)),
        np.zeros((0, 2)),
        flat.area_mm2,
        float(flat.stretch.max()),
    )


def _row(ply: Ply, k: int, found: tuple[Pattern, ...], overlap: float, beyond: float) -> PlyRow:
    length, width = (max(piece.size_mm[axis] for piece in found) for axis in (0, 1))
    return PlyRow(
        ply.name,
        k + 1,
        ply.angle_deg,
        cured_thickness_mm(ply),
        "computed" if ply.thickness_mm is None else "measured",
        ply.areal_weight_g_m2,
        ply.fraction,
        length,
        width,
        sum(piece.area_mm2 for piece in found),
        overlap,
        beyond,
        max(piece.stretch_most for piece in found),
    )
