"""The spine: a smooth curve through the section centres, with frames that do not turn about it."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import solve
from scipy.spatial import KDTree

from gaploft.tube.frames import rotation_minimising_frames

#: Spacing of the samples in which frames and first guesses are kept, mm.
_SAMPLE_MM = 1.0


@dataclass(frozen=True)
class Spine:
    """A curve in mm, parametrised close to its arc length ``u``, from ``start_mm`` to ``stop_mm``."""

    curve: BSpline
    start_mm: float
    stop_mm: float

    @cached_property
    def _samples(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        u = np.linspace(self.start_mm, self.stop_mm, int((self.stop_mm - self.start_mm) / _SAMPLE_MM) + 2)
        tangents = self.tangents(u)
        across = np.eye(3)[np.argmin(np.abs(tangents[0]))]
        first = across - (across @ tangents[0]) * tangents[0]
        frames = rotation_minimising_frames(self.points(u), tangents, first / np.linalg.norm(first))
        return u, self.points(u), frames

    def points(self, u: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the spine, (n, 3) mm; straight on beyond its ends."""
        inside = np.clip(u, self.start_mm, self.stop_mm)
        return np.asarray(self.curve(inside)) + (u - inside)[:, None] * self.tangents(inside)

    def tangents(self, u: NDArray[np.float64]) -> NDArray[np.float64]:
        """Unit tangents, (n, 3)."""
        d = np.asarray(self.curve(np.clip(u, self.start_mm, self.stop_mm), nu=1))
        return d / np.linalg.norm(d, axis=1, keepdims=True)

    def frames(self, u: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Two unit normals across the spine at each ``u``, (n, 3) each; with the tangent right-handed."""
        sample_u, _, sample_frames = self._samples
        tangents = self.tangents(u)
        first = np.stack([np.interp(u, sample_u, sample_frames[:, k]) for k in range(3)], axis=1)
        first -= (first * tangents).sum(1)[:, None] * tangents
        first /= np.linalg.norm(first, axis=1, keepdims=True)
        return first, np.cross(tangents, first)

    def locate(
        self, points: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Station ``u``, angle (rad) and distance (mm) of points about the spine, (n,) each."""
        sample_u, sample_points, _ = self._samples
        u = sample_u[KDTree(sample_points).query(points)[1]]
        for _ in range(3):
            inside = np.clip(u, self.start_mm, self.stop_mm)
            d1, d2 = np.asarray(self.curve(inside, nu=1)), np.asarray(self.curve(inside, nu=2))
            length = np.linalg.norm(d1, axis=1)
            offset = points - np.asarray(self.curve(inside)) - ((u - inside) / length)[:, None] * d1
            slope = length**2 - np.where(u == inside, (offset * d2).sum(1), 0.0)
            u = u + np.clip((offset * d1).sum(1) / np.maximum(slope, 0.2), -5.0, 5.0)
        first, second = self.frames(u)
        offset = points - self.points(u)
        x, y = (offset * first).sum(1), (offset * second).sum(1)
        return u, np.arctan2(y, x), np.hypot(x, y)


def fit_spine(
    u: NDArray[np.float64], centres: NDArray[np.float64], *, knot_mm: float, smooth_mm: float
) -> Spine:
    """Smooth curve through section centres, also across the gap where there are none.

    Parameters
    ----------
    u : (n,) increasing stations, mm
    centres : (n, 3), mm
    knot_mm : spacing of the knots
    smooth_mm : wavelengths below this are smoothed away

    Notes
    -----
    Penalised least squares with the integral of the squared third derivative, as for the surface.
    """
    degree = 5
    start, stop = float(u[0]), float(u[-1])
    n_spans = max(4, round((stop - start) / knot_mm))
    knots = np.r_[[start] * degree, np.linspace(start, stop, n_spans + 1), [stop] * degree]
    n = len(knots) - degree - 1
    design = BSpline.design_matrix(u, knots, degree).toarray()
    fine = np.linspace(start, stop, 40 * n_spans)
    third = BSpline(knots, np.eye(n), degree)(fine, nu=3)
    weight = (smooth_mm / (2.0 * np.pi)) ** 6 * (len(u) / (stop - start)) * (stop - start) / len(fine)
    coefficients = solve(
        design.T @ design + weight * third.T @ third + 1e-12 * np.eye(n), design.T @ centres, assume_a="pos"
    )
    return Spine(BSpline(knots, coefficients, degree), start, stop)
