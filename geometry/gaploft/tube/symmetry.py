"""The mirror plane of a frame: where the whole scan lies best over its own reflection."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_vector
from gaploft.scan.mirrored import as_unit
from gaploft.scan.model import Scan
from gaploft.tube.guessed import guess_planes
from gaploft.tube.overlaid import Pairs, Plane
from gaploft.tube.robust import BLOCK_MM, TUKEY, blocks, sandwich

__all__ = ["MirrorPlane", "find_plane", "guess_planes"]

Floats = NDArray[np.float64]

#: Partners lie so near (mm) at first and at last, and the limit shrinks by this.
_FIRST_MM, _LAST_MM, _SHRINK = 12.0, 1.0, 0.75
#: Turns of the loop at most, and the step (mm at the rim of the scan) at which nothing moves any more.
_TURNS, _STILL_MM = 80, 1e-5
#: A scan differs from its reflection over lengths of parts, not of noise: side of the blocks that are taken
#: as one for the uncertainty, mm.
_PART_MM = 30.0


@dataclass(frozen=True)
class MirrorPlane:
    """A plane in which a scan is its own mirror image.

    Attributes
    ----------
    point_mm : (3,) the point of the plane nearest to the middle of what has a partner
    normal : (3,) unit, to the side of its own largest component
    rms_mm : what is left between the scan and its reflection, robust
    share : share of the scan that has a partner on the other side
    u_deg, u_mm : standard uncertainty of the normal's direction (its worst one) and of the plane's place at
        ``point_mm`` along the normal
    """

    point_mm: Floats
    normal: Floats
    rms_mm: float
    share: float
    u_deg: float
    u_mm: float


def find_plane(scan: Scan, guess_point: ArrayLike, guess_normal: ArrayLike) -> MirrorPlane:
    """Refine a guessed mirror plane until the scan lies best over its own reflection.

    Parameters
    ----------
    scan : mended scan, mm, of both sides
    guess_point, guess_normal : array_like, shape (3,)
        A plane that reflects each side to within some 10 mm of the other.

    Raises
    ------
    InputError
        Too little of the scan has a partner on the other side.

    Notes
    -----
    Three unknowns, two turns and a shift, by Gauss-Newton steps on the distances of reflected points from
    their nearest scan points along the mean of both normals [1]_, with Tukey's weights: cables, damage and
    all that one side has alone drops out. Uncertainties are those of blocks of 30 mm that are independent;
    a point and its partner are in one block. They know nothing of a side that as a whole lies elsewhere
    than the other's mirror image; ``rms_mm`` shows that.

    References
    ----------
    .. [1] S. Rusinkiewicz, "A symmetric objective function for ICP", ACM Transactions on Graphics 38(4),
       2019 (cited from memory).
    """
    point, normal = as_vector(guess_point, name="guess_point"), as_unit(guess_normal)
    pairs = Pairs(scan)
    plane = Plane(pairs.middle - float((pairs.middle - point) @ normal) * normal, normal)
    limit = _FIRST_MM
    for _ in range(_TURNS):
        settling = limit <= _LAST_MM
        # At first all pairs have their say: most may fit already, such as those of a tube along the normal,
        # and those that still tell where the plane lies must not pass for what one side has alone.
        step = pairs.under(plane, limit).step(0.0 if settling else limit / TUKEY)
        plane = plane.moved(step, pairs.lever_mm)
        if settling and float(np.abs(step).max()) < _STILL_MM:
            break
        limit = max(_SHRINK * limit, _LAST_MM)
    return _told(pairs, plane, limit)


def _told(pairs: Pairs, plane: Plane, limit: float) -> MirrorPlane:
    """The plane with how well it fits, about the middle of what has a partner."""
    seen = pairs.under(plane, limit)
    middle = np.average(pairs.points[seen.which], axis=0, weights=seen.weight())
    plane = Plane(middle - float((middle - plane.point) @ plane.normal) * plane.normal, plane.normal)
    seen = pairs.under(plane, limit)
    weight, kept = seen.weight(), pairs.points[seen.which]
    # Partners fold onto one another.
    height = (kept - plane.point) @ plane.normal
    folded = kept - np.minimum(height, 0.0)[:, None] * 2.0 * plane.normal
    covariance = sandwich(seen.columns, seen.residual, seen.scale, blocks(folded * (BLOCK_MM / _PART_MM)))
    upright = plane.normal * np.sign(plane.normal[np.argmax(np.abs(plane.normal))])
    return MirrorPlane(
        point_mm=plane.point,
        normal=upright,
        rms_mm=float(np.sqrt((weight * seen.residual**2).sum() / weight.sum())),
        share=float((weight > 0.0).sum() / len(pairs.points)),
        u_deg=float(np.degrees(np.sqrt(np.linalg.eigvalsh(covariance[1:, 1:])[-1]) / pairs.lever_mm)),
        u_mm=float(np.sqrt(covariance[0, 0])),
    )
