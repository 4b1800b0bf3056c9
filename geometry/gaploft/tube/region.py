"""From damaged points, as marked by hand on the scan, to the damage of a job."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.errors import InputError
from gaploft.job import Damage

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Rounds in which axis, centre and neighbourhood are found from one another.
_ROUNDS = 4


def damage_from_region(
    scan_vertices_mm: ArrayLike, region_mask: ArrayLike, normals: ArrayLike, *, all_round_deg: float = 300.0
) -> Damage:
    """Find the two ends of a damaged region along its tube, and whether it goes all the way round.

    Parameters
    ----------
    scan_vertices_mm : array_like, shape (n, 3), millimetres
        All points of the scan.
    region_mask : array_like, shape (n,), bool
        True for the points marked as damaged.
    normals : array_like, shape (n, 3)
        Unit normals of the scan; their sign does not matter.
    all_round_deg : float, degrees
        A region that covers more of the tube's circumference than this goes all the way round.

    Returns
    -------
    Damage
        Two points near the tube's centreline at the ends of the region; with the marked points as
        ``source_vertices`` when the region is on one side of the tube only. ``from_mm`` is the
        end at the lower coordinate of the axis' largest component.

    Raises
    ------
    ValueError
        The arrays' shapes do not belong together.
    InputError
        Fewer than 3 points are marked, or they have no length along the tube.

    Notes
    -----
    The normals of a tube lie in the plane across it, so the axis is the direction in which they
    vary least: the eigenvector of their covariance with the smallest eigenvalue. Damaged points
    are left out of it where the intact surface around them suffices.
    """
    points = np.asarray(scan_vertices_mm, dtype=np.float64)
    mask = np.asarray(region_mask, dtype=bool)
    unit = np.asarray(normals, dtype=np.float64)
    if (
        points.ndim != 2
        or points.shape[1] != 3
        or unit.shape != points.shape
        or mask.shape != points.shape[:1]
    ):
        raise ValueError(f"points {points.shape}, normals {unit.shape} and mask {mask.shape} do not match")
    count = int(mask.sum())
    if count < 3:
        raise InputError(
            f"{count} damaged points are marked and at least 3 are needed: "
            "mark the damaged area of the tube and try again"
        )

    axis, centre, radius = _local_tube(points, unit, mask)
    along = (points - centre) @ axis
    low, high = float(along[mask].min()), float(along[mask].max())
    if high - low <= 1e-6 * radius:
        raise InputError(
            f"the {count} marked points have no length along the tube: mark the damaged area from end to end"
        )
    ends = [_local_centre(points, mask, along, at, axis, centre, radius) for at in (low, high)]
    all_round = _covered_deg(points[mask], axis, *ends) > all_round_deg
    return Damage(ends[0], ends[1], None if all_round else np.flatnonzero(mask))


def _ball(points: Floats, mask: Mask) -> Mask:
    """The ball around the region, large enough to hold some intact surface, as a mask."""
    box_centre = 0.5 * (points[mask].min(axis=0) + points[mask].max(axis=0))
    distance = np.linalg.norm(points - box_centre, axis=1)
    return np.asarray(distance <= 1.5 * distance[mask].max())


def _local_tube(points: Floats, normals: Floats, mask: Mask) -> tuple[Floats, Floats, float]:
    """Axis direction, a point on the axis and the radius of the tube around the region."""
    use = _ball(points, mask)
    for _ in range(_ROUNDS):
        intact = use & ~mask
        chosen = intact if intact.sum() >= max(30, mask.sum() // 4) else use
        axis = _axis(normals[chosen])
        centre, radius = _circle(points[chosen], axis)
        middle = (points[mask] - centre) @ axis
        centre = centre + 0.5 * (middle.min() + middle.max()) * axis
        offset = points - centre
        along = offset @ axis
        across = np.linalg.norm(offset - along[:, None] * axis, axis=1)
        reach = 0.5 * np.ptp(middle) + radius
        # A tube close by lies outside this shell, however much of it the ball had caught.
        use = mask | ((np.abs(along) <= reach) & (np.abs(across - radius) <= 0.5 * radius))
    return axis, centre, radius


def _axis(normals: Floats) -> Floats:
    """The direction the normals avoid, pointing along its own largest component."""
    direction = np.linalg.eigh(normals.T @ normals)[1][:, 0]
    return np.asarray(direction * np.sign(direction[np.argmax(np.abs(direction))]))


def _circle(points: Floats, axis: Floats) -> tuple[Floats, float]:
    """Centre and radius of the circle that fits the points seen along the axis, by linear least squares."""
    _, _, rows = np.linalg.svd(axis[None, :])
    plane = rows[1:]
    origin = points.mean(axis=0)
    flat = (points - origin) @ plane.T
    size = max(float(np.abs(flat).max()), np.finfo(float).tiny)
    flat = flat / size
    system = np.column_stack([2.0 * flat, np.ones(len(flat))])
    x, y, c = np.linalg.lstsq(system, np.sum(flat**2, axis=1), rcond=None)[0]
    radius = size * float(np.sqrt(max(c + x * x + y * y, 0.0)))
    return origin + size * (np.array([x, y]) @ plane), radius


def _local_centre(
    points: Floats, mask: Mask, along: Floats, at: float, axis: Floats, centre: Floats, radius: float
) -> Floats:
    """The tube's centre where the region ends: a curved tube has left the straight axis there."""
    guess = centre + at * axis
    offset = points - guess
    across = np.linalg.norm(offset - (offset @ axis)[:, None] * axis, axis=1)
    slab = (np.abs(along - at) <= radius) & (across <= 2.0 * radius) & ~mask
    if slab.sum() < 30:
        return guess
    local, _ = _circle(points[slab], axis)
    local = local + (at - (local - centre) @ axis) * axis
    # An arc too short to tell its own centre must not throw the end out of the tube.
    return local if np.linalg.norm(local - guess) <= radius else guess


def _covered_deg(region: Floats, axis: Floats, start: Floats, stop: Floats) -> float:
    """How much of the circumference the region covers: all but the widest free sector, in degrees."""
    share = np.clip((region - start) @ axis / ((stop - start) @ axis), 0.0, 1.0)
    spoke = region - (start + share[:, None] * (stop - start))
    _, _, rows = np.linalg.svd(axis[None, :])
    angle = np.sort(np.arctan2(spoke @ rows[2], spoke @ rows[1]))
    free = np.diff(angle, append=angle[0] + 2.0 * np.pi)
    return float(np.degrees(2.0 * np.pi - free.max()))
