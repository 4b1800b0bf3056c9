"""Search for circle and ellipse of least orthogonal distance, on points of size 1 about their mean."""

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from gaploft.tube.ellipse_foot import ellipse_foot

Array = NDArray[np.float64]

_TOLERANCE = 1e-15  # of the Levenberg-Marquardt steps: run down to rounding, the problems are tiny
_MAX_CALLS = 200  # a search that wants more is on its way to infinity; good ones take about 20
_SAME = 1e-6  # two searches ended in the same ellipse, relative to the size of the section


class EllipseDistances:
    """Signed distances of points to one ellipse, and what the search needs beside them.

    Parameters are the centre and the symmetric matrix ``xx, xy, yy`` that takes the unit circle to the
    ellipse: half axes and angle have no derivative on a circle, where tubes are.
    """

    def __init__(self, parameters: Array, points: Array) -> None:
        self.parameters = parameters.copy()
        self.centre = self.parameters[:2]
        xx, xy, yy = parameters[2:]
        eigenvalues, self.axes = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
        # a step of the search may shoot past zero: the ellipse of -a is that of a, mirrored
        self.half_axes = np.maximum(np.abs(eigenvalues), 1e-9 * np.abs(eigenvalues).max())
        foot, self.values = ellipse_foot((points - self.centre) @ self.axes, self.half_axes)
        self.unit_foot = (foot / self.half_axes * np.where(eigenvalues < 0.0, -1.0, 1.0)) @ self.axes.T
        normal = foot / self.half_axes**2
        self.normals = (normal / np.linalg.norm(normal, axis=1, keepdims=True)) @ self.axes.T

    def jacobian(self) -> Array:
        """Return (n, 5); exact with the foot held, since the foot moves along the curve only."""
        (nx, ny), (ex, ey) = self.normals.T, self.unit_foot.T
        return -np.column_stack([nx, ny, nx * ex, nx * ey + ny * ex, ny * ey])


def best_ellipse(points: Array) -> EllipseDistances:
    """Return the lowest end of the searches; the stretched starts are needed where the first two differ."""
    first = _algebraic_ellipse(points) + _circle_starts(points, (1.0,))
    ends = [_search(start, points) for start in first]
    if not (len(ends) == 2 and _same_end(*ends)):
        ends += [_search(start, points) for start in _circle_starts(points, (1.5,) * 4)]
    return min(ends, key=lambda end: float(end.values @ end.values))


def _same_end(one: EllipseDistances, other: EllipseDistances) -> bool:
    return bool(
        np.allclose(one.centre, other.centre, rtol=0.0, atol=_SAME)
        and np.allclose(one.half_axes, other.half_axes, rtol=_SAME, atol=0.0)
    )


def _search(start: Array, points: Array) -> EllipseDistances:
    """Run Levenberg-Marquardt from one start; values and derivatives of one place share their foot points."""
    at = EllipseDistances(start, points)

    def distances(parameters: Array) -> EllipseDistances:
        nonlocal at
        if not np.array_equal(parameters, at.parameters):
            at = EllipseDistances(parameters, points)
        return at

    end = least_squares(
        lambda p: distances(p).values,
        start,
        jac=lambda p: distances(p).jacobian(),
        method="lm",
        xtol=_TOLERANCE,
        ftol=_TOLERANCE,
        gtol=_TOLERANCE,
        max_nfev=_MAX_CALLS,
    )
    return distances(end.x)


def best_circle(points: Array) -> tuple[Array, float]:
    """Return centre and radius of least orthogonal distance, from the linear fit."""
    linear = np.linalg.lstsq(
        np.column_stack([points, np.ones(len(points))]), np.sum(points**2, axis=1), rcond=None
    )
    centre = linear[0][:2] / 2.0
    start = np.append(centre, np.sqrt(linear[0][2] + centre @ centre))

    def distance(p: Array) -> Array:
        return np.linalg.norm(points - p[:2], axis=1) - p[2]

    def jacobian(p: Array) -> Array:
        away = points - p[:2]
        length = np.maximum(np.linalg.norm(away, axis=1, keepdims=True), np.finfo(float).tiny)
        return -np.column_stack([away / length, np.ones(len(points))])

    end = least_squares(
        distance,
        start,
        jac=jacobian,
        method="lm",
        xtol=_TOLERANCE,
        ftol=_TOLERANCE,
        gtol=_TOLERANCE,
    )
    return end.x[:2], float(end.x[2])


def _circle_starts(points: Array, stretches: tuple[float, ...]) -> list[Array]:
    """Return the geometric circle stretched in evenly spread directions, its area kept, as parameters."""
    centre, radius = best_circle(points)
    starts = []
    for i, stretch in enumerate(stretches):
        angle = np.pi * i / len(stretches)
        cos, sin = np.cos(angle), np.sin(angle)
        along, across = radius * stretch, radius / stretch
        xx, yy = along * cos**2 + across * sin**2, along * sin**2 + across * cos**2
        starts.append(np.array([*centre, xx, (along - across) * cos * sin, yy]))
    return starts


def _algebraic_ellipse(points: Array) -> list[Array]:
    """Return the direct algebraic ellipse as a list of one, or none where it has none (exact line pairs)."""
    x, y = points.T
    quadratic = np.column_stack([x * x, x * y, y * y])
    linear = np.column_stack([x, y, np.ones(len(points))])
    # the linear coefficients follow from the quadratic ones by least squares
    follow = -np.linalg.lstsq(linear, quadratic, rcond=None)[0]
    scatter = quadratic.T @ (quadratic + linear @ follow)
    # the constraint 4 a c - b² = 1, inverted
    values, vectors = np.linalg.eig(np.array([scatter[2] / 2.0, -scatter[1], scatter[0] / 2.0]))
    vectors = np.real(vectors[:, np.abs(np.imag(values)) <= 1e-12 * np.abs(values).max()])
    discriminant = 4.0 * vectors[0] * vectors[2] - vectors[1] ** 2
    if not (discriminant > 0.0).any():
        return []
    a, b, c = vectors[:, int(np.argmax(discriminant))]
    d, e, f = follow @ np.array([a, b, c])
    form = np.array([[a, b / 2.0], [b / 2.0, c]])
    centre = np.linalg.solve(form, [-d / 2.0, -e / 2.0])
    level = -(f + (d * centre[0] + e * centre[1]) / 2.0)
    values, axes = np.linalg.eigh(form)
    if not (level / values > 0.0).all():
        return []
    matrix = (axes * np.sqrt(level / values)) @ axes.T
    return [np.array([*centre, matrix[0, 0], matrix[0, 1], matrix[1, 1]])]
