"""Areas and volumes between a surface and heights above it, with the surface's own curvature in them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.stock.refine import Skin

Floats = NDArray[np.float64]

_SHARP_COS = np.cos(np.radians(30.0))


@dataclass(frozen=True)
class Measure:
    """How area grows along the normals of each triangle: ``area + first * t + second * t**2``, each (m,), mm.

    For a smooth surface these are 1, twice the mean and the Gaussian curvature, times the area (J. Steiner).
    """

    area: Floats
    first: Floats
    second: Floats

    def volume(self, moments: tuple[Floats, Floats, Floats]) -> Floats:
        """Volume over each triangle from the means of height, height^2 and height^3 over it, (m,)."""
        return self.area * moments[0] + self.first * moments[1] / 2.0 + self.second * moments[2] / 3.0


def measure_of(skin: Skin) -> Measure:
    """Areas of the triangles, and how they grow along the normals at their corners."""
    corner, normal = skin.points[skin.faces], skin.normals[skin.faces]
    e1, e2 = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    cross = np.cross(e1, e2)
    double = np.linalg.norm(cross, axis=1)
    flat = cross / np.maximum(double, 1e-300)[:, None]
    # Where facets meet in an edge, the mean normal of a corner is that of neither.
    sharp = np.einsum("ijk,ik->ij", normal, flat) < _SHARP_COS
    normal = np.where(sharp[..., None], flat[:, None, :], normal)
    d1, d2 = normal[:, 1] - normal[:, 0], normal[:, 2] - normal[:, 0]
    first = _det(d1, e2, flat) + _det(e1, d2, flat)
    return Measure(0.5 * double, 0.5 * first, 0.5 * _det(d1, d2, flat))


def _det(a: Floats, b: Floats, c: Floats) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", np.cross(a, b), c))


def moments_above(heights: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Share of each triangle where heights are positive, and the means of their first three powers there.

    Parameters
    ----------
    heights : (m, 3) at the corners, linear between them

    Returns
    -------
    four arrays (m,): share, and means over the whole triangle of max(h, 0) to the power of 1, 2 and 3; exact
    """
    ordered = np.sort(heights, axis=1)
    low, middle, high = ordered.T
    # One corner above, or one below: the small triangle cut off there has two corners at zero.
    top = np.maximum(high, 0.0)
    upper = _cut(top, np.minimum(middle, 0.0), np.minimum(low, 0.0))
    bottom = np.minimum(low, 0.0)
    lower = _cut(-bottom, np.minimum(-middle, 0.0), np.minimum(-high, 0.0))
    all_above, two_above = low >= 0.0, (low < 0.0) & (middle > 0.0)
    whole = _moments(low, middle, high)
    small = (top / 3.0, top**2 / 6.0, top**3 / 10.0)
    hollow = (bottom / 3.0, bottom**2 / 6.0, bottom**3 / 10.0)
    share = np.where(all_above, 1.0, np.where(two_above, 1.0 - lower, upper))
    means = [
        np.where(all_above, w, np.where(two_above, w - lower * h, upper * s))
        for w, s, h in zip(whole, small, hollow, strict=True)
    ]
    return share, means[0], means[1], means[2]


def _cut(peak: Floats, one: Floats, other: Floats) -> Floats:
    """Share of a triangle above zero when one corner is: the others lie at ``one``, ``other`` <= 0."""
    size = (peak - one) * (peak - other)
    return np.asarray(np.where(peak > 0.0, peak**2 / np.where(size > 0.0, size, 1.0), 0.0))


def _moments(a: Floats, b: Floats, c: Floats) -> tuple[Floats, Floats, Floats]:
    """Means of a linear function and of its square and cube over a triangle, from its corners."""
    square = a * a + b * b + c * c + a * b + b * c + a * c
    cube = (a + b + c) * square - (a + b) * (b + c) * (a + c)
    return (a + b + c) / 3.0, square / 6.0, cube / 10.0
