"""Scan a tube: any surface that can be evaluated becomes a mesh like a structured-light scan.

Everything is seeded; lengths are millimetres. Nothing here knows how a scan is rebuilt.

An intact surface is a function ``evaluate(along_mm, around) -> (points, normals)``: ``along_mm``
runs along the tube, ``around`` is a share of one turn, 0 to 1. Faces come out anticlockwise seen
from outside when ``around`` turns anticlockwise seen along the tube.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from broken_rims import HalfRound, broken_open, half_broken
from end_cap import with_cap
from flank_objects import bosses, cable_stops, stickers
from irregular import Faces, Floats, correlated_noise, unrolled_triangles, vertex_normals
from scan_faults import ScanFaults, seen, with_clumps
from tee import Evaluate, tee

#: No boss, hole or sticker begins nearer to the gap than this (mm).
_CLEAR_OF_GAP_MM = 15.0


@dataclass(frozen=True)
class Scan:
    """A scan in the tube's own frame: ``vertices`` (n, 3), ``faces`` (m, 3).

    With half-round damage ``damaged`` are the numbers of the vertices to mark, and ``damaged_turn``
    the middle and the width of the damaged part as shares of a turn; both None otherwise.
    """

    vertices: Floats
    faces: Faces
    damaged: NDArray[np.int64] | None = None
    damaged_turn: tuple[float, float] | None = None


@dataclass(frozen=True)
class _Intact:
    """What is scanned, before anything is wrong with it; ``own`` are the vertices of the tube itself."""

    points: Floats
    normals: Floats
    faces: Faces
    along: Floats
    around: Floats
    own: NDArray[np.bool_]


def scan_like(
    evaluate: Evaluate,
    *,
    length_mm: float,
    perimeter_mm: float,
    gap_mm: tuple[float, float],
    faults: ScanFaults,
    rng: np.random.Generator,
) -> Scan:
    """Scan a broken tube: irregular triangles, noise, gap and faults, in the tube's own frame.

    ``gap_mm`` are the two positions along the tube between which it is broken. ``posed`` and the
    motion of the far half are the caller's (see :func:`scan_faults.moved_half`).
    """
    if faults.closed_end and faults.junction_mm:
        raise ValueError("a flank that ends in a junction has no end to close")
    intact = _intact(evaluate, length_mm, perimeter_mm, gap_mm, faults, rng)
    points, normals, faces = intact.points, intact.normals, intact.faces
    along, around = intact.along, intact.around
    height = correlated_noise(
        points,
        rms_mm=faults.noise_mm,
        correlation_mm=faults.correlation_mm,
        white_share=faults.white_share,
        rng=rng,
    )
    half = None
    if faults.half_round_deg:
        half = half_broken(along, around, gap_mm, perimeter_mm, faults=faults, rng=rng)
        keep, damage = half.keep, half.height
    else:
        keep, damage = broken_open(along, around, gap_mm, faults=faults, rng=rng)
    sides = (
        intact.own & (along < gap_mm[0] - _CLEAR_OF_GAP_MM),
        intact.own & (along > gap_mm[1] + _CLEAR_OF_GAP_MM),
    )
    flank = sides[0] | sides[1]
    height += damage + bosses(points, flank, faults, rng)
    height += stickers(along, around, sides, faults, rng) + cable_stops(points, along, sides, faults, rng)
    keep &= seen(points, around, flank, faults, rng) | ~intact.own
    points = points + height[:, None] * normals
    if faults.closed_end:
        points, normals, faces, keep = with_cap(points, normals, faces, keep, along, around, length_mm, rng)
    faces = faces[keep[faces].all(axis=1)]
    points, faces = with_clumps(points, normals, faces, faults.clumps, rng)
    return _compacted(points, faces, half)


def _intact(
    evaluate: Evaluate,
    length_mm: float,
    perimeter_mm: float,
    gap_mm: tuple[float, float],
    faults: ScanFaults,
    rng: np.random.Generator,
) -> _Intact:
    """The tube alone, or the tube and the crossing tube that it ends on."""
    if not faults.junction_mm:
        along, around, faces = unrolled_triangles(length_mm, perimeter_mm, edge_mm=faults.edge_mm, rng=rng)
        points, normals = evaluate(along, around)
        return _Intact(points, normals, faces, along, around, np.ones(len(points), dtype=bool))
    flank_end = gap_mm[1] + faults.junction_mm
    skin, axis_mm = tee(
        evaluate, flank_end_mm=flank_end, perimeter_mm=perimeter_mm, edge_mm=faults.edge_mm, rng=rng
    )
    along = np.where(skin.part == 1, axis_mm - skin.along_mm, axis_mm)
    around = np.where(skin.part == 1, -skin.around % 1.0, 0.0)
    own = (skin.part == 1) & (along < flank_end)
    normals = vertex_normals(skin.points, skin.faces)
    normals[own] = evaluate(along[own], around[own])[1]
    return _Intact(skin.points, normals, skin.faces, along, around, own)


def _compacted(points: Floats, faces: Faces, half: HalfRound | None) -> Scan:
    """Drop vertices no face uses, and say which of the others are marked as damaged."""
    index, renumbered = np.unique(faces, return_inverse=True)
    renumbered = renumbered.reshape(-1, 3).astype(np.int32)
    if half is None:
        return Scan(points[index], renumbered)
    # debris and caps come after the tube's own vertices and are never marked
    marked = np.isin(index, np.flatnonzero(half.marked))
    return Scan(points[index], renumbered, np.flatnonzero(marked), (half.centre, half.share))
