"""The plainest tube through the points: one mean section swept along one arc.

Fairness is asked of the departure from it, so that a bend of any radius and a section of any shape cost
nothing as long as they do not change.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import solve

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
    """Arc through section centres (n, 3) at stations ``u``: plane by principal axes, circle by Kasa's fit."""
    mean = centres.mean(axis=0)
    _, _, axes = np.linalg.svd(centres - mean, full_matrices=False)
    along = axes[0] * np.sign((centres[-1] - centres[0]) @ axes[0])
    flat = np.column_stack([(centres - mean) @ along, (centres - mean) @ axes[1]])
    length = float(np.ptp(flat[:, 0]))
    system = np.column_stack([2.0 * flat / length, np.ones(len(flat))])
    solution = np.linalg.lstsq(system, (flat * flat).sum(1), rcond=None)[0]
    centre = solution[:2] / length
    radius = float(np.sqrt(max(solution[2] + centre @ centre, 0.0)))
    if length * length / (8.0 * max(radius, 1e-9)) < _STRAIGHT_MM or radius < 0.5 * length:
        return Arc(mean, along, axes[1], 0.0, float(u.mean()))
    # The arc starts at the middle station, straight below the circle's centre as seen along the chord.
    foot = -centre / np.linalg.norm(centre) * radius + centre
    inward = (centre - foot) / radius
    normal = inward[0] * along + inward[1] * axes[1]
    tangent = inward[1] * along - inward[0] * axes[1]
    tangent *= np.sign(tangent @ along)
    origin = mean + foot[0] * along + foot[1] * axes[1]
    from_middle = centres - (origin + radius * normal)
    travelled = radius * np.arctan2(from_middle @ tangent, -(from_middle @ normal))
    middle = float((u - travelled).mean())
    return Arc(origin, tangent, normal, 1.0 / radius, middle)


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
