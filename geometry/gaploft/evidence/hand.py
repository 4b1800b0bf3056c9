"""What a person changed by hand on a rebuilt surface, measured against the computed one."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.evidence.hand_moves import beyond_band, moves
from gaploft.evidence.rim import as_facets, corner_areas, facet_normals, rim_edges
from gaploft.evidence.verdict import SEAM_ANGLE_DEG, SEAM_STEP_MM

Floats = NDArray[np.float64]

#: Sizes of change whose areas are told, mm: up to twice the tolerance of a rebuild.
SIZES_MM = (0.01, 0.02, 0.05, 0.1)


@dataclass(frozen=True)
class HandChanges:
    """The changes of one surface; lengths in millimetres, areas in square millimetres.

    Attributes
    ----------
    moved_points : how many points were moved at all
    largest_mm : the longest way a point was moved, in any direction
    normal_mm : (lowest, highest) move along the outward normal; negative is inwards
    mean_mm : mean size of the moves along the normal over all that was moved, each point by its area
    area_mm2, share : area of the facets with a moved corner, and its share of the whole surface
    area_over : pairs (mm, mm²): the area that was moved further than so along the normal
    outside_band : how many points of the rebuilt zone left their 95 % band
    beyond_band_mm : how far the worst of them lies outside of it
    seam_step_mm : largest move along the normal on a rim, where computed surface and intact scan met
    seam_angle_deg : largest turn of a facet beside a rim
    seam_holds : whether step and angle at the seam, with what the computed surface had, are within the
        tolerance of the verdict; true when nothing was moved there
    overlap_mm : largest move along the normal on the intact overlap
    folded : how many facets were turned over or have shrunk to nothing
    """

    moved_points: int
    largest_mm: float
    normal_mm: tuple[float, float]
    mean_mm: float
    area_mm2: float
    share: float
    area_over: tuple[tuple[float, float], ...]
    outside_band: int
    beyond_band_mm: float
    seam_step_mm: float
    seam_angle_deg: float
    seam_holds: bool
    overlap_mm: float
    folded: int

    @property
    def changed(self) -> bool:
        """Whether anything was moved."""
        return self.moved_points > 0

    @property
    def sound(self) -> bool:
        """Whether all changes stay inside the band, off the overlap and without folds, and seams hold."""
        return self.seam_holds and self.outside_band == 0 and self.overlap_mm == 0.0 and self.folded == 0


def hand_changes(
    computed_mm: ArrayLike,
    changed_mm: ArrayLike,
    normals: ArrayLike,
    band95_mm: ArrayLike,
    zone: ArrayLike,
    facets: ArrayLike,
    *,
    still_mm: float | None = None,
    seam: tuple[float, float] = (0.0, 0.0),
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
    facets : array_like, shape (k, 4) or (k, 3)
        Quads or triangles as vertex indices; nothing else is asked of the mesh.
    still_mm : float, millimetres, optional
        As in :func:`gaploft.evidence.hand_moves.moves`.
    seam : (step in mm, angle in degrees)
        What the seam of the computed surface has already. At worst the hand adds to it.

    Returns
    -------
    HandChanges

    Raises
    ------
    ValueError
        The arrays' shapes do not belong together.
    """
    found = moves(computed_mm, changed_mm, normals, still_mm=still_mm)
    beyond = beyond_band(found, band95_mm, zone)
    before, unit = np.asarray(computed_mm, dtype=np.float64), np.asarray(normals, dtype=np.float64)
    rebuilt, corners = np.asarray(zone) == 1, as_facets(facets)
    moved, outward = found.moved, found.outward_mm
    facing = facet_normals(before + found.way_mm, corners)
    areas = np.linalg.norm(facing, axis=1)
    touched = moved[corners].any(axis=1)
    at_corners = corner_areas(areas, corners, len(before))
    moved_area = float(at_corners[moved].sum())
    step, angle = _at_seam(before, facing, outward, rebuilt, corners)
    return HandChanges(
        moved_points=int(moved.sum()),
        largest_mm=float(np.linalg.norm(found.way_mm, axis=1).max(initial=0.0)),
        normal_mm=(float(outward.min(initial=0.0)), float(outward.max(initial=0.0))),
        mean_mm=float(np.abs(outward) @ at_corners) / moved_area if moved_area > 0.0 else 0.0,
        area_mm2=float(areas[touched].sum()),
        share=float(areas[touched].sum() / areas.sum()) if touched.any() else 0.0,
        area_over=tuple((size, float(at_corners[np.abs(outward) > size].sum())) for size in SIZES_MM),
        outside_band=int((beyond > 0.0).sum()),
        beyond_band_mm=float(beyond.max(initial=0.0)),
        seam_step_mm=step,
        seam_angle_deg=angle,
        seam_holds=(step == 0.0 and angle == 0.0)
        or (step + seam[0] <= SEAM_STEP_MM and angle + seam[1] <= SEAM_ANGLE_DEG),
        overlap_mm=float(np.abs(outward[~rebuilt]).max(initial=0.0)),
        folded=int((np.einsum("ij,ij->i", facing, unit[corners].mean(axis=1)) <= 0.0).sum()),
    )


def _at_seam(
    before: Floats,
    facing: Floats,
    outward: Floats,
    rebuilt: NDArray[np.bool_],
    facets: NDArray[np.int64],
) -> tuple[float, float]:
    """Largest move along the normal on a rim, mm, and largest turn of a facet beside one, degrees."""
    on_rim = np.zeros(len(before), dtype=bool)
    on_rim[rim_edges(facets, rebuilt)] = True
    beside = on_rim[facets].any(axis=1)
    then, now = facet_normals(before, facets[beside]), facing[beside]
    sine, cosine = np.linalg.norm(np.cross(then, now), axis=1), np.einsum("ij,ij->i", then, now)
    turn = np.degrees(np.arctan2(sine, cosine))
    step = float(np.abs(outward[on_rim]).max(initial=0.0))
    return step, float(turn.max(initial=0.0))
