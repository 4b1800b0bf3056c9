"""Where a junction is damaged and how: marked outline, dents, tears, a hole, bad rims beyond the outline.

Everything is seeded; lengths are millimetres and run along the surface.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import ndtr

from irregular import correlated_noise
from junction_mesh import Faces, Floats, Mask, Surface, away_from, scattered_on, thinned, ways

#: The outline wavers by so much of its half width, with waves of some 6 mm.
_RAGGED = 0.12
_RAGGED_MM = 6.0
#: Beyond the outline the rim is pushed in or out by so much at most, within so far at most (mm).
_RIM_DEPTH_MM = 0.25
_RIM_MM = 6.0
#: Least distance of the points that errors are measured at (mm).
_PATCH_POINT_MM = 0.5


@dataclass(frozen=True)
class Mark:
    """What is damaged: all from ``island_mm`` to ``half_mm`` away from the points ``source_mm`` (k, 3).

    The hole is what lies deeper inside the outline than a share of the greatest depth there; the share
    wavers from ``hole[0]`` to ``hole[0] + hole[1]``.
    """

    source_mm: Floats
    half_mm: float
    island_mm: float = 0.0
    hole: tuple[float, float] = (0.35, 0.25)


@dataclass(frozen=True)
class Site:
    """One place to be damaged on one outline; ``size_mm`` is the nominal width of the patch.

    The scan reaches ``reach_mm`` past the outline. ``kept_out`` sites only judge the method.
    """

    name: str
    surface: Callable[[], Any]
    mark: Callable[[Any], Mark]
    size_mm: float
    kept_out: bool = False
    edge_mm: float = 0.62
    reach_mm: float = 45.0


@dataclass(frozen=True)
class Damage:
    """What befell each vertex: ``marked``, ``lost`` in the hole, pushed out by ``height_mm``."""

    marked: Mask
    lost: Mask
    height_mm: Floats


def damaged(points: Floats, faces: Faces, mark: Mark, *, rim: str, rng: np.random.Generator) -> Damage:
    """Damage an intact mesh; ``rim`` is ``clean``, ``crushed``, ``bulged`` or ``mixed``."""
    lengths = ways(points, faces)
    away = away_from(lengths, np.unique(cKDTree(points).query(mark.source_mm)[1]))
    # what is random is drawn for the part near the damage alone, and is spread evenly over that part
    near = np.flatnonzero(away < (1.0 + _RAGGED) * mark.half_mm + _RIM_MM)
    local, wave_mm = points[near], max(4.0, 0.5 * mark.half_mm)
    ragged = 1.0 + _RAGGED * (2.0 * lumps(local, _RAGGED_MM, rng) - 1.0)
    marked = np.zeros(len(points), dtype=bool)
    marked[near] = (away[near] < mark.half_mm * ragged) & (away[near] >= mark.island_mm * ragged)
    depth = away_from(lengths, np.flatnonzero(~marked))
    beyond = away_from(lengths, np.flatnonzero(marked))[near]
    share = mark.hole[0] + mark.hole[1] * lumps(local, wave_mm, rng)
    wreck, bad_rim = _wreck(local, depth[near], wave_mm, rng), _rim(local, beyond, rim, wave_mm, rng)
    height, lost = np.zeros(len(points)), np.zeros(len(points), dtype=bool)
    height[near] = np.where(marked[near], wreck, bad_rim)
    lost[near] = marked[near] & (depth[near] > share * depth.max())
    return Damage(marked, lost, height)


def lumps(points: Floats, wave_mm: float, rng: np.random.Generator) -> Floats:
    """A smooth random function of space, evenly spread between 0 and 1."""
    return np.asarray(ndtr(correlated_noise(points, rms_mm=1.0, correlation_mm=wave_mm, rng=rng)))


def _wreck(points: Floats, depth: Floats, wave_mm: float, rng: np.random.Generator) -> Floats:
    """Height inside the outline: dented by 0.5 to 3 mm, in places torn up instead, and splintered."""
    dent = -(0.5 + 2.5 * lumps(points, wave_mm, rng))
    up = np.clip((lumps(points, wave_mm, rng) - 0.6) / 0.2, 0.0, 1.0)
    dent *= 1.0 - 1.6 * up**2 * (3.0 - 2.0 * up)
    return np.asarray(dent * np.clip(depth / 3.0, 0.0, 1.0) + rng.normal(0.0, 0.15, len(points)))


def _rim(points: Floats, beyond: Floats, rim: str, wave_mm: float, rng: np.random.Generator) -> Floats:
    """Height beyond the outline: it dies away within 3 to 6 mm."""
    size, width = lumps(points, wave_mm, rng), lumps(points, wave_mm, rng)
    signs: dict[str, Any] = {"clean": 0.0, "crushed": -1.0, "bulged": 1.0, "mixed": 2.0 * size - 1.0}
    near = np.clip(1.0 - beyond / (_RIM_MM * (0.5 + 0.5 * width)), 0.0, 1.0)
    return np.asarray(signs[rim] * _RIM_DEPTH_MM * (0.5 + 0.5 * size) * near**1.5)


def patch_points(
    surface: Surface, points: Floats, faces: Faces, marked: Mask, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Points (p, 3) spread evenly over the intact surface within the outline, and normals (p, 3)."""
    within = faces[marked[faces].all(axis=1)]
    dense = scattered_on(points, within, 6.0 / _PATCH_POINT_MM**2, rng)
    return surface.project(dense[thinned(dense, _PATCH_POINT_MM)])


def without(faces: Faces, lost: Mask) -> tuple[NDArray[np.int64], Faces]:
    """Take vertices out of a mesh: numbers of those still used, and the faces that are left, renumbered."""
    kept, renumbered = np.unique(faces[~lost[faces].any(axis=1)], return_inverse=True)
    return kept.astype(np.int64), renumbered.reshape(-1, 3).astype(np.int32)
