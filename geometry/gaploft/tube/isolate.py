"""One tube out of a whole-frame scan, grown from the two damage points."""

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.job import Damage
from gaploft.progress import Progress, silent
from gaploft.scan.model import Scan
from gaploft.tube.around import AroundMap, around_map
from gaploft.tube.march import Flank, march, march_back
from gaploft.tube.model import TubePoints
from gaploft.tube.near import distance_from_segment, scan_near, seed_reach, sparse_points
from gaploft.tube.ring import Ring
from gaploft.tube.seed import Nearby, seed_ring
from gaploft.tube.spine import Spine, fit_spine

#: How far the flanks are followed: this many gap lengths, at least this many diameters and mm.
_FLANK_GAPS, _FLANK_DIAMETERS, _FLANK_MM = 2.0, 5.0, 110.0
_LONGEST_FLANK_MM = 1500.0


def _check_one_tube(first_a: Ring, first_b: Ring) -> None:
    a, b = first_a.radius_mm, first_b.radius_mm
    if max(a, b) > 1.8 * min(a, b):
        raise InputError(
            f"the damage points lie in two different tubes (diameters {2 * a:.1f} and {2 * b:.1f} mm): "
            "put both on the broken tube"
        )


def _spine(flank_a: Flank, flank_b: Flank, diameter: float) -> Spine:
    """Spine through the rings of both flanks and across the gap."""
    centres_a, centres_b = flank_a.centres[::-1], flank_b.centres
    steps_a = np.linalg.norm(np.diff(centres_a, axis=0), axis=1)
    steps_b = np.linalg.norm(np.diff(centres_b, axis=0), axis=1)
    chord = float(np.linalg.norm(centres_b[0] - centres_a[-1]))
    cosine = float(np.clip(flank_b.rings[0].direction @ -flank_a.rings[0].direction, -1.0, 1.0))
    half = np.arccos(cosine) / 2.0
    # Length of the arc over a chord whose end directions differ by this angle.
    arc = chord * (half / np.sin(half) if half > 1e-6 else 1.0)
    u = np.cumsum(np.concatenate([[0.0], steps_a, [arc], steps_b]))
    keep = np.concatenate([[True], np.diff(u) > 1e-6])
    centres = np.concatenate([centres_a, centres_b])
    return fit_spine(u[keep], centres[keep], knot_mm=0.7 * diameter, smooth_mm=1.6 * diameter)


def isolate_tube(scan: Scan, damage: Damage, *, progress: Progress = silent) -> TubePoints:
    """Points of the damaged tube, grown along it both ways from the damage points.

    Parameters
    ----------
    scan : mended scan, mm
    damage : marks in the scan's frame, mm

    Raises
    ------
    InputError
        No tube lies around a mark, the marks lie in two tubes, or a damaged vertex does not exist.
    """
    length = float(np.linalg.norm(damage.to_mm - damage.from_mm))
    distance = distance_from_segment(scan.vertices_mm, damage.from_mm, damage.to_mm)
    (first_a, first_b), edge_mm = _first_rings(scan, damage, distance)
    progress("tube", 0.2)
    diameter = first_a.radius_mm + first_b.radius_mm
    reach = min(max(_FLANK_GAPS * length, _FLANK_DIAMETERS * diameter, _FLANK_MM), _LONGEST_FLANK_MM)
    near = sparse_points(scan, distance < 1.2 * reach + 2.0 * diameter, edge_mm)
    flank_a, flank_b = march(near, first_a, length_mm=reach), march(near, first_b, length_mm=reach)
    progress("tube", 0.7)
    spine = _spine(flank_a, flank_b, diameter)
    marks = spine.locate(np.array([damage.from_mm, damage.to_mm]))[0]
    inner = spine.locate(np.array([first_a.centre, first_b.centre]))[0]
    back = [
        march_back(near, ring, length_mm=abs(float(at - mark)))
        for ring, at, mark in zip((first_a, first_b), inner, marks, strict=True)
    ]
    index = np.unique(np.concatenate([flank_a.points, flank_b.points, *back]))
    return _tube_points(scan, damage, near, index, spine, marks, (flank_a, flank_b))


def _first_rings(
    scan: Scan, damage: Damage, distance: NDArray[np.float64]
) -> tuple[tuple[Ring, Ring], float]:
    """The whole rings nearest to both marks, and the usual length of an edge near them."""
    axis = (damage.to_mm - damage.from_mm) / np.linalg.norm(damage.to_mm - damage.from_mm)
    seed_mm = seed_reach(scan, damage)
    near = scan_near(scan, distance < seed_mm)
    if len(near.points) < 100:
        raise InputError(
            f"only {len(near.points)} scan points lie within {seed_mm:.0f} mm of the damage points: "
            "check that the points are in the scan's own frame and unit"
        )
    rings = seed_ring(near, damage.from_mm, -axis, "from"), seed_ring(near, damage.to_mm, axis, "to")
    _check_one_tube(*rings)
    return rings, near.edge_mm


def _damaged_vertices(scan: Scan, damage: Damage) -> NDArray[np.bool_] | None:
    """Mask over the scan's vertices of the one-sided damage; None when it goes all the way round."""
    if damage.source_vertices is None:
        return None
    n_source = len(scan.vertex_of_source)
    beyond = (damage.source_vertices < 0) | (damage.source_vertices >= n_source)
    if beyond.any():
        raise InputError(
            f"damaged vertex {int(damage.source_vertices[beyond][0])} is not in the scan, which has "
            f"{n_source} vertices numbered from 0: write the mask from this scan file"
        )
    mask = np.zeros(len(scan.vertices_mm), dtype=bool)
    index = scan.vertex_of_source[damage.source_vertices]
    mask[index[index >= 0]] = True
    return mask


def _gap_between(u: NDArray[np.float64], marks: NDArray[np.float64]) -> tuple[float, float]:
    """The marked gap, drawn out to where the scan of the tube begins again if the marks lie within it."""
    found = []
    for side, mark in ((-1.0, marks[0]), (1.0, marks[1])):
        beyond = side * (u - mark)
        count = np.bincount(beyond[beyond >= 0.0].astype(int))
        begun = count >= 0.4 * np.median(count) if len(count) else count > 0
        first = int(np.argmax(begun)) if begun.any() else 0
        found.append(float(mark + side * first))
    return found[0], found[1]


def _patch(
    scan: Scan, mask: NDArray[np.bool_], spine: Spine, around: AroundMap, largest_mm: float
) -> NDArray[np.float64]:
    """Station and angle of the damaged vertices, wherever the damage has left them."""
    u, angle, radius = spine.locate(scan.vertices_mm[mask])
    on = (u > spine.start_mm) & (u < spine.stop_mm) & (radius < 1.3 * largest_mm)
    if not on.any():
        raise InputError(
            "none of the damaged vertices lie on the tube at the damage points: mark the damage on this tube"
        )
    return np.column_stack([u[on], around(angle[on])])


def _tube_points(
    scan: Scan,
    damage: Damage,
    near: Nearby,
    index: NDArray[np.int64],
    spine: Spine,
    marks: NDArray[np.float64],
    flanks: tuple[Flank, Flank],
) -> TubePoints:
    """Everything known of the points, with their parameters about the spine."""
    u, angle, off = spine.locate(near.points[index])
    inside = (u > spine.start_mm) & (u < spine.stop_mm)
    index, u, angle, off = index[inside], u[inside], angle[inside], off[inside]
    mask = _damaged_vertices(scan, damage)
    gap = _gap_between(u, marks)
    damaged = (u > gap[0]) & (u < gap[1]) if mask is None else mask[near.vertex[index]]
    around = around_map(u[~damaged], angle[~damaged], off[~damaged])
    patch = None
    if mask is not None:
        largest = max(float(ring.outline_mm.max()) for flank in flanks for ring in flank.rings)
        patch = _patch(scan, mask, spine, around, largest)
        gap = (float(patch[:, 0].min()), float(patch[:, 0].max()))
    radius = (flanks[0].rings[0].radius_mm + flanks[1].rings[0].radius_mm) / 2.0
    return TubePoints(
        points_mm=near.points[index],
        normals=near.normals[index],
        u=u,
        v=around(angle),
        damaged=damaged,
        gap_mm=gap,
        flank_mm=(spine.start_mm, spine.stop_mm),
        stopped_by=(flanks[0].stopped_by, flanks[1].stopped_by),
        radius_mm=radius,
        tightest_mm=radius * around.tightest,
        patch=patch,
        spine=spine,
    )
