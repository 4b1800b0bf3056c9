"""A whole tube from one of its rings: both ways to where it ends, where nothing is broken."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from gaploft.errors import InputError
from gaploft.job import Damage
from gaploft.scan.model import Scan
from gaploft.tube.isolate import follow_tube
from gaploft.tube.model import TubePoints
from gaploft.tube.near import sparse_points
from gaploft.tube.pointer import PointedRing
from gaploft.tube.ring import N_BINS, Ring, any_across, bin_of, binned_outline, polar
from gaploft.tube.seed import Nearby

Floats = NDArray[np.float64]

#: The marks of a break that is none lie so far apart, mm.
_HAIR_MM = 1e-3
#: Points of a first ring lie so near to the outline that was seen from one place: share of the radius.
_NEAR_OUTLINE = 0.3
#: Half of the length from which a first ring is read, as a share of the radius.
_HALF_RING = 0.25
#: Holes in the scan are passed that are so long, in radii.
_PATIENCE = 3.0
#: A tube is at least three diameters long, or 40 mm and one diameter.
_LONG_DIAMETERS, _LONG_MM = 3.0, 40.0
#: It has normals across its spine, but for so much of them (rms), and no section so much wider than high.
_LEANING, _WIDEST = 0.22, 6.0
#: From the middle a tube must be followed about as far as from where it was found, or that is kept.
_AS_LONG = 0.98


def tube_through(scan: Scan, near: Nearby, pointed: PointedRing) -> TubePoints | None:
    """Follow the tube of a ring both ways; None where there is no tube of some length.

    It is followed once more from its middle, so that it hardly depends on the place where it was found,
    and in the sense in which the line from its first to its last station runs along its own largest
    component.
    """
    ring = _first_ring(near, pointed)
    found = None if ring is None else _both_ways(scan, near, ring)
    if ring is None or found is None or not _long_enough(found, 0.5):
        return None
    if not _upright(found):
        ring = _turned(ring)
    all_near = _all_around(scan, near, found)
    again = _both_ways(scan, all_near, _middle_ring(found))
    if again is None or length_of(again) < _AS_LONG * length_of(found):
        again = _both_ways(scan, all_near, ring)
    if again is not None and not _upright(again):
        again = _both_ways(scan, all_near, _turned(_middle_ring(again)))
    return again if again is not None and _is_tube(again) else None


def length_of(tube: TubePoints) -> float:
    """Length of a tube along its spine, mm."""
    return tube.flank_mm[1] - tube.flank_mm[0]


def _long_enough(tube: TubePoints, share: float) -> bool:
    """Whether a tube has a share of the length that makes it one."""
    length, diameter = length_of(tube), 2.0 * tube.radius_mm
    return length >= share * min(_LONG_DIAMETERS * diameter, max(_LONG_MM, diameter))


def _is_tube(tube: TubePoints) -> bool:
    """Whether what was followed is long enough, keeps its normals across and is no flat thing."""
    if not _long_enough(tube, 1.0):
        return False
    u, _, off = tube.spine.locate(tube.points_mm)
    lean = np.einsum("ij,ij->i", tube.normals, tube.spine.tangents(u))
    narrow, wide = np.quantile(off, [0.03, 0.97])
    return bool(np.sqrt(np.mean(lean**2)) < _LEANING and wide < _WIDEST * narrow)


def _chord(tube: TubePoints) -> Floats:
    start, stop = tube.spine.points(np.array(tube.flank_mm))
    return np.asarray(stop - start)


def _upright(tube: TubePoints) -> bool:
    """Whether the chord of the tube runs along its own largest component."""
    chord = _chord(tube)
    return bool(chord[np.argmax(np.abs(chord))] >= 0.0)


def _turned(ring: Ring) -> Ring:
    """The ring seen from the other side: its angles run the other way."""
    return replace(
        ring, direction=-ring.direction, outline_mm=ring.outline_mm[::-1], covered=ring.covered[::-1]
    )


def _first_ring(near: Nearby, pointed: PointedRing) -> Ring | None:
    """The ring to start from: the outline that was pointed at, exact where there are points."""
    centre, direction, across = pointed.centre_mm, pointed.direction, any_across(pointed.direction)
    _, r, angle = polar(pointed.outline_mm, centre, direction, across)
    expected, _ = binned_outline(angle, r, np.full(N_BINS, pointed.radius_mm))
    half = max(_HALF_RING * pointed.radius_mm, 2.0 * near.edge_mm)
    slab = np.flatnonzero(np.abs((near.points - centre) @ direction) < half)
    _, r, angle = polar(near.points[slab], centre, direction, across)
    facing = np.cos(angle) * (near.normals[slab] @ across)
    facing += np.sin(angle) * (near.normals[slab] @ np.cross(direction, across))
    limit = expected[bin_of(angle)]
    own = (np.abs(r - limit) < _NEAR_OUTLINE * limit) & (facing > 0.3)
    if own.sum() < N_BINS // 2:
        return None
    outline, covered = binned_outline(angle[own], r[own], expected)
    return Ring(centre, direction, across, outline, covered)


def _middle_ring(tube: TubePoints) -> Ring:
    """The ring half way along a tube, upright if the tube is not."""
    middle = np.array([0.5 * (tube.flank_mm[0] + tube.flank_mm[1])])
    centre, direction = tube.spine.points(middle)[0], tube.spine.tangents(middle)[0]
    across = tube.spine.frames(middle)[0][0]
    slab = np.abs(tube.u - middle[0]) < max(_HALF_RING * tube.radius_mm, 0.01 * length_of(tube))
    _, r, angle = polar(tube.points_mm[slab], centre, direction, across)
    outline, covered = binned_outline(
        angle, r, np.full(N_BINS, np.median(r) if slab.any() else tube.radius_mm)
    )
    ring = Ring(centre, direction, across, outline, covered)
    return ring if _upright(tube) else _turned(ring)


def _both_ways(scan: Scan, near: Nearby, ring: Ring) -> TubePoints | None:
    """The tube on both sides of a ring, none of it damaged; the ring points to the higher stations."""
    half = 0.5 * _HAIR_MM * ring.direction
    reach = 2.0 * float(np.linalg.norm(np.ptp(near.points, axis=0)))
    try:
        damage = Damage(ring.centre - half, ring.centre + half)
        tube = follow_tube(
            scan, near, damage, (_turned(ring), ring), reach_mm=reach, patience_mm=_PATIENCE * ring.radius_mm
        )
    except InputError:
        return None
    middle = float(np.mean(tube.gap_mm))
    return replace(tube, damaged=np.zeros(len(tube.u), dtype=bool), gap_mm=(middle, middle))


def _all_around(scan: Scan, near: Nearby, tube: TubePoints) -> Nearby:
    """All points of the scan around a tube, where a large scan had to be thinned to find it."""
    if len(near.points) == len(scan.vertices_mm):
        return near
    room = 2.0 * near.edge_mm + tube.radius_mm
    low, high = tube.points_mm.min(axis=0) - room, tube.points_mm.max(axis=0) + room
    keep = ((scan.vertices_mm > low) & (scan.vertices_mm < high)).all(axis=1)
    index = np.flatnonzero(keep)
    distance = KDTree(tube.points_mm).query(scan.vertices_mm[index], distance_upper_bound=room)[0]
    keep[index[~np.isfinite(distance)]] = False
    thinner = float(np.sqrt(len(near.points) / len(scan.vertices_mm)))
    return sparse_points(scan, keep, near.edge_mm * thinner)
