"""The plainest tube through the points: one mean section swept along one arc.

Fairness is asked of the departure from it, so that a bend of any radius and a section of any shape cost
nothing as long as they do not change.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import solve
from scipy.optimize import least_squares

from gaploft.surface.basis import DEGREE, TURN_RAD, TubeBasis
from gaploft.surface.model import TubeSurface

#: An arc that departs less than this from its chord is taken as straight, mm.
_STRAIGHT_MM = 1e-3


@dataclass(frozen=True)
class Arc:
    """An arc in space by arc length: ``points(u)`` and the rotation that carries its first frame along."""

    origin: NDArray[np.float64]
    tangent: NDArray[np.float64]
    normal: NDArray[np.float64]
    curvature: float
    start_mm: float

    def points(self, u: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the arc, (n, 3)."""
        s = u - self.start_mm
        k = self.curvature
        if k == 0.0:
            return np.asarray(self.origin + s[:, None] * self.tangent)
        along, across = np.sin(k * s) / k, (1.0 - np.cos(k * s)) / k
        return np.asarray(self.origin + along[:, None] * self.tangent + across[:, None] * self.normal)

    def turned(self, u: NDArray[np.float64], vectors: NDArray[np.float64]) -> NDArray[np.float64]:
        """Vectors of the first frame carried along the arc to ``u``; (n, 3) for (n,) and (n, 3)."""
        angle = self.curvature * (u - self.start_mm)
        x, y = vectors @ self.tangent, vectors @ self.normal
        rest = vectors - x[:, None] * self.tangent - y[:, None] * self.normal
        new_x, new_y = np.cos(angle) * x - np.sin(angle) * y, np.sin(angle) * x + np.cos(angle) * y
        return np.asarray(rest + new_x[:, None] * self.tangent + new_y[:, None] * self.normal)


def arc_through(u: NDArray[np.float64], centres: NDArray[np.float64]) -> Arc:
    """Arc closest to section centres (n, 3) at stations ``u``, in their plane by principal axes."""
    mean = centres.mean(axis=0)
    _, _, axes = np.linalg.svd(centres - mean, full_matrices=False)
    along = axes[0] * np.sign((centres[-1] - centres[0]) @ axes[0])
    x, y = (centres - mean) @ along, (centres - mean) @ axes[1]
    height, heading, curvature = _flat_arc(x, y)
    if np.ptp(x) ** 2 * abs(curvature) / 8.0 < _STRAIGHT_MM:
        return Arc(mean, along, axes[1], 0.0, float(u.mean()))
    side = np.sign(curvature)
    tangent = np.cos(heading) * along + np.sin(heading) * axes[1]
    normal = side * (np.cos(heading) * axes[1] - np.sin(heading) * along)
    origin, radius = mean + height * axes[1], 1.0 / abs(curvature)
    from_middle = centres - (origin + radius * normal)
    travelled = radius * np.arctan2(from_middle @ tangent, -(from_middle @ normal))
    return Arc(origin, tangent, normal, 1.0 / radius, float((u - travelled).mean()))


def _flat_arc(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float, float]:
    """Height and heading at ``x = 0`` and curvature of the arc with the smallest squared distances to points.

    An algebraic fit would not do: on a tube that is straight but for a step or an S it takes what the points
    are off for curvature, and finds an arc of a few diameters.
    """
    bend, slope, height = np.polyfit(x, y, 2)
    # The parabola's own curvature at x = 0 is where the search starts.
    start = np.array([height, np.arctan(slope), 2.0 * bend / (1.0 + slope * slope) ** 1.5])

    def distances(arc: NDArray[np.float64]) -> NDArray[np.float64]:
        s = np.cos(arc[1]) * x + np.sin(arc[1]) * (y - arc[0])
        t = np.cos(arc[1]) * (y - arc[0]) - np.sin(arc[1]) * x
        k = arc[2]
        return np.asarray((2.0 * t - k * (s * s + t * t)) / (1.0 + np.hypot(1.0 - k * t, k * s)))

    length = float(np.ptp(x))
    found = least_squares(distances, start, x_scale=[length, 1.0, 1.0 / length], xtol=1e-14, ftol=1e-14).x
    return float(found[0]), float(found[1]), float(found[2])


def _least_squares(design: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    normal = design.T @ design
    normal[np.diag_indices_from(normal)] += 1e-9 * np.trace(normal) / len(normal)
    return np.asarray(solve(normal, design.T @ values, assume_a="pos"))


def swept_reference(
    basis: TubeBasis,
    arc: Arc,
    points: NDArray[np.float64],
    u: NDArray[np.float64],
    v: NDArray[np.float64],
    plain_mm: float,
) -> TubeSurface:
    """Mean section of points with parameters (u, v), swept along an arc, as a surface of the given basis.

    ``plain_mm`` is the cut-off wavelength around it: what was never seen of it is bridged on that scale.
    """
    back = Arc(arc.origin, arc.tangent, arc.normal, -arc.curvature, arc.start_mm)
    local = back.turned(u, points - arc.points(u))
    _, around = basis.local(u, v)
    column = (around.first[:, None] + np.arange(DEGREE + 1)) % basis.n_v
    design = np.zeros((basis.n_v, basis.n_v))
    rhs = np.zeros((basis.n_v, 3))
    pairs = column[:, :, None] * basis.n_v + column[:, None, :]
    products = around.values[:, :, None] * around.values[:, None, :]
    design += np.bincount(pairs.ravel(), products.ravel(), minlength=basis.n_v**2).reshape(design.shape)
    for k in range(3):
        rhs[:, k] = np.bincount(
            column.ravel(), (around.values * local[:, k : k + 1]).ravel(), minlength=basis.n_v
        )
    radius = float(np.linalg.norm(local, axis=1).mean())
    weight = len(u) / TURN_RAD * (plain_mm / (TURN_RAD * radius)) ** 6
    design += weight * basis.ellipse_operator_v
    section = solve(design, rhs, assume_a="pos")
    stations = np.linspace(*basis.range_u, 4 * basis.n_u)
    along = BSpline.design_matrix(stations, basis.knots_u, DEGREE).toarray()
    carried = np.stack(
        [arc.turned(stations, np.broadcast_to(f, (len(stations), 3))) for f in section], axis=1
    )
    swept = arc.points(stations)[:, None, :] + carried
    coefficients = _least_squares(along, swept.reshape(len(stations), -1)).reshape(basis.n_u, basis.n_v, 3)
    return TubeSurface(basis, coefficients)
