"""One slab of a tube, read from the points around a place on it, as a closed outline."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from gaploft.errors import EvidenceError
from gaploft.tube.cloud import Cloud
from gaploft.tube.ring import N_BINS, any_across, binned_outline, outline_centre, polar
from gaploft.tube.section_fit import fit_section_circle, fit_section_ellipse
from gaploft.tube.seed import circle_about, tube_direction

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

#: Points belong together up to so many spacings apart, if their normals do not part by more than some 70
#: degrees: the inside of a wall and the tube beside it face the other way.
LINK, _SAME_WAY = 2.6, 0.3
#: Half the thickness of a slab, in spacings.
HALF_SLAB = 2.0
#: Fewer points than this are no piece of tube.
LEAST_POINTS = 12
#: Share of its turn from which a section can be completed at all.
_PARTLY = 0.35


@dataclass(frozen=True)
class Section:
    """Points of a tube in one slab, around a place on it.

    ``outline_mm`` is the distance from the centre by angle, ``covered`` tells where points are.
    """

    own: Indices
    place: Floats
    centre: Floats
    direction: Floats
    outline_mm: Floats
    covered: NDArray[np.bool_]

    @property
    def share(self) -> float:
        return float(self.covered.mean())


def linked(cloud: Cloud, among: Indices, start: int) -> Indices:
    """Those points that hang together with the one to start from, itself among them."""
    pairs = KDTree(cloud.points_mm[among]).query_pairs(LINK * cloud.spacing_mm, output_type="ndarray")
    normals = cloud.normals[among]
    pairs = pairs[np.einsum("ij,ij->i", normals[pairs[:, 0]], normals[pairs[:, 1]]) > _SAME_WAY]
    n = len(among)
    graph = coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    label = connected_components(graph, directed=False)[1]
    belongs = label == label[among == start][0]
    return among.compress(belongs)


def section_at(cloud: Cloud, place: Floats, direction: Floats) -> Section | None:
    """The piece of tube in a slab at a place on it; its own normals set the direction straight."""
    found = None
    offset = cloud.points_mm - place
    for _ in range(3):
        slab = np.flatnonzero(np.abs(offset @ direction) < HALF_SLAB * cloud.spacing_mm)
        distance = np.einsum("ij,ij->i", offset[slab], offset[slab])
        if len(slab) == 0 or distance.min() > (2.0 * LINK * cloud.spacing_mm) ** 2:
            return found
        nearest = int(slab[np.argmin(distance)])
        own = linked(cloud, slab, nearest)
        if len(own) < LEAST_POINTS:
            return found
        found = _about(cloud, own, cloud.points_mm[nearest], direction)
        if found.share < _PARTLY:
            return found
        direction = tube_direction(cloud.normals[own], direction)
    return found


def _about(cloud: Cloud, own: Indices, place: Floats, direction: Floats) -> Section:
    """Outline of some points about the centroid of the area inside it."""
    points, across = cloud.points_mm[own], any_across(direction)
    second = np.cross(direction, across)
    flat, _ = circle_about(np.column_stack([points @ across, points @ second]))
    centre = flat[0] * across + flat[1] * second + float((points @ direction).mean()) * direction
    for _ in range(3):
        _, r, angle = polar(points, centre, direction, across)
        outline, covered = binned_outline(angle, r, np.zeros(N_BINS))
        outline = _filled(outline, covered)
        shift = outline_centre(outline, direction, across)
        centre = centre + shift
    return Section(own, place, centre - shift, direction, outline, covered)


def middles() -> Floats:
    """Angle in the middle of each bin of an outline."""
    return np.asarray((np.arange(N_BINS) + 0.5) * (2.0 * np.pi / N_BINS) - np.pi, dtype=np.float64)


def _filled(outline: Floats, covered: NDArray[np.bool_]) -> Floats:
    """The outline with what lies between its covered bins drawn through."""
    middle = middles()
    return np.asarray(np.interp(middle, middle[covered], outline[covered], period=2.0 * np.pi))


def completed(cloud: Cloud, section: Section) -> Section | None:
    """The section with an ellipse or a circle in the place of its outline; None when too little is seen."""
    if section.share < _PARTLY:
        return None
    across = any_across(section.direction)
    second = np.cross(section.direction, across)
    offset = cloud.points_mm[section.own] - section.centre
    flat = np.column_stack([offset @ across, offset @ second])
    try:
        circle = fit_section_circle(flat)
        ellipse = fit_section_ellipse(flat)
        half_axes, turn, middle = ellipse.half_axes_mm, ellipse.angle_rad, ellipse.centre_mm
        if half_axes[0] > 3.0 * half_axes[1] or half_axes[0] > 2.0 * circle.radius_mm:
            half_axes, turn, middle = np.full(2, circle.radius_mm), 0.0, circle.centre_mm
    except EvidenceError:
        return None
    angle = middles() - turn
    outline = 1.0 / np.hypot(np.cos(angle) / half_axes[0], np.sin(angle) / half_axes[1])
    return replace(
        section, centre=section.centre + middle[0] * across + middle[1] * second, outline_mm=outline
    )
