"""The plainest spine: one arc in space, and coordinates in which the tube about it is straight."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

#: An arc that departs less than this from its chord is taken as straight, mm.
_STRAIGHT_MM = 1e-3

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Arc:
    """An arc by arc length ``u``: at ``start_mm`` it is at ``origin`` with these tangent and normal.

    The normal points to its centre; ``binormal`` stands on its plane.
    """

    origin: Floats
    tangent: Floats
    normal: Floats
    curvature: float
    start_mm: float

    @property
    def binormal(self) -> Floats:
        """Unit normal of the arc's plane, (3,)."""
        return np.asarray(np.cross(self.tangent, self.normal))

    def points(self, u: Floats) -> Floats:
        """Points of the arc, (n, 3)."""
        s, k = u - self.start_mm, self.curvature
        if k == 0.0:
            return np.asarray(self.origin + s[:, None] * self.tangent)
        along, across = np.sin(k * s) / k, (1.0 - np.cos(k * s)) / k
        return np.asarray(self.origin + along[:, None] * self.tangent + across[:, None] * self.normal)

    def axes(self, u: Floats) -> tuple[Floats, Floats]:
        """Tangents and normals at stations, (n, 3) each; the binormal is the same everywhere."""
        angle = (self.curvature * (u - self.start_mm))[:, None]
        cosine, sine = np.cos(angle), np.sin(angle)
        return cosine * self.tangent + sine * self.normal, cosine * self.normal - sine * self.tangent

    def bent(self, flat: Floats) -> Floats:
        """Points (n, 3) from station, distance along the normal and along the binormal (n, 3)."""
        _, normals = self.axes(flat[:, 0])
        return np.asarray(self.points(flat[:, 0]) + flat[:, 1:2] * normals + flat[:, 2:3] * self.binormal)

    def straightened(self, points: Floats) -> Floats:
        """Station and the two distances of points (n, 3); the reverse of :meth:`bent`, exact."""
        k = self.curvature
        if k == 0.0:
            off = points - self.origin
            return np.column_stack(
                [self.start_mm + off @ self.tangent, off @ self.normal, off @ self.binormal]
            )
        off = points - (self.origin + self.normal / k)
        along, across = off @ self.tangent, off @ self.normal
        u = self.start_mm + np.arctan2(along, -across) / k
        return np.column_stack([u, 1.0 / k - np.hypot(along, across), off @ self.binormal])


def arc_through(u: NDArray[np.float64], centres: NDArray[np.float64], *, curved: bool = True) -> Arc:
    """Arc closest to section centres (n, 3) at stations ``u``, in their plane by principal axes.

    The line closest to them unless it may be ``curved``.
    """
    mean = centres.mean(axis=0)
    _, _, axes = np.linalg.svd(centres - mean, full_matrices=False)
    along = axes[0] * np.sign((centres[-1] - centres[0]) @ axes[0])
    if not curved:
        return Arc(mean, along, axes[1], 0.0, float(u.mean()))
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
