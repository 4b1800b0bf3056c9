"""The ring of a tube at a place that somebody points at, from the points around that place alone."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_vector
from gaploft.tube.cloud import Cloud
from gaploft.tube.ring import N_BINS, any_across
from gaploft.tube.seed import LARGEST_RADIUS_MM, SMALLEST_RADIUS_MM, tube_direction
from gaploft.tube.slab import HALF_SLAB, LEAST_POINTS, LINK, Section, completed, linked, middles, section_at

Floats = NDArray[np.float64]

#: The axis is read off a patch once its normals spread so much around the tube (mean square of the sine).
_SPREAD = 0.08
#: Share of its turn from which a ring is whole.
_WHOLE = 0.8
#: Where the place itself has no whole ring, one is looked for up to so far along the tube, mm.
_LOOKED_AT_MM = 25.0
#: Points of an outline as it is drawn.
_N_DRAWN = 144


@dataclass(frozen=True)
class PointedRing:
    """A ring of a tube: centre (3,), unit direction along the tube (3,), closed outline (m, 3), mean radius.

    The direction points to the side of its own largest component.
    """

    centre_mm: Floats
    direction: Floats
    outline_mm: Floats
    radius_mm: float


def ring_at(cloud: Cloud, point_mm: ArrayLike, *, patch_mm: float = LARGEST_RADIUS_MM) -> PointedRing | None:
    """Find the ring of the tube around a place on its surface; None where there is no tube.

    Parameters
    ----------
    point_mm : array_like, shape (3,)
        A place on the surface, as :func:`gaploft.tube.cloud.pointed_at` gives it.
    patch_mm : float
        The axis is read off a patch of this radius at most.

    Notes
    -----
    The normals of a tube lie across it, so the axis is what the normals of a patch avoid; the patch grows
    until they turn enough to show it. A ring is what hangs together in a slab across the axis, so another
    tube close by is none of it. At a ragged rim the nearest whole ring is taken and moved along the axis.
    """
    point = as_vector(point_mm, name="point_mm")
    axis = _local_axis(cloud, point, patch_mm)
    if axis is None:
        return None
    section = _best_section(cloud, point, axis)
    if section is None or not SMALLEST_RADIUS_MM <= section.outline_mm.mean() <= LARGEST_RADIUS_MM:
        return None
    if section.share < _WHOLE:
        section = completed(cloud, section)
        if section is None:
            return None
    return _drawn(section, point)


def _local_axis(cloud: Cloud, point: Floats, patch_mm: float) -> Floats | None:
    """Direction of the tube from a patch around the point; None when all is flat or nothing is there."""
    offset = cloud.points_mm - point
    distance = np.sqrt(np.einsum("ij,ij->i", offset, offset))
    nearest = int(np.argmin(distance))
    if distance[nearest] > LINK * cloud.spacing_mm:
        return None
    reach = max(4.0 * cloud.spacing_mm, 2.0)
    while reach < patch_mm:
        patch = linked(cloud, np.flatnonzero(distance < reach), nearest)
        patch = patch[cloud.normals[patch] @ cloud.normals[nearest] > 0.0]
        if len(patch) >= LEAST_POINTS:
            normals = cloud.normals[patch]
            least, middle, _ = np.linalg.eigvalsh(normals.T @ normals / len(patch))
            if middle > max(_SPREAD, 2.0 * least):
                return tube_direction(normals, np.ones(3))
        reach *= 1.4
    return None


def _best_section(cloud: Cloud, point: Floats, axis: Floats) -> Section | None:
    """The whole section nearest to the point along the tube, else the one that is seen the most of."""
    here = section_at(cloud, point, axis)
    if here is None or here.share >= _WHOLE:
        return here
    best, steps = here, 0
    step = max(2.0 * HALF_SLAB * cloud.spacing_mm, 2.5)
    for way in (axis, -axis):
        place, section = point, here
        for k in range(1, int(_LOOKED_AT_MM / step) + 1):
            ahead = section_at(cloud, place + step * way, axis)
            if ahead is None or (best.share >= _WHOLE and k >= steps):
                break
            section, place = ahead, ahead.place
            if section.share > best.share or section.share >= _WHOLE:
                best, steps = section, k
            if section.share >= _WHOLE:
                break
    return best


def _drawn(section: Section, point: Floats) -> PointedRing:
    """The ring at the station of the point, its outline smooth through the bins."""
    direction, across = section.direction, any_across(section.direction)
    centre = section.centre + float((point - section.centre) @ direction) * direction
    spectrum = np.fft.rfft(section.outline_mm)
    k = np.arange(len(spectrum))
    spectrum *= np.exp(-((2.0 * k / N_BINS) ** 8))
    padded = np.zeros(_N_DRAWN // 2 + 1, dtype=complex)
    padded[: len(spectrum)] = spectrum
    radius = np.fft.irfft(padded, _N_DRAWN) * (_N_DRAWN / N_BINS)
    angle = middles()[0] + np.arange(_N_DRAWN) * (2.0 * np.pi / _N_DRAWN)
    around = np.cos(angle)[:, None] * across + np.sin(angle)[:, None] * np.cross(direction, across)
    upright = direction * np.sign(direction[np.argmax(np.abs(direction))])
    return PointedRing(centre, upright, centre + radius[:, None] * around, float(radius.mean()))
