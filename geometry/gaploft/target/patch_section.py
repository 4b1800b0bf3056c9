"""Sections of a patch: planar cuts across its longest direction, as those of a tube are at its stations."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from gaploft.checks import as_points, as_positive
from gaploft.target.cut import cut_by_plane
from gaploft.target.even_line import even_lines, turning
from gaploft.target.lay import Lay, lay_of
from gaploft.target.section_view import SectionView, slab_around
from gaploft.target.seen import heights_above, median_spacing

Floats = NDArray[np.float64]

#: The plane stays this share of the length within both ends, where there is nothing to be cut.
_WITHIN = 1e-3


@dataclass(frozen=True)
class Slices:
    """A patch to take sections from.

    Attributes
    ----------
    points_mm, normals : (n, 3) of the outer surface
    band95_mm : (n,) half width of the 95 % band
    triangles : (k, 3)
    lay : its own directions; stations run along it, and a section is seen with its outside up
    """

    points_mm: Floats
    normals: Floats
    band95_mm: Floats
    triangles: NDArray[np.int32]
    lay: Lay

    @property
    def length_mm(self) -> float:
        """From the first station to the last."""
        return float(self.lay.spans_mm[0])

    @property
    def radius_mm(self) -> float:
        """Half the width: how large a section is."""
        return 0.5 * float(self.lay.spans_mm[1])


@dataclass(frozen=True)
class PointsOnPatch:
    """Scan points by where they lie on a patch, in the order of their stations.

    Attributes
    ----------
    station_mm : (m,)
    foot_mm, normals : (m, 3) where each lies on the surface, and the outward unit normal there
    height_mm : (m,) positive outside the surface
    spacing_mm : median distance of the points to their nearest neighbour
    """

    station_mm: Floats
    foot_mm: Floats
    normals: Floats
    height_mm: Floats
    spacing_mm: float


def as_slices(
    points_mm: ArrayLike, normals: ArrayLike, band95_mm: ArrayLike, triangles: NDArray[np.int32]
) -> Slices:
    """A patch ready for its sections, from its outer surface. ValueError for arrays that do not match."""
    points, unit = as_points(points_mm, name="points_mm"), as_points(normals, name="normals")
    band = np.asarray(band95_mm, dtype=np.float64)
    if not len(points) == len(unit) == len(band):
        raise ValueError(f"{len(unit)} normals and {len(band)} widths of the band for {len(points)} points")
    return Slices(points, unit, band, triangles, lay_of(points, triangles))


def points_on_patch(
    slices: Slices, points_mm: ArrayLike, *, depth_mm: float, point_normals: ArrayLike | None = None
) -> PointsOnPatch:
    """Where scan points lie on a patch; those beyond ``depth_mm`` or facing inwards are left out."""
    points = as_points(points_mm, name="points_mm")
    facing = None if point_normals is None else as_points(point_normals, name="point_normals")
    if len(points) == 0:
        return PointsOnPatch(np.empty(0), np.empty((0, 3)), np.empty((0, 3)), np.empty(0), 1.0)
    depth = as_positive(depth_mm, name="depth_mm")
    height, nearest = heights_above(slices.points_mm, slices.normals, points, facing, depth_mm=depth)
    station = slices.lay.placed(points)[:, 0] - slices.lay.low_mm[0]
    on = np.flatnonzero(np.isfinite(height) & (station >= 0.0) & (station <= slices.length_mm))
    on = on[np.argsort(station[on], kind="stable")]
    normals = slices.normals[nearest[on]]
    foot = points[on] - height[on, None] * normals
    spacing = median_spacing(cKDTree(points[on], balanced_tree=False, compact_nodes=False))
    return PointsOnPatch(station[on], foot, normals, height[on], spacing)


def cut_slice(
    slices: Slices,
    station_mm: float,
    *,
    exaggeration: float,
    changed_mm: ArrayLike | None = None,
    points: PointsOnPatch | None = None,
    slab_mm: float | None = None,
) -> SectionView:
    """Take the section at a station of a patch.

    Parameters
    ----------
    slices : the surface as computed
    station_mm : along the patch from its first end; held within both
    exaggeration : factor by which deviations along the normal are enlarged
    changed_mm : (n, 3), the same points as changed by hand
    points : scan points on this patch
    slab_mm : as for :func:`gaploft.target.section_view.cut_section`

    Raises
    ------
    ValueError
        Another number of changed points than of points.
    """
    factor = as_positive(exaggeration, name="exaggeration")
    lay = slices.lay
    station = float(np.clip(station_mm, _WITHIN * slices.length_mm, (1.0 - _WITHIN) * slices.length_mm))
    place = lay.middle_mm + (lay.low_mm[0] + station) * lay.ways[0]
    cut = cut_by_plane(slices.points_mm, slices.triangles, place, lay.ways[0])
    known = [slices.points_mm, slices.normals, slices.band95_mm, _by_hand(slices, changed_mm)]
    values, pieces = even_lines(cut, np.column_stack(known))
    line, band, by_hand = values[:, :3], values[:, 6], values[:, 7]
    outline, outward = _in_plane(lay, line), _unit(values[:, 3:6] @ lay.ways[1:].T)
    feet, height = np.empty((0, 2)), np.empty(0)
    if points is not None:
        found = slab_around(points.station_mm, station, points.spacing_mm, slab_mm)
        height = points.height_mm[found]
        ways = _unit(points.normals[found] @ lay.ways[1:].T)
        feet = _in_plane(lay, points.foot_mm[found]) + factor * height[:, None] * ways
    return SectionView(
        station_mm=station,
        exaggeration=factor,
        ring_mm=line,
        outline=outline,
        outward=outward,
        band_low=outline - factor * band[:, None] * outward,
        band_high=outline + factor * band[:, None] * outward,
        changed=outline + factor * by_hand[:, None] * outward,
        points=feet,
        point_height_mm=height,
        curvature=turning(outline, outward, by_hand, pieces),
        pieces=pieces,
        reach_mm=0.5 * float(np.linalg.norm(lay.spans_mm[1:])),
    )


def _in_plane(lay: Lay, points_mm: Floats) -> Floats:
    """Points, (n, 3), in the plane of a section, (n, 2), about the middle of the patch's bounds."""
    return np.asarray(lay.placed(points_mm)[:, 1:] - 0.5 * (lay.low_mm + lay.high_mm)[1:])


def _by_hand(slices: Slices, changed_mm: ArrayLike | None) -> Floats:
    """What the hand moved along the normals, (n,)."""
    if changed_mm is None:
        return np.zeros(len(slices.points_mm))
    changed = np.asarray(changed_mm, dtype=np.float64)
    if changed.shape != slices.points_mm.shape:
        raise ValueError(f"changed_mm must have shape {slices.points_mm.shape}, got {changed.shape}")
    return np.asarray(np.einsum("ij,ij->i", changed - slices.points_mm, slices.normals))


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-12))
