"""Scan a tube: any surface that can be evaluated becomes a mesh like a structured-light scan.

Everything is seeded; lengths are millimetres. Nothing here knows how a scan is rebuilt.

An intact surface is a function ``evaluate(along_mm, around) -> (points, normals)``: ``along_mm``
runs along the tube, ``around`` is a share of one turn, 0 to 1. Faces come out anticlockwise seen
from outside when ``around`` turns anticlockwise seen along the tube.
"""

from collections.abc import Callable

import numpy as np

from irregular import Faces, Floats, compacted, correlated_noise, unrolled_triangles
from scan_faults import ScanFaults, bosses, broken_open, seen, sticker, with_cap, with_clumps

Evaluate = Callable[[Floats, Floats], tuple[Floats, Floats]]


def scan_like(
    evaluate: Evaluate,
    *,
    length_mm: float,
    perimeter_mm: float,
    gap_mm: tuple[float, float] | None,
    faults: ScanFaults,
    rng: np.random.Generator,
) -> tuple[Floats, Faces]:
    """Scan a broken tube: irregular triangles, noise, gap and faults, in the tube's own frame.

    ``gap_mm`` are the two positions along the tube between which everything is missing.
    ``posed`` and the motion of the far half are the caller's (see :func:`moved_half`).
    """
    along, around, faces = unrolled_triangles(length_mm, perimeter_mm, edge_mm=faults.edge_mm, rng=rng)
    points, normals = evaluate(along, around)
    height = correlated_noise(
        points,
        rms_mm=faults.noise_mm,
        correlation_mm=faults.correlation_mm,
        white_share=faults.white_share,
        rng=rng,
    )
    keep, flank = np.ones(len(points), dtype=bool), np.ones(len(points), dtype=bool)
    if gap_mm is not None:
        keep, damage = broken_open(along, around, gap_mm, faults=faults, rng=rng)
        height += damage
        flank = (along < gap_mm[0] - 15.0) | (along > gap_mm[1] + 15.0)
    height += bosses(points, flank, faults, rng) + sticker(along, around, flank, faults)
    keep &= seen(points, around, flank, faults, rng)
    points = points + height[:, None] * normals
    if faults.closed_end:
        points, normals, faces, keep = with_cap(points, normals, faces, keep, along, around, length_mm, rng)
    faces = faces[keep[faces].all(axis=1)]
    points, faces = with_clumps(points, normals, faces, faults.clumps, rng)
    return compacted(points, faces)
