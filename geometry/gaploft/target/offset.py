"""The surface that lies a depth below another, along its normals: points, normals and curvatures."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.model import TubeSurface
from gaploft.target.readings import Over

Floats = NDArray[np.float64]

#: Depths are differentiated over so many mm both ways. They change over millimetres: the error is the square
#: of this share, and rounding of 1e-13 mm is far below it.
_STEP_MM = 2e-3


@dataclass(frozen=True)
class Below:
    """``P = S - d n`` with the surface S, its outward normal n, and a depth d that may vary.

    Attributes
    ----------
    surface : S
    depth : d in mm as a function of (u, v), of any one shape; twice differentiable where it varies
    even : the depth is the same all over
    """

    surface: TubeSurface
    depth: Over
    even: bool = False

    def points(self, u: Floats, v: Floats) -> Floats:
        """Points in mm, (..., 3)."""
        return np.asarray(
            self.surface.evaluate(u, v) - self.depth(u, v)[..., None] * self.surface.normals(u, v)
        )

    def tangents(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Derivatives of P along u and v, (..., 3) each.

        Those of the normal come from second derivatives of S, exactly; those of the depth are central
        differences.
        """
        s = self.surface
        du, dv = s.derivatives(u, v, 1, 0), s.derivatives(u, v, 0, 1)
        uu, uv, vv = (s.derivatives(u, v, *order) for order in ((2, 0), (1, 1), (0, 2)))
        cross = s.outward * np.cross(dv, du)
        length = np.linalg.norm(cross, axis=-1, keepdims=True)
        normal = cross / length
        depth = self.depth(u, v)[..., None]
        slopes = self.slopes(u, v)
        found = []
        for first, second_u, second_v, slope in ((du, uu, uv, slopes[0]), (dv, uv, vv, slopes[1])):
            turned = s.outward * (np.cross(second_v, du) + np.cross(dv, second_u)) / length
            turned -= (turned * normal).sum(-1, keepdims=True) * normal
            found.append(first - depth * turned - slope[..., None] * normal)
        return found[0], found[1]

    def slopes(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Derivatives of the depth along u (mm per mm) and v (mm per radian)."""
        u, v = np.broadcast_arrays(np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64))
        if self.even:
            return np.zeros(u.shape), np.zeros(u.shape)
        turn = _STEP_MM / np.linalg.norm(self.surface.derivatives(u, v, 0, 1), axis=-1)
        along = self.depth(u + _STEP_MM, v) - self.depth(u - _STEP_MM, v)
        around = self.depth(u, v + turn) - self.depth(u, v - turn)
        return along / (2.0 * _STEP_MM), around / (2.0 * turn)

    def normals(self, u: Floats, v: Floats) -> Floats:
        """Outward unit normals, (..., 3)."""
        if self.even:
            return self.surface.normals(u, v)
        du, dv = self.tangents(u, v)
        cross = self.surface.outward * np.cross(dv, du)
        return np.asarray(cross / np.linalg.norm(cross, axis=-1, keepdims=True))
