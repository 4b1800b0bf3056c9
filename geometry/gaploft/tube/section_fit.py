"""Circle and ellipse through the scan points of one cross-section, by orthogonal distance."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_points
from gaploft.errors import EvidenceError
from gaploft.tube.conic_search import best_circle, best_ellipse

Array = NDArray[np.float64]

_FLAT = 1e-9  # width over length of a point set that counts as a line


@dataclass(frozen=True)
class SectionCircle:
    """A circle in the section plane; ``rms_mm`` is over orthogonal distances."""

    centre_mm: Array
    radius_mm: float
    rms_mm: float


@dataclass(frozen=True)
class SectionEllipse:
    """An ellipse in the section plane.

    ``half_axes_mm`` hold the longer one first; ``angle_rad`` turns x to the longer one, in
    (-pi/2, pi/2]. On a circle any angle is as good, and what stands there is rounding. ``rms_mm`` is
    over orthogonal distances.
    """

    centre_mm: Array
    half_axes_mm: Array
    angle_rad: float
    rms_mm: float


def fit_section_circle(points_mm: ArrayLike, *, min_arc_deg: float = 60.0) -> SectionCircle:
    """Fit a circle to the scan points of one cross-section.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2), millimetres
        Points in the section plane, in any order, n >= 3.
    min_arc_deg : float, degrees
        Refuse points that cover less of the circle than this (the circle less the widest empty arc).

    Returns
    -------
    SectionCircle
        Centre, radius and residual in the units and frame of ``points_mm``.

    Raises
    ------
    ValueError
        ``points_mm`` has another shape, or a coordinate is not finite.
    EvidenceError
        Fewer than 3 points, points on one line, or a covered arc below ``min_arc_deg``.

    Notes
    -----
    Least sum of squared distances to the circle [1]_, by Levenberg-Marquardt from the linear fit of
    ``x**2 + y**2 + a*x + b*y + c = 0`` [2]_. The linear fit alone pulls the radius low on a noisy arc.
    With n even points and noise s the radius is known to s/sqrt(n) on a full circle, but on 60 degrees
    to 24 times that.

    References
    ----------
    .. [1] W. Gander, G. H. Golub, R. Strebel, "Least-squares fitting of circles and ellipses", BIT 34, 1994,
       pp. 558-578.
    .. [2] I. Kasa, "A circle fitting procedure and its error analysis", IEEE Transactions on
       Instrumentation and Measurement 25(1), 1976, pp. 8-14.
    """
    points, middle, size = _normalised(points_mm, "circle", 3)
    centre, radius = best_circle(points)
    arc = _covered_arc_deg(points - centre)
    if arc < min_arc_deg:
        raise EvidenceError(
            f"the section's points cover {arc:.0f} degrees of its circle, at least {min_arc_deg:.0f} are "
            "needed: scan more of the tube's girth"
        )
    distance = np.linalg.norm(points - centre, axis=1) - radius
    return SectionCircle(middle + size * centre, float(size * radius), float(size * _rms(distance)))


def fit_section_ellipse(points_mm: ArrayLike, *, min_arc_deg: float = 120.0) -> SectionEllipse:
    """Fit an ellipse to the scan points of one cross-section.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2), millimetres
        Points in the section plane, in any order, n >= 5.
    min_arc_deg : float, degrees
        Refuse points that cover less of the ellipse than this, in its eccentric angle.

    Returns
    -------
    SectionEllipse
        Centre, half axes, angle and residual in the units and frame of ``points_mm``.

    Raises
    ------
    ValueError
        ``points_mm`` has another shape, or a coordinate is not finite.
    EvidenceError
        Fewer than 5 points, points on one line, or a covered arc below ``min_arc_deg``, which is also where
        points end that no ellipse fits best (their optimum runs off to infinity).

    Notes
    -----
    Least sum of squared distances [1]_. The sum has several stationary points, so the search is run
    from the direct algebraic fit [2]_ and from the geometric circle; where these two end apart, also from
    the circle stretched in four directions. The lowest end wins.

    References
    ----------
    .. [1] W. Gander, G. H. Golub, R. Strebel, "Least-squares fitting of circles and ellipses", BIT 34, 1994,
       pp. 558-578.
    .. [2] R. Halir, J. Flusser, "Numerically stable direct least squares fitting of ellipses", WSCG 1998
       (cited from memory), after A. Fitzgibbon, M. Pilu, R. B. Fisher, IEEE PAMI 21(5), 1999, pp. 476-480.
    """
    points, middle, size = _normalised(points_mm, "ellipse", 5)
    fit = best_ellipse(points)
    arc = _covered_arc_deg(fit.unit_foot)
    if arc < min_arc_deg:
        raise EvidenceError(
            f"the section's points cover {arc:.0f} degrees of its ellipse, at least {min_arc_deg:.0f} are "
            "needed: scan more of the tube's girth"
        )
    longer = int(np.argmax(fit.half_axes))
    x, y = fit.axes[:, longer]
    return SectionEllipse(
        middle + size * fit.centre,
        size * np.sort(fit.half_axes)[::-1],
        float(np.arctan(y / x)) if x != 0.0 else float(np.pi / 2),
        float(size * _rms(fit.values)),
    )


def _normalised(points_mm: ArrayLike, shape: str, n_least: int) -> tuple[Array, Array, float]:
    """Return checked points about their mean, of root mean square size 1, with that mean and size."""
    points = as_points(points_mm, dim=2, name="points_mm")
    if len(points) < n_least:
        raise EvidenceError(
            f"{_a(shape)} needs {n_least} points, this section has {len(points)}: scan it more finely"
        )
    middle = points.mean(axis=0)
    length, width = np.linalg.svd(points - middle, compute_uv=False)
    if not width > _FLAT * length:
        raise EvidenceError(
            f"the section's {len(points)} points lie on one line, {_a(shape)} needs points around the tube: "
            "scan more of its girth"
        )
    size = float(np.hypot(length, width) / np.sqrt(len(points)))
    return (points - middle) / size, middle, size


def _a(shape: str) -> str:
    return f"an {shape}" if shape[0] in "aeiou" else f"a {shape}"


def _covered_arc_deg(directions: Array) -> float:
    """Return 360 degrees less the widest angle without a point."""
    angles = np.sort(np.arctan2(directions[:, 1], directions[:, 0]))
    gaps = np.diff(angles, append=angles[0] + 2.0 * np.pi)
    return float(np.degrees(2.0 * np.pi - gaps.max()))


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))
