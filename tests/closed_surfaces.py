"""Tubes that are formulas, and the spline surface next to each."""

from typing import NamedTuple

import numpy as np

from gaploft.surface.basis import DEGREE, TURN_RAD, TubeBasis, local_basis
from gaploft.surface.model import TubeSurface


class Shape(NamedTuple):
    """A tube with everything known: functions of u (mm) and v, and the length along u."""

    point: object
    normal: object
    curvatures: object
    length: float


def stacked(x, y, z):
    """Points from their coordinates, whatever shapes these broadcast to."""
    return np.stack(np.broadcast_arrays(x, y, z), axis=-1)


def cylinder(r=16.0):
    return Shape(
        lambda u, v: stacked(r * np.cos(v), r * np.sin(v), u),
        lambda u, v: stacked(np.cos(v), np.sin(v), 0.0 * u),
        lambda u, v: (1 / r + 0.0 * u, 0.0 * u),
        100.0,
    )


def cone(start=20.0, stop=14.0, length=300.0):
    """Diameter 40 to 28 over 300: half angle 1.1457628 degrees. Curvature cos(half angle)/radius."""
    slope = (stop - start) / length
    cos, sin = 1 / np.hypot(1, slope), -slope / np.hypot(1, slope)

    def radius(u):
        return start + slope * u

    return Shape(
        lambda u, v: stacked(radius(u) * np.cos(v), radius(u) * np.sin(v), u),
        lambda u, v: stacked(cos * np.cos(v), cos * np.sin(v), sin + 0.0 * u),
        lambda u, v: (cos / radius(u), 0.0 * u),
        length,
    )


def torus(big=400.0, r=16.0):
    """A bent tube; curvatures 1/r and cos v/(R + r cos v), v = 0 on the outside of the bend."""
    return Shape(
        lambda u, v: stacked(
            (big + r * np.cos(v)) * np.cos(u / big), -r * np.sin(v), (big + r * np.cos(v)) * np.sin(u / big)
        ),
        lambda u, v: stacked(np.cos(v) * np.cos(u / big), -np.sin(v) + 0.0 * u, np.cos(v) * np.sin(u / big)),
        lambda u, v: (1 / r + 0.0 * u, np.cos(v) / (big + r * np.cos(v))),
        200.0,
    )


def elliptic_cylinder(a=20.0, b=14.0):
    """Curvature a b/(a² sin² v + b² cos² v)^1.5: radii 9.8 and 28.5714286 at the ends of the axes."""

    def size(v):
        return np.sqrt((a * np.sin(v)) ** 2 + (b * np.cos(v)) ** 2)

    return Shape(
        lambda u, v: stacked(a * np.cos(v), b * np.sin(v), u),
        lambda u, v: stacked(b * np.cos(v) / size(v), a * np.sin(v) / size(v), 0.0 * u),
        lambda u, v: (a * b / size(v) ** 3, 0.0 * u),
        100.0,
    )


SHAPES = {"cylinder": cylinder(), "cone": cone(), "torus": torus(), "ellipse": elliptic_cylinder()}


def collocation(x, knots, n):
    """Dense matrix of the basis at x, folded to n functions."""
    local = local_basis(x, knots)
    matrix = np.zeros((len(x), n))
    for k in range(DEGREE + 1):
        matrix[np.arange(len(x)), (local.first + k) % n] += local.values[:, k]
    return matrix


def spline_of(point, length, n_spans_u, n_spans_v):
    """Least squares on four even points a span: the surface next to the closed shape."""
    basis = TubeBasis.uniform(0.0, length, n_spans_u, n_spans_v)
    u = np.linspace(0.0, length, 4 * n_spans_u + 1)
    v = TURN_RAD * np.arange(4 * n_spans_v) / (4 * n_spans_v)
    along = np.linalg.pinv(collocation(u, basis.knots_u, basis.n_u))
    around = np.linalg.pinv(collocation(v, basis.knots_v, basis.n_v))
    net = np.einsum("iu,uvc,jv->ijc", along, point(u[:, None], v), around, optimize=True)
    return TubeSurface(basis, net).turned_outward()
