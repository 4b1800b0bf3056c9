"""One tube out of a whole-frame scan, grown from the two damage points."""

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.job import Damage
from gaploft.progress import Progress, silent
from gaploft.scan.model import Scan
from gaploft.tube.around import around_map
from gaploft.tube.damaged import damaged_vertices, gap_between, goes_round, patch_on
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
    if u[-1] < 0.5 * diameter:
        raise InputError(
            f"only {u[-1]:.1f} mm of the tube can be followed in the scan: "
            "scan more of it, in one piece and with its normals outward"
        )
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
    return follow_tube(scan, near, damage, (first_a, first_b), reach_mm=reach, progress=progress)


def follow_tube(
    scan: Scan,
    near: Nearby,
    damage: Damage,
    first: tuple[Ring, Ring],
    *,
    reach_mm: float,
    patience_mm: float = 0.0,
    progress: Progress = silent,
) -> TubePoints:
    """Points of a tube whose first rings on both sides of the damage are known.

    Parameters
    ----------
    near : the points of the scan that the tube is looked for in
    first : rings of the 'from' and of the 'to' side, which point away from each other
    reach_mm : how far each flank is followed at most
    patience_mm : how long a hole in the scan may be that the flanks are followed past
    """
    first_a, first_b = first
    flank_a, flank_b = (
        march(near, ring, length_mm=reach_mm, patience_mm=patience_mm) for ring in (first_a, first_b)
    )
    progress("tube", 0.7)
    spine = _spine(flank_a, flank_b, first_a.radius_mm + first_b.radius_mm)
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
    mask = damaged_vertices(scan, damage)
    gap = gap_between(u, marks)
    between = (u > gap[0]) & (u < gap[1])
    damaged = between if mask is None else mask[near.vertex[index]]
    around = around_map(u[~damaged], angle[~damaged], off[~damaged])
    patch = None
    if mask is not None:
        largest = max(float(ring.outline_mm.max()) for flank in flanks for ring in flank.rings)
        patch = patch_on(scan, mask, spine, around, largest)
        if goes_round(patch[:, 1]):
            patch, damaged = None, between | damaged
            around = around_map(u[~damaged], angle[~damaged], off[~damaged])
        else:
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
