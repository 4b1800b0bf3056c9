"""The first ring: finding the tube that a damage point lies in."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from gaploft.errors import InputError
from gaploft.tube.ring import N_BINS, Ring, any_across, bin_of, binned_outline, outline_centre, polar

#: Tube diameters outside this range are not looked for, mm (common practice, no source).
SMALLEST_RADIUS_MM, LARGEST_RADIUS_MM = 3.0, 250.0

#: A ring is one when it covers this share of its turn.
_SHARE_OF_RING = 0.6

#: Distances from a damage point at which a whole ring is looked for, mm: the rim is often crushed.
_LOOKED_AT_MM = (3.0, 6.0, 10.0, 15.0, 22.0, 30.0, 40.0)


@dataclass(frozen=True)
class Nearby:
    """The part of a scan near the damage: points, normals and the faces that join them.

    ``vertex`` is the number of each point in the scan, ``edge_mm`` the usual length of an edge.
    """

    points: NDArray[np.float64]
    normals: NDArray[np.float64]
    faces: NDArray[np.int32]
    vertex: NDArray[np.int64]
    edge_mm: float


def ring_candidates(near: Nearby, in_slab: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Connected pieces of the scan within a slab, as arrays of point indices."""
    face_inside = in_slab[near.faces].all(axis=1)
    faces = near.faces[face_inside]
    edges = np.concatenate([faces[:, :2], faces[:, 1:]])
    n = len(near.points)
    graph = coo_array((np.ones(len(edges), dtype=np.int8), (edges[:, 0], edges[:, 1])), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    inside = np.flatnonzero(in_slab)
    order = inside[np.argsort(label[inside], kind="stable")]
    cuts = np.flatnonzero(np.diff(label[order])) + 1
    return [piece for piece in np.split(order, cuts) if len(piece) >= 12]


def circle_about(points_2d: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Centre and radius of the algebraic circle through points (Kasa 1976), good enough to start from."""
    mean = points_2d.mean(axis=0)
    q = points_2d - mean
    system = np.column_stack([2.0 * q, np.ones(len(q))])
    solution = np.linalg.lstsq(system, (q * q).sum(1), rcond=None)[0]
    radius = float(np.sqrt(max(solution[2] + solution[:2] @ solution[:2], 0.0)))
    return solution[:2] + mean, radius


def tube_direction(normals: NDArray[np.float64], guess: NDArray[np.float64]) -> NDArray[np.float64]:
    """Direction most at right angles to all normals, turned to the side of the guess."""
    _, vectors = np.linalg.eigh(normals.T @ normals)
    direction = vectors[:, 0]
    return direction if direction @ guess >= 0.0 else -direction


def _ring_from_piece(
    near: Nearby, piece: NDArray[np.int64], mark: NDArray[np.float64], direction: NDArray[np.float64]
) -> tuple[float, Ring] | None:
    """Ring through a piece of scan, and how far the mark lies from its centre in radii; None: no ring."""
    across = any_across(direction)
    second = np.cross(direction, across)
    plane = np.column_stack([(near.points[piece] - mark) @ across, (near.points[piece] - mark) @ second])
    centre_2d, radius = circle_about(plane)
    if not SMALLEST_RADIUS_MM <= radius <= LARGEST_RADIUS_MM:
        return None
    along = ((near.points[piece] - mark) @ direction).mean()
    centre = mark + centre_2d[0] * across + centre_2d[1] * second + along * direction
    for _ in range(2):
        _, r, angle = polar(near.points[piece], centre, direction, across)
        outline, covered = binned_outline(angle, r, np.full(N_BINS, np.median(r)))
        centre = centre + outline_centre(outline, direction, across)
    _, r, angle = polar(near.points[piece], centre, direction, across)
    outline, covered = binned_outline(angle, r, np.full(N_BINS, np.median(r)))
    spread = np.cos(angle)[:, None] * across + np.sin(angle)[:, None] * second
    outward = ((near.normals[piece] * spread).sum(1) > 0.3).mean()
    if covered.mean() < _SHARE_OF_RING or outward < 0.6:
        return None
    off = float(np.hypot(*centre_2d)) / float(outline.mean())
    return off, Ring(centre, direction, across, outline, covered)


def _recentred(near: Nearby, ring: Ring) -> Ring:
    """The ring again, at right angles to the tube, from the points a radius long around it."""
    direction, centre, across = ring.direction, ring.centre, ring.across
    outline = ring.outline_mm
    for _ in range(4):
        along = (near.points - centre) @ direction
        slab = np.flatnonzero(np.abs(along) < 0.4 * outline.mean())
        _, r, angle = polar(near.points[slab], centre, direction, across)
        normals = near.normals[slab]
        facing = np.cos(angle) * (normals @ across) + np.sin(angle) * (normals @ np.cross(direction, across))
        limit = outline[bin_of(angle)]
        own = slab[(np.abs(r - limit) < 0.3 * limit) & (facing > 0.4)]
        if len(own) < 30:
            return ring
        direction = tube_direction(near.normals[own], direction)
        across = any_across(direction)
        along, r, angle = polar(near.points[own], centre, direction, across)
        outline, covered = binned_outline(angle, r, np.full(N_BINS, np.median(r)))
        centre = centre + outline_centre(outline, direction, across)
    return Ring(centre, direction, across, outline, covered)


def seed_ring(near: Nearby, mark: NDArray[np.float64], outward: NDArray[np.float64], name: str) -> Ring:
    """The first whole ring of the tube that a damage mark lies in.

    Parameters
    ----------
    near : the scan near the damage
    mark : (3,) damage point, within about a tube radius of the centreline
    outward : (3,) unit vector from the damage into the flank
    name : what to call the mark in a refusal

    Raises
    ------
    InputError
        No ring of a tube lies around the mark or further out.
    """
    along = (near.points - mark) @ outward
    for middle in _LOOKED_AT_MM:
        half = max(0.1 * middle, 1.5, 1.5 * near.edge_mm)
        pieces = ring_candidates(near, np.abs(along - middle) < half)
        found = [_ring_from_piece(near, piece, mark, outward) for piece in pieces]
        rings = sorted(
            (pair for pair in found if pair is not None and pair[0] < 1.5), key=lambda pair: pair[0]
        )
        if rings:
            return _recentred(near, rings[0][1])
    raise InputError(
        f"no tube was found around the damage point '{name}' "
        f"({mark[0]:.1f}, {mark[1]:.1f}, {mark[2]:.1f} mm): "
        "give a point near the tube's centreline at that end of the damage, in the scan's own frame and unit"
    )
