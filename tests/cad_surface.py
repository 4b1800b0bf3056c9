"""A surface lofted by a CAD kernel (Open CASCADE), and exact distances to it.

The kernel makes the surface from section curves; its poles and knots are then evaluated by scipy,
which takes thousands of points at once. ``test_lofted.py`` holds evaluation and distances against
the kernel's own.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from OCP.BRep import BRep_Tool
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeWire
from OCP.BRepOffsetAPI import BRepOffsetAPI_ThruSections
from OCP.collections import HArray1_double, HArray1_gp_Pnt
from OCP.Geom import Geom_BSplineSurface
from OCP.GeomAPI import GeomAPI_Interpolate
from OCP.gp import gp_Pnt
from OCP.TopAbs import TopAbs_FACE
from OCP.TopExp import TopExp_Explorer
from OCP.TopoDS import TopoDS, TopoDS_Wire
from scipy.interpolate import NdBSpline
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]

#: Farther than this from the surface no foot point is sought closer than the sampled one (mm).
_REFINE_WITHIN_MM = 8.0


def _wire(points: Floats) -> TopoDS_Wire:
    """A closed cubic curve through points, at even parameters so that all sections share knots."""
    n = len(points)
    through, at = HArray1_gp_Pnt(1, n), HArray1_double(1, n + 1)
    for i, point in enumerate(points, start=1):
        through.SetValue(i, gp_Pnt(*map(float, point)))
    for i in range(n + 1):
        at.SetValue(i + 1, i / n)
    curve = GeomAPI_Interpolate(through, at, True, 1e-9)
    curve.Perform()
    return BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(curve.Curve()).Edge()).Wire()


def loft(sections: Sequence[Floats]) -> "CadSurface":
    """Loft one smooth face through closed sections, each (n, 3) mm, not repeating its first point."""
    builder = BRepOffsetAPI_ThruSections(False, False, 1e-6)
    builder.CheckCompatibility(False)
    for section in sections:
        builder.AddWire(_wire(section))
    builder.Build()
    faces = TopExp_Explorer(builder.Shape(), TopAbs_FACE)
    surface = BRep_Tool.Surface_s(TopoDS.Face(faces.Current()))
    faces.Next()
    if faces.More():
        raise AssertionError("the kernel lofted more than one face")
    return CadSurface(surface)


@dataclass(frozen=True)
class CadSurface:
    """One lofted face; ``t`` runs around (0 to 1, closed), ``w`` along (0 to 1)."""

    kernel: Geom_BSplineSurface

    @cached_property
    def spline(self) -> NdBSpline:
        """The kernel's own poles and knots."""
        surface = self.kernel
        n_t, n_w = surface.NbUPoles(), surface.NbVPoles()
        pole = [[surface.Pole(i + 1, j + 1) for j in range(n_w)] for i in range(n_t)]
        weight = np.array([[surface.Weight(i + 1, j + 1) for j in range(n_w)] for i in range(n_t)])
        if np.ptp(weight) > 1e-8 * weight.max():  # the kernel leaves 1e-10 of rounding in them
            raise AssertionError("the kernel made a rational loft, which is not evaluated here")
        knots_t = np.repeat(
            [surface.UKnot(i + 1) for i in range(surface.NbUKnots())],
            [surface.UMultiplicity(i + 1) for i in range(surface.NbUKnots())],
        )
        knots_w = np.repeat(
            [surface.VKnot(i + 1) for i in range(surface.NbVKnots())],
            [surface.VMultiplicity(i + 1) for i in range(surface.NbVKnots())],
        )
        poles = np.array([[(p.X(), p.Y(), p.Z()) for p in row] for row in pole])
        return NdBSpline((knots_t, knots_w), poles, (surface.UDegree(), surface.VDegree()))

    def at(self, t: Floats, w: Floats, *, nu: tuple[int, int] = (0, 0)) -> Floats:
        """Points, or derivatives, (n, 3)."""
        low, high = self.kernel.Bounds()[:2]
        # the kernel may close the turn a rounding error short of 1
        turn = low + np.asarray(t) % 1.0 * (high - low)
        return np.asarray(self.spline(np.stack([turn, w], axis=-1), nu=nu))

    def normals(self, t: Floats, w: Floats) -> Floats:
        """Outward unit normals, for sections that turn anticlockwise seen against the way along."""
        normal = np.cross(self.at(t, w, nu=(1, 0)), self.at(t, w, nu=(0, 1)))
        return np.asarray(normal / np.linalg.norm(normal, axis=1, keepdims=True))

    @cached_property
    def _samples(self) -> tuple[cKDTree, Floats, Floats]:
        length = np.linalg.norm(np.diff(self.at(np.zeros(200), np.linspace(0, 1, 200)), axis=0), axis=1).sum()
        turn = np.linalg.norm(
            np.diff(self.at(np.linspace(0, 1, 200), np.full(200, 0.5)), axis=0), axis=1
        ).sum()
        t, w = np.meshgrid(
            np.linspace(0, 1, int(turn / 0.8), endpoint=False),
            np.linspace(0, 1, int(length / 1.2)),
            indexing="ij",
        )
        t, w = t.ravel(), w.ravel()
        return cKDTree(self.at(t, w)), t, w

    def closest(self, points: Floats) -> tuple[Floats, Floats]:
        """Parameters ``t``, ``w`` of the closest surface points: nearest sample, then Newton steps."""
        tree, sample_t, sample_w = self._samples
        away, nearest = tree.query(points)
        t, w = sample_t[nearest].copy(), sample_w[nearest].copy()
        active = np.flatnonzero(away < _REFINE_WITHIN_MM)
        for _ in range(40):
            if len(active) == 0:
                break
            step = self._newton_step(points[active], t[active], w[active])
            new_w = np.clip(w[active] + step[:, 1], 0.0, 1.0)
            moved = np.abs(step[:, 0]) + np.abs(new_w - w[active])
            t[active] = (t[active] + step[:, 0]) % 1.0
            w[active] = new_w
            active = active[moved > 1e-10]
        return t, w

    def _newton_step(self, points: Floats, t: Floats, w: Floats) -> Floats:
        """One Newton step of the squared distance; the Gauss-Newton step where that is not convex."""
        gap = self.at(t, w) - points
        by_t, by_w = self.at(t, w, nu=(1, 0)), self.at(t, w, nu=(0, 1))
        slope = np.stack([np.sum(gap * by_t, axis=1), np.sum(gap * by_w, axis=1)], axis=1)
        first = np.stack([by_t, by_w], axis=1)
        gauss = first @ first.transpose(0, 2, 1)
        bend = np.empty_like(gauss)
        bend[:, 0, 0] = np.sum(gap * self.at(t, w, nu=(2, 0)), axis=1)
        bend[:, 1, 1] = np.sum(gap * self.at(t, w, nu=(0, 2)), axis=1)
        bend[:, 0, 1] = bend[:, 1, 0] = np.sum(gap * self.at(t, w, nu=(1, 1)), axis=1)
        newton = gauss + bend
        convex = (newton[:, 0, 0] > 0) & (np.linalg.det(newton) > 0.05 * np.linalg.det(gauss))
        hessian = np.where(convex[:, None, None], newton, gauss)
        step = -np.linalg.solve(hessian, slope[:, :, None])[:, :, 0]
        return np.clip(step, -0.02, 0.02)

    def distance(self, points: Floats) -> Floats:
        """Signed distance of points (n, 3), positive outside, mm."""
        t, w = self.closest(np.asarray(points, dtype=np.float64))
        gap = points - self.at(t, w)
        sign = np.where(np.sum(gap * self.normals(t, w), axis=1) < 0.0, -1.0, 1.0)
        return np.asarray(sign * np.linalg.norm(gap, axis=1))
