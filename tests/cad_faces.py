"""Exact foot points on faces made by a CAD kernel (Open CASCADE): tubes and fillets.

Cylinders and cones are evaluated in closed form, fillets from the kernel's own poles, weights and knots by
scipy, which takes thousands of points at once. ``test_junctions.py`` holds feet and normals against the
kernel's own.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from OCP.Geom import Geom_BSplineSurface
from scipy.interpolate import NdBSpline
from scipy.spatial import cKDTree

from junction_mesh import Floats, Mask

#: So far past the edge of a face a foot still counts as on it: its neighbour goes on smoothly (mm).
_PAST_EDGE_MM = 1e-3
#: No sample of a spline is farther than this from some point of it (mm).
_SAMPLE_MM = 0.6


@dataclass(frozen=True)
class Edge:
    """Points (k, 3) along the edges of a face, and unit directions (k, 3) in the face away from them."""

    points: Floats
    inward: Floats

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self.points)

    def within(self, feet: Floats) -> Mask:
        """Which feet on the untrimmed surface lie on the face: inwards of the nearest edge point."""
        _, nearest = self._tree.query(feet)
        past = np.sum((feet - self.points[nearest]) * self.inward[nearest], axis=1)
        return np.asarray(past > -_PAST_EDGE_MM)


@dataclass(frozen=True)
class TubeFace:
    """A cylinder, or a cone whose radius grows by ``tan(half_angle)`` along the axis; it has no ends."""

    origin: Floats
    axis: Floats
    radius_mm: float
    half_angle_rad: float
    edge: Edge

    def foot(self, points: Floats) -> tuple[Floats, Floats, Mask]:
        """Closed form: in the plane of a point and the axis the tube is a straight line."""
        offset = points - self.origin
        along = offset @ self.axis
        radial = offset - along[:, None] * self.axis
        out = np.linalg.norm(radial, axis=1, keepdims=True)
        radial = radial / np.where(out > 0.0, out, 1.0)
        cosine, sine = np.cos(self.half_angle_rad), np.sin(self.half_angle_rad)
        normal = cosine * radial - sine * self.axis
        height = cosine * (out[:, 0] - self.radius_mm) - sine * along
        feet = points - height[:, None] * normal
        return feet, normal, self.edge.within(feet)

    def near(self, points: Floats, within_mm: Floats) -> Mask:
        """Closed forms are quick: all of them."""
        return np.ones(len(points), dtype=bool)


@dataclass(frozen=True)
class SplineFace:
    """A rational B-spline face that fills its whole range of parameters; ``side`` turns normals outward."""

    kernel: Geom_BSplineSurface
    side: float

    @cached_property
    def _homogeneous(self) -> NdBSpline:
        """Weighted poles and weights, the kernel's own."""
        s = self.kernel
        n_u, n_v = s.NbUPoles(), s.NbVPoles()
        pole = [[s.Pole(i + 1, j + 1) for j in range(n_v)] for i in range(n_u)]
        weight = np.array([[s.Weight(i + 1, j + 1) for j in range(n_v)] for i in range(n_u)])
        xyz = np.array([[(p.X(), p.Y(), p.Z()) for p in row] for row in pole])
        knots_u = [s.UKnot(i + 1) for i in range(s.NbUKnots()) for _ in range(s.UMultiplicity(i + 1))]
        knots_v = [s.VKnot(i + 1) for i in range(s.NbVKnots()) for _ in range(s.VMultiplicity(i + 1))]
        table = np.concatenate([xyz * weight[:, :, None], weight[:, :, None]], axis=2)
        return NdBSpline((np.array(knots_u), np.array(knots_v)), table, (s.UDegree(), s.VDegree()))

    @cached_property
    def range(self) -> Floats:
        """First and last parameters, ``[[u, v], [u, v]]``."""
        u_first, u_last, v_first, v_last = self.kernel.Bounds()
        return np.array([[u_first, v_first], [u_last, v_last]])

    @property
    def span(self) -> Floats:
        """Lengths of the ranges of both parameters."""
        return np.asarray(self.range[1] - self.range[0])

    @cached_property
    def _closed(self) -> Mask:
        """Whether the face closes along u, and along v, to a ring."""
        share = np.linspace(0.0, 1.0, 9)
        first, last = np.zeros(9), np.ones(9)
        ends = [
            (self.uv(first, share), self.uv(last, share)),
            (self.uv(share, first), self.uv(share, last)),
        ]
        return np.array([np.allclose(self.at(a), self.at(b), atol=1e-6) for a, b in ends])

    def at(self, uv: Floats) -> Floats:
        """Points (n, 3) at parameters (n, 2)."""
        value = self._homogeneous(uv)
        return np.asarray(value[:, :3] / value[:, 3:])

    def derivatives(self, uv: Floats, *, second: bool = True) -> list[Floats]:
        """Point, by u, by v, and by uu, uv, vv, each (n, 3): the quotient rule on weighted poles."""

        def part(nu: int, nv: int) -> tuple[Floats, Floats]:
            value = self._homogeneous(uv, nu=(nu, nv))
            return value[:, :3], value[:, 3:]

        (a, w), (a_u, w_u), (a_v, w_v) = part(0, 0), part(1, 0), part(0, 1)
        s = a / w
        s_u, s_v = (a_u - s * w_u) / w, (a_v - s * w_v) / w
        if not second:
            return [s, s_u, s_v]
        (a_uu, w_uu), (a_uv, w_uv), (a_vv, w_vv) = part(2, 0), part(1, 1), part(0, 2)
        s_uu = (a_uu - 2 * s_u * w_u - s * w_uu) / w
        s_uv = (a_uv - s_u * w_v - s_v * w_u - s * w_uv) / w
        s_vv = (a_vv - 2 * s_v * w_v - s * w_vv) / w
        return [s, s_u, s_v, s_uu, s_uv, s_vv]

    @cached_property
    def _samples(self) -> tuple[cKDTree, Floats]:
        shares = [np.linspace(0.0, 1.0, 60)] * 2
        rough = self.at(self.uv(*np.meshgrid(*shares, indexing="ij"))).reshape(60, 60, 3)
        longest = [np.linalg.norm(np.diff(rough, axis=i), axis=2).sum(axis=i).max() for i in (0, 1)]
        shares = [np.linspace(0.0, 1.0, 2 + int(length / (0.7 * _SAMPLE_MM))) for length in longest]
        uv = self.uv(*np.meshgrid(*shares, indexing="ij"))
        return cKDTree(self.at(uv)), uv

    def uv(self, share_u: Floats, share_v: Floats) -> Floats:
        """Parameters (n, 2) from shares of their ranges."""
        shares = np.stack([share_u.ravel(), share_v.ravel()], axis=1)
        return np.asarray(self.range[0] + shares * self.span)

    def near(self, points: Floats, within_mm: Floats) -> Mask:
        """By the distance of the nearest sample."""
        return np.asarray(self._samples[0].query(points)[0] < within_mm + _SAMPLE_MM)

    def foot(self, points: Floats) -> tuple[Floats, Floats, Mask]:
        """From the nearest sample by Newton's steps, held to the face."""
        tree, samples = self._samples
        uv = samples[tree.query(points)[1]]
        active = np.arange(len(points))
        for _ in range(40):
            step = self._step(points[active], uv[active])
            moved = self._held(uv[active] + step)
            still = (np.abs(step) < 1e-10 * self.span) | (moved == uv[active])
            uv[active] = moved
            active = active[~still.all(axis=1)]
            if len(active) == 0:
                break
        s, s_u, s_v = self.derivatives(uv, second=False)
        normal = self.side * np.cross(s_u, s_v)
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        return s, normal, np.ones(len(s), dtype=bool)

    def _step(self, points: Floats, uv: Floats) -> Floats:
        """One Newton step of the squared distance; the Gauss-Newton step where that is not convex.

        Where a parameter is at its limit and the step leads out, the other one steps alone.
        """
        s, s_u, s_v, s_uu, s_uv, s_vv = self.derivatives(uv)
        gap = s - points
        first = np.stack([s_u, s_v], axis=1)
        slope = np.einsum("nik,nk->ni", first, gap)
        gauss = first @ first.transpose(0, 2, 1)
        bend = np.stack([np.sum(gap * d, axis=1) for d in (s_uu, s_uv, s_uv, s_vv)], axis=1)
        newton = gauss + bend.reshape(-1, 2, 2)
        convex = (newton[:, 0, 0] > 0) & (np.linalg.det(newton) > 0.05 * np.linalg.det(gauss))
        hessian = np.where(convex[:, None, None], newton, gauss)
        step = -np.linalg.solve(hessian, slope[:, :, None])[:, :, 0]
        stuck = ((uv <= self.range[0]) & (step < 0.0)) | ((uv >= self.range[1]) & (step > 0.0))
        stuck &= ~self._closed
        alone = -slope / np.maximum(np.diagonal(hessian, axis1=1, axis2=2), 1e-12)
        step = np.where(stuck.any(axis=1, keepdims=True), np.where(stuck, 0.0, alone), step)
        return np.clip(step, -0.05 * self.span, 0.05 * self.span)

    def _held(self, uv: Floats) -> Floats:
        """Parameters in their range: round again where the face closes, else at the limit."""
        round_again = self.range[0] + (uv - self.range[0]) % self.span
        return np.where(self._closed, round_again, np.clip(uv, *self.range))
