"""What a person changed by hand on a rebuilt surface, measured against the computed one."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class HandChanges:
    """The changes of one surface; lengths in millimetres, areas in square millimetres.

    Attributes
    ----------
    moved_points : how many points were moved at all
    largest_mm : the longest way a point was moved, in any direction
    normal_mm : (lowest, highest) move along the outward normal; negative is inwards
    area_mm2, share : area of the facets with a moved corner, and its share of the whole surface
    outside_band : how many points of the rebuilt zone left their 95 % band
    beyond_band_mm : how far the worst of them lies outside of it
    seam_step_mm : largest move along the normal on a rim, where computed surface and intact scan met
    overlap_mm : largest move along the normal on the intact overlap
    folded : how many facets were turned over
    """

    moved_points: int
    largest_mm: float
    normal_mm: tuple[float, float]
    area_mm2: float
    share: float
    outside_band: int
    beyond_band_mm: float
    seam_step_mm: float
    overlap_mm: float
    folded: int

    @property
    def changed(self) -> bool:
        """Whether anything was moved."""
        return self.moved_points > 0

    @property
    def sound(self) -> bool:
        """Whether all changes stay inside the band, off the overlap and without folds."""
        return self.outside_band == 0 and self.overlap_mm == 0.0 and self.folded == 0


def hand_changes(
    computed_mm: ArrayLike,
    changed_mm: ArrayLike,
    normals: ArrayLike,
    band95_mm: ArrayLike,
    zone: ArrayLike,
    quads: ArrayLike,
    *,
    still_mm: float | None = None,
) -> HandChanges:
    """Measure a changed surface against the computed one, point by point.

    Parameters
    ----------
    computed_mm, changed_mm : array_like, shape (n, 3), millimetres
        The same points before and after.
    normals : array_like, shape (n, 3)
        Outward unit normals of the computed surface.
    band95_mm : array_like, shape (n,), millimetres
        Half width of the 95 % band along the normal.
    zone : array_like, shape (n,)
        0 intact overlap, 1 rebuilt.
    quads : array_like, shape (k, 4)
        Facets as vertex indices.
    still_mm : float, millimetres, optional
        A point moved by no more than this was not moved. Without it, the rounding of single
        precision at the size of the coordinates, since that is how meshes are kept and edited.

    Returns
    -------
    HandChanges

    Raises
    ------
    ValueError
        The arrays' shapes do not belong together.
    """
    before, after = np.asarray(computed_mm, dtype=np.float64), np.asarray(changed_mm, dtype=np.float64)
    unit, band = np.asarray(normals, dtype=np.float64), np.asarray(band95_mm, dtype=np.float64)
    rebuilt, facets = np.asarray(zone) == 1, np.asarray(quads, dtype=np.int64)
    n = len(before)
    if before.shape != (n, 3) or any(a.shape != (n, 3) for a in (after, unit)) or facets.shape[1:] != (4,):
        raise ValueError(
            f"{before.shape}, {after.shape}, {unit.shape}, {facets.shape}: points or quads do not match"
        )
    if band.shape != (n,) or rebuilt.shape != (n,):
        raise ValueError(
            f"band {band.shape} and zone {rebuilt.shape} must have one value for each of {n} points"
        )
    if still_mm is None:
        still_mm = float(4.0 * np.finfo(np.float32).eps * np.abs(before).max(initial=0.0))

    way = after - before
    length = np.linalg.norm(way, axis=1)
    moved = length > still_mm
    way, length = np.where(moved[:, None], way, 0.0), np.where(moved, length, 0.0)
    outward = np.einsum("ij,ij->i", way, unit)
    beyond = np.where(rebuilt, np.abs(outward) - band, 0.0)
    on_rim = np.unique(rim_edges(facets, rebuilt))
    areas, facing = _facets(after, facets)
    touched = moved[facets].any(axis=1)
    return HandChanges(
        moved_points=int(moved.sum()),
        largest_mm=float(length.max(initial=0.0)),
        normal_mm=(float(outward.min(initial=0.0)), float(outward.max(initial=0.0))),
        area_mm2=float(areas[touched].sum()),
        share=float(areas[touched].sum() / areas.sum()) if touched.any() else 0.0,
        outside_band=int((moved & (beyond > 0.0)).sum()),
        beyond_band_mm=float(beyond[moved].max(initial=0.0)),
        seam_step_mm=float(np.abs(outward[on_rim]).max(initial=0.0)),
        overlap_mm=float(np.abs(outward[~rebuilt]).max(initial=0.0)),
        folded=int((np.einsum("ij,ij->i", facing, unit[facets].mean(axis=1)) < 0.0).sum()),
    )


def rim_edges(quads: ArrayLike, rebuilt: ArrayLike) -> NDArray[np.int64]:
    """Find the edges where rebuilt facets meet facets of the intact overlap.

    Parameters
    ----------
    quads : array_like, shape (k, 4)
        Facets as vertex indices.
    rebuilt : array_like, shape (n,), bool
        True for points of the rebuilt zone. A facet is rebuilt when all of its corners are.

    Returns
    -------
    (m, 2) int64, lower vertex index first, in ascending order
    """
    facets = np.asarray(quads, dtype=np.int64)
    inside = np.asarray(rebuilt, dtype=bool)[facets].all(axis=1)
    edges = np.sort(np.stack([facets, np.roll(facets, -1, axis=1)], axis=2), axis=2).reshape(-1, 2)
    unique, place = np.unique(edges, axis=0, return_inverse=True)
    owner = np.repeat(inside, 4)
    place = place.reshape(-1)
    with_inside = np.bincount(place, weights=owner, minlength=len(unique)) > 0
    with_outside = np.bincount(place, weights=~owner, minlength=len(unique)) > 0
    return np.asarray(unique[with_inside & with_outside])


def _facets(points: Floats, quads: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Areas of the quads and their normals, from the cross product of the diagonals."""
    corner = points[quads]
    cross = 0.5 * np.cross(corner[:, 2] - corner[:, 0], corner[:, 3] - corner[:, 1])
    return np.linalg.norm(cross, axis=1), cross
