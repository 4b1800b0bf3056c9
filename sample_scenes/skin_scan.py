"""Scan a skin of several tubes, one of them broken; seeded, lengths in mm."""

import numpy as np
from numpy.typing import NDArray

from broken_rims import broken_open
from irregular import Faces, Floats, compacted, correlated_noise, vertex_normals
from junction import Skin
from scan_faults import ScanFaults, with_clumps


def scanned_skin(
    skin: Skin,
    broken_part: int,
    gap_mm: tuple[float, float],
    *,
    faults: ScanFaults,
    rng: np.random.Generator,
) -> tuple[Floats, Faces]:
    """Vertices and faces of what a scanner shows: noise, places unseen, the gap in one tube, debris."""
    normals = vertex_normals(skin.points, skin.faces)
    height = correlated_noise(
        skin.points,
        rms_mm=faults.noise_mm,
        correlation_mm=faults.correlation_mm,
        white_share=faults.white_share,
        rng=rng,
    )
    broken = np.flatnonzero(skin.part == broken_part)
    keep = _seen(skin, broken_part, gap_mm, faults, rng)
    left, damage = broken_open(skin.along_mm[broken], skin.around[broken], gap_mm, faults=faults, rng=rng)
    keep[broken] &= left
    height[broken] += damage
    points = skin.points + height[:, None] * normals
    faces = skin.faces[keep[skin.faces].all(axis=1)]
    return compacted(*with_clumps(points, normals, faces, faults.clumps, rng))


def _seen(
    skin: Skin, broken_part: int, gap_mm: tuple[float, float], faults: ScanFaults, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Which vertices the scanner saw: holes all over, but not on the rim of the gap."""
    seen = np.ones(len(skin.points), dtype=bool)
    low, high = gap_mm[0] - 20.0, gap_mm[1] + 20.0
    on_rim = (skin.part == broken_part) & (skin.along_mm > low) & (skin.along_mm < high)
    for centre in skin.points[rng.choice(np.flatnonzero(~on_rim), faults.holes)]:
        away = np.linalg.norm(skin.points - centre, axis=1)
        seen &= away > 0.5 * faults.hole_mm * rng.uniform(0.6, 1.3)
    return seen
