"""One fixture sphere in a scan: its points apart from walls close by, and where its centre lies."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.errors import InputError

Floats = NDArray[np.float64]

#: Tukey's biweight at 95 % efficiency, and what makes a median of absolute residuals a deviation.
_TUKEY, _MAD = 4.685, 1.4826
_FEWEST = 30
#: A point is left out when more than this share of those around it lie off the sphere.
_OTHERS, _COUNTED = 0.15, 20_000
_STEPS, _SCALED = 100, 10
#: Rings of this width and reach, in radii, tell correlated noise from independent, with so many points.
_RING, _FAR, _PAIRED = 0.05, 0.6, 2000


@dataclass(frozen=True)
class FittedSphere:
    """A sphere as the scan shows it.

    Attributes
    ----------
    centre_mm, radius_mm : in the scan's frame
    rms_mm : root mean square distance of its points from it
    points : how many scan points it rests on
    covariance_mm2 : (3, 3) of the centre
    radius_u_mm : standard uncertainty of the radius
    """

    centre_mm: Floats
    radius_mm: float
    rms_mm: float
    points: int
    covariance_mm2: Floats
    radius_u_mm: float

    @property
    def u_mm(self) -> float:
        """Standard uncertainty of the centre in its worst direction."""
        return float(np.sqrt(np.linalg.eigvalsh(self.covariance_mm2)[-1]))


def fit_sphere(near_mm: Floats, centre_mm: Floats, radius_mm: float, *, name: str) -> FittedSphere:
    """Fit the sphere that a start is close to, to those of the points that are its own.

    Parameters
    ----------
    near_mm : (n, 3) scan points around it, other walls among them
    centre_mm, radius_mm : start, off by less than a tenth of the radius
    name : of the sphere, for sentences

    Raises
    ------
    InputError
        Too few of the points lie on a sphere there, or so little of it that the fit is lost.

    Notes
    -----
    Least squares of orthogonal distances by Gauss-Newton steps [1]_ with Tukey's weights; their scale is the
    median of the points at hand. Points beside others that do not lie on the sphere are left out first: there
    a stem, a foot or glue begins, whose first points are too close to it to be told by distance. The
    covariance is that of an M-estimator [2]_, times what correlation of the noise adds: intervals of 95 %
    hold that often while it reaches over a tenth of the radius, and some 90 % over a fifth, where little is
    left that is independent.

    References
    ----------
    .. [1] C. M. Shakarji, "Least-squares fitting algorithms of the NIST Algorithm Testing System", Journal of
       Research of NIST 103, 1998, pp. 633-641 (from memory).
    .. [2] P. J. Huber, Robust Statistics, 1981, section 7.6 (from memory).
    """
    own = near_mm
    centre, radius = centre_mm, radius_mm
    for gate in (0.10 * radius_mm, 0.05 * radius_mm, 0.0):
        own = _own_points(near_mm, centre, radius, gate, name)
        centre, radius, scale = _settled(own, centre, radius, name)
    return _described(own, centre, radius, scale, name)


def _own_points(near: Floats, centre: Floats, radius: float, gate: float, name: str) -> Floats:
    """Points within the gate and not among points outside of it; gate 0 takes it from the noise."""
    off = np.abs(np.linalg.norm(near - centre, axis=1) - radius)
    if gate == 0.0:
        gate = 2.0 * _TUKEY * _MAD * float(np.median(off[off < 0.05 * radius]))
    inside = off < gate
    # A flat wall that touches the sphere stays within the gate as far as this from where it touches.
    beside = min(1.2 * float(np.sqrt(2.0 * gate * radius)), 0.25 * radius)
    own = near[inside]
    own = own[_share_of_others(own, near[~inside & (off < 0.5 * radius)], beside) < _OTHERS]
    if len(own) < _FEWEST:
        raise InputError(
            f"only {len(own)} scan points lie on {name}, at least {_FEWEST} are needed: "
            "scan it more finely, or correct its approximate centre"
        )
    return own


def _share_of_others(own: Floats, others: Floats, reach: float) -> Floats:
    """Share of other points around each of its own, (n,)."""
    # Every so many of both will do to tell a share.
    every = (len(own) + len(others)) // _COUNTED + 1
    counts = [
        cKDTree(points[::every]).query_ball_point(own, reach, return_length=True) for points in (own, others)
    ]
    return np.asarray(counts[1] / np.maximum(counts[0] + counts[1], 1))


def _jacobian(points: Floats, centre: Floats, radius: float) -> tuple[Floats, Floats]:
    """Distances from the sphere, (n,), and their derivatives by centre and radius, (n, 4)."""
    away = points - centre
    length = np.linalg.norm(away, axis=1)
    return length - radius, np.column_stack([-away / length[:, None], -np.ones(len(points))])


def _weights(off: Floats, scale: float) -> Floats:
    """Tukey's biweight."""
    ratio = np.minimum(np.abs(off) / (_TUKEY * scale), 1.0)
    return np.asarray((1.0 - ratio**2) ** 2)


def _settled(points: Floats, centre: Floats, radius: float, name: str) -> tuple[Floats, float, float]:
    """Centre, radius and scale of the noise when nothing moves any more."""
    scale = 0.0
    for step_number in range(_STEPS):
        off, rows = _jacobian(points, centre, radius)
        # A scale that follows for ever can keep the weights swinging.
        if step_number < _SCALED:
            scale = max(_MAD * float(np.median(np.abs(off))), 1e-9 * radius)
        weights = _weights(off, scale)
        step, _, rank, _ = np.linalg.lstsq(
            rows * np.sqrt(weights)[:, None], -off * np.sqrt(weights), rcond=1e-9
        )
        centre, radius = centre + step[:3], radius + float(step[3])
        if rank < 4 or not np.abs(step).max() < 0.5 * radius:
            break
        if step_number >= _SCALED and np.abs(step).max() < 1e-10 * radius:
            return centre, radius, scale
    raise InputError(f"too little of {name} was scanned to know its centre: scan more of its surface")


def _described(points: Floats, centre: Floats, radius: float, scale: float, name: str) -> FittedSphere:
    off, rows = _jacobian(points, centre, radius)
    ratio = off / (_TUKEY * scale)
    weights = _weights(off, scale)
    slope = np.where(np.abs(ratio) < 1.0, (1.0 - ratio**2) * (1.0 - 5.0 * ratio**2), 0.0)
    n = len(points)
    variance = n / (n - 4) * float(((weights * off) ** 2).mean()) / float(slope.mean()) ** 2
    clustering = _clustering(points, radius, weights * off)
    covariance = np.asarray(variance * clustering * np.linalg.inv(rows.T @ rows), dtype=np.float64)
    kept = weights > 0.0
    rms = float(np.sqrt((off[kept] ** 2).mean()))
    return FittedSphere(
        centre, radius, rms, int(kept.sum()), covariance[:3, :3], float(np.sqrt(covariance[3, 3]))
    )


def _clustering(points: Floats, radius: float, pulls: Floats) -> float:
    """Variance of sums of correlated noise over that of independent noise, 1 at least.

    Products of pairs, in rings of distance, as far out as they are above nothing.
    """
    n = len(points)
    every = n // _PAIRED + 1
    some, pull = points[::every], pulls[::every]
    pairs = cKDTree(some).query_pairs(_FAR * radius, output_type="ndarray")
    ring = (np.linalg.norm(some[pairs[:, 0]] - some[pairs[:, 1]], axis=1) / (_RING * radius)).astype(np.int64)
    count = np.bincount(ring, minlength=1)
    products = np.bincount(ring, weights=pull[pairs[:, 0]] * pull[pairs[:, 1]], minlength=1)
    correlation = products / np.maximum(count, 1) / float((pull**2).mean())
    nothing = (count > 0) & (correlation < np.maximum(0.03, 2.0 / np.sqrt(np.maximum(count, 1))))
    reach = int(np.argmax(nothing)) if nothing.any() else len(count)
    clustering = 1.0 + float((correlation * count)[:reach].sum()) * 2.0 / len(some) * every
    # Of few independent points, the four that the fit takes are seen in what is left over.
    return clustering / max(1.0 - 4.0 * clustering / n, 0.1) ** 2
