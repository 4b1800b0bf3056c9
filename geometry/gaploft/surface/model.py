"""The tube surface: a vector-valued tensor B-spline. It knows no scan."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import NdBSpline

from gaploft.surface.basis import DEGREE, TURN_RAD, TubeBasis, wrapped


@dataclass(frozen=True)
class FootPoints:
    """Nearest surface points of n points: parameters, signed distance (positive outside) in mm."""

    u: NDArray[np.float64]
    v: NDArray[np.float64]
    distance_mm: NDArray[np.float64]
    normals: NDArray[np.float64]


@dataclass(frozen=True)
class TubeSurface:
    """Outer surface of a tube, S(u, v) in mm, u along the tube in mm, v around it in radians.

    ``coefficients`` is (n_u, n_v, 3), periodic in the second axis. The surface is oriented so that
    the cross product of its derivatives along v and u points outward when ``outward`` is 1,
    inward when it is -1.
    """

    basis: TubeBasis
    coefficients: NDArray[np.float64]
    outward: int = 1

    @cached_property
    def _spline(self) -> NdBSpline:
        wrapped_rows = np.concatenate([self.coefficients, self.coefficients[:, :DEGREE]], axis=1)
        return NdBSpline((self.basis.knots_u, self.basis.knots_v), wrapped_rows, DEGREE)

    @property
    def range_u(self) -> tuple[float, float]:
        """First and last station, mm."""
        return self.basis.range_u

    def derivatives(
        self, u: ArrayLike, v: ArrayLike, order_u: int = 0, order_v: int = 0
    ) -> NDArray[np.float64]:
        """Partial derivative of S, shape (..., 3). Stations outside are clamped to the ends."""
        start, stop = self.range_u
        u, v = np.broadcast_arrays(np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64))
        places = np.stack([np.clip(u, start, stop), wrapped(v)], axis=-1)
        return np.asarray(self._spline(places, nu=(order_u, order_v)))

    def evaluate(self, u: ArrayLike, v: ArrayLike) -> NDArray[np.float64]:
        """Points of the surface in mm, shape (..., 3)."""
        return self.derivatives(u, v)

    def normals(self, u: ArrayLike, v: ArrayLike) -> NDArray[np.float64]:
        """Outward unit normals, shape (..., 3)."""
        cross = np.cross(self.derivatives(u, v, 0, 1), self.derivatives(u, v, 1, 0))
        return self.outward * cross / np.linalg.norm(cross, axis=-1, keepdims=True)

    def curvatures(self, u: ArrayLike, v: ArrayLike) -> NDArray[np.float64]:
        """Principal curvatures in 1/mm, largest first, shape (..., 2); a convex tube is positive.

        Eigenvalues of the shape operator from the two fundamental forms (do Carmo, *Differential
        Geometry of Curves and Surfaces*, section 3-3; cited from memory).
        """
        du, dv = self.derivatives(u, v, 1, 0), self.derivatives(u, v, 0, 1)
        normal = self.normals(u, v)
        e, f, g = (du * du).sum(-1), (du * dv).sum(-1), (dv * dv).sum(-1)
        second = [-(self.derivatives(u, v, i, 2 - i) * normal).sum(-1) for i in (2, 1, 0)]
        determinant = e * g - f * f
        mean = (e * second[2] - 2.0 * f * second[1] + g * second[0]) / (2.0 * determinant)
        gauss = (second[0] * second[2] - second[1] ** 2) / determinant
        root = np.sqrt(np.maximum(mean * mean - gauss, 0.0))
        return np.stack([mean + root, mean - root], axis=-1)

    def project(
        self,
        points: NDArray[np.float64],
        u: NDArray[np.float64],
        v: NDArray[np.float64],
        *,
        steps: int = 3,
        second_order: bool = True,
    ) -> FootPoints:
        """Nearest surface points by Newton steps from the given start.

        Parameters
        ----------
        points : (n, 3), mm
        u, v : (n,) start parameters, close enough that the nearest point is theirs
        steps : Newton steps; each squares a small error
        second_order : without it the steps are Gauss-Newton at half the cost; each then leaves an error
            of distance times curvature, enough for points that lie close to the surface

        Notes
        -----
        Newton on the squared distance with the second-order terms kept where the Hessian stays
        positive, Gauss-Newton elsewhere (Wang, Pottmann and Liu, "Fitting B-spline curves to point
        clouds by curvature-based squared distance minimization", ACM TOG 25(2), 2006).
        """
        start, stop = self.range_u
        u, v = np.clip(u, start, stop), wrapped(v)
        for _ in range(steps):
            offset = self.evaluate(u, v) - points
            du, dv = self.derivatives(u, v, 1, 0), self.derivatives(u, v, 0, 1)
            a, b, c = (du * du).sum(-1), (du * dv).sum(-1), (dv * dv).sum(-1)
            if second_order:
                a2 = a + (offset * self.derivatives(u, v, 2, 0)).sum(-1)
                b2 = b + (offset * self.derivatives(u, v, 1, 1)).sum(-1)
                c2 = c + (offset * self.derivatives(u, v, 0, 2)).sum(-1)
                convex = (a2 > 0.1 * a) & (c2 > 0.1 * c) & (a2 * c2 - b2 * b2 > 0.01 * a * c)
                a, b, c = np.where(convex, a2, a), np.where(convex, b2, b), np.where(convex, c2, c)
            gradient_u, gradient_v = (du * offset).sum(-1), (dv * offset).sum(-1)
            determinant = a * c - b * b
            step_u = (c * gradient_u - b * gradient_v) / determinant
            step_v = (a * gradient_v - b * gradient_u) / determinant
            # At an end of the surface only the way around it is left.
            held = (u - step_u <= start) & (u <= start) | (u - step_u >= stop) & (u >= stop)
            step_v = np.where(held, gradient_v / c, step_v)
            u = np.clip(u - step_u, start, stop)
            v = wrapped(v - np.clip(step_v, -0.3, 0.3))
        normals = self.normals(u, v)
        distance = ((points - self.evaluate(u, v)) * normals).sum(-1)
        return FootPoints(u, v, distance, normals)

    def turned_outward(self) -> "TubeSurface":
        """The same surface with ``outward`` set so that normals point away from the section centres."""
        start, stop = self.range_u
        u = np.linspace(start, stop, 9)[:, None]
        v = np.arange(32) * (TURN_RAD / 32)
        points = self.evaluate(u, v)
        spread = points - points.mean(axis=1, keepdims=True)
        sign = 1 if (spread * self.normals(u, v)).sum() > 0.0 else -1
        return replace(self, outward=self.outward * sign)
