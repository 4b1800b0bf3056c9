"""Surfaces below others: closed forms, Steiner's formulas for an ellipse, and a CAD kernel's own offsets."""

import numpy as np
import pytest
import trimesh
from OCP.Geom import Geom_OffsetSurface
from OCP.GeomAPI import GeomAPI_ProjectPointOnSurf
from OCP.gp import gp_Pnt

from closed_surfaces import SHAPES, cone, spline_of, torus
from gaploft.target.offset import Below
from gaploft.target.trim import fitting
from laid_layers import cut, depth_map, fit_of
from lofted import lofted_tube

#: What an offset may be off, mm.
ALLOWED_MM = 0.002
RNG = np.random.default_rng(3)
CYLINDER = spline_of(SHAPES["cylinder"].point, 100.0, 20, 48)
TORUS = spline_of(torus(60.0, 16.0).point, 100.0, 30, 48)


def even(depth):
    return lambda u, v: np.full(np.broadcast_shapes(np.shape(u), np.shape(v)), depth)


def places(length, n=2000):
    return RNG.uniform(0.0, length, n), RNG.uniform(0.0, 2 * np.pi, n)


@pytest.mark.parametrize("depth", [0.07, 0.4, 3.0])
def test_below_a_cylinder_lies_a_thinner_one(depth):
    u, v = places(100.0)
    below = Below(CYLINDER, even(depth), even=True)
    points = below.points(u, v)
    np.testing.assert_allclose(np.hypot(points[:, 0], points[:, 1]), 16.0 - depth, atol=1e-5)
    np.testing.assert_allclose(below.normals(u, v), SHAPES["cylinder"].normal(u, v), atol=1e-5)


@pytest.mark.parametrize("depth", [0.07, 0.4, 3.0])
def test_below_a_cone_lies_a_cone_shifted_along_its_axis(depth):
    """Radius 20 - 0.02 z; its offset has the same slope and the radius at z less by depth / cos."""
    surface = spline_of(cone().point, 300.0, 30, 48)
    u, v = places(300.0)
    points = Below(surface, even(depth), even=True).points(u, v)
    expected = 20.0 - 0.02 * points[:, 2] - depth * np.hypot(1.0, 0.02)
    np.testing.assert_allclose(np.hypot(points[:, 0], points[:, 1]), expected, atol=1e-5)


@pytest.mark.parametrize("depth", [0.07, 0.4, 3.0])
def test_below_a_torus_lies_one_with_a_thinner_tube(depth):
    u, v = places(100.0)
    below = Below(TORUS, even(depth), even=True)
    points = below.points(u, v)
    tube = np.hypot(np.hypot(points[:, 0], points[:, 2]) - 60.0, points[:, 1])
    np.testing.assert_allclose(tube, 16.0 - depth, atol=2e-5)
    # the general way and the short one for an even depth agree
    np.testing.assert_allclose(Below(TORUS, even(depth)).normals(u, v), below.normals(u, v), atol=1e-9)


def test_a_depth_that_grows_evenly_along_a_cylinder_makes_a_cone():
    below = Below(CYLINDER, lambda u, v: 0.2 + 0.03 * u + 0.0 * v)
    u, v = places(100.0)
    u = np.clip(u, 0.1, 99.9)
    points = below.points(u, v)
    np.testing.assert_allclose(np.hypot(points[:, 0], points[:, 1]), 15.8 - 0.03 * points[:, 2], atol=1e-5)
    slope = np.hypot(1.0, 0.03)
    expected = np.column_stack([np.cos(v) / slope, np.sin(v) / slope, np.full(len(v), 0.03 / slope)])
    np.testing.assert_allclose(below.normals(u, v), expected, atol=1e-5)


def test_a_depth_that_changes_around_a_cylinder_is_a_curve_in_polar_form():
    """Its normal leans by r'/r from the radius."""
    below = Below(CYLINDER, lambda u, v: 1.0 + 0.3 * np.cos(3.0 * v) + 0.0 * u)
    u, v = places(100.0)
    r, slope = 15.0 - 0.3 * np.cos(3.0 * v), 0.9 * np.sin(3.0 * v)
    expected = np.column_stack(
        [r * np.cos(v) + slope * np.sin(v), r * np.sin(v) - slope * np.cos(v), 0.0 * v]
    )
    expected /= np.hypot(r, slope)[:, None]
    np.testing.assert_allclose(below.normals(u, v), expected, atol=1e-5)


@pytest.mark.parametrize(
    ("depth", "area", "perimeter"),
    [(0.4, 837.0896460, 105.1341055), (0.07, 872.1260202, 107.2075567)],
)
def test_sections_below_an_ellipse_have_the_measure_that_steiner_gives(depth, area, perimeter):
    """Area A - P t + pi t^2 and perimeter P - 2 pi t for half axes 20 and 14 (J. Steiner, 1840; the ellipse's
    perimeter 107.6473796 by the complete elliptic integral)."""
    surface = spline_of(SHAPES["ellipse"].point, 100.0, 8, 96)
    v = np.arange(20000) * (2 * np.pi / 20000)
    x, y, _ = Below(surface, even(depth), even=True).points(np.full(len(v), 40.0), v).T
    found = 0.5 * np.abs((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())
    around = np.hypot(np.roll(x, -1) - x, np.roll(y, -1) - y).sum()
    assert found == pytest.approx(area, rel=1e-6)
    assert around == pytest.approx(perimeter, rel=1e-6)


def spline_next_to(tube, length, n_u, n_v):
    """Our surface next to a lofted one, and how far it is from it."""

    def point(u, v):
        uu, vv = np.broadcast_arrays(u + 30.0, v / (2 * np.pi))
        return tube.evaluate(uu.ravel(), vv.ravel())[0].reshape(*uu.shape, 3)

    return spline_of(point, length, n_u, n_v)


#: Loft, depth, and spans around it that our surface needs to come as near.
LOFTS = [("oval", 0.6, 96), ("d_section", 0.6, 160), ("stay", 0.6, 96), ("hourglass", 0.6, 96)]
LOFTS += [("aerofoil", 0.4, 240)]


@pytest.mark.parametrize(("kind", "depth", "n_v"), LOFTS)
def test_below_a_loft_lies_the_offset_of_the_cad_kernel(kind, depth, n_v):
    """The kernel measures the distance of our points to its own offset of its own loft. Our surface is not
    quite that loft, which is measured first."""
    tube = lofted_tube(kind)
    surface = spline_next_to(tube, 40.0, 12, n_v)
    u, v = RNG.uniform(1.0, 39.0, 60), RNG.uniform(0.0, 2 * np.pi, 60)
    off_loft = np.abs(tube.distance(surface.evaluate(u, v))).max()
    assert off_loft < 1e-3
    assert fitting(surface, even(depth), None, (0.0, 40.0), trim=False).cap is None
    kernel = Geom_OffsetSurface(tube.surface.kernel, -depth, True)
    low, high = tube.surface.kernel.Bounds()[2:]
    w = np.interp([20.0, 80.0], tube.along_of_w[1], tube.along_of_w[0])
    assert low <= w[0] < w[1] <= high
    t0, t1 = tube.surface.kernel.Bounds()[:2]
    points = Below(surface, even(depth), even=True).points(u, v)
    away = [
        GeomAPI_ProjectPointOnSurf(gp_Pnt(*map(float, p)), kernel, t0, t1, w[0], w[1]).LowerDistance()
        for p in points
    ]
    assert max(away) < ALLOWED_MM
    assert max(away) < off_loft + 1e-4


@pytest.mark.parametrize("tolerance", [0.02, 0.005])
def test_the_chord_error_is_that_of_the_offset(tolerance):
    """Points all over the facets are measured against the torus that the target is."""
    target = cut(fit_of(TORUS), depth_map(even(0.8), even=True), chord=tolerance)
    mesh = trimesh.Trimesh(target.vertices_mm, target.triangles, process=False)
    points, _ = trimesh.sample.sample_surface(mesh, 40_000, seed=1)
    away = np.abs(np.hypot(np.hypot(points[:, 0], points[:, 2]) - 60.0, points[:, 1]) - 15.2)
    assert away.max() <= tolerance
    assert target.chord_error_mm == pytest.approx(away.max(), rel=0.1)


def test_facets_follow_a_depth_that_bends_more_than_the_surface():
    """A cylinder with ripples of depth: radius 15 - 0.3 cos(0.8 u) is what facets are measured against."""
    layers = depth_map(lambda u, v: 1.0 + 0.3 * np.cos(0.8 * u) + 0.0 * v)
    target = cut(fit_of(CYLINDER), layers)
    mesh = trimesh.Trimesh(target.vertices_mm, target.triangles, process=False)
    points, _ = trimesh.sample.sample_surface(mesh, 40_000, seed=1)
    radial = np.abs(np.hypot(points[:, 0], points[:, 1]) - (15.0 - 0.3 * np.cos(0.8 * points[:, 2])))
    assert target.chord_error_mm <= 0.005
    assert radial.max() <= 0.005
    smooth = cut(fit_of(CYLINDER), depth_map(even(1.0), even=True))
    assert target.shape[0] > 1.5 * smooth.shape[0]
    assert target.uv.shape == (len(target.vertices_mm), 2)
    lowered = CYLINDER.evaluate(*target.uv.T) - target.depth_mm[:, None] * CYLINDER.normals(*target.uv.T)
    np.testing.assert_allclose(target.vertices_mm, lowered, atol=1e-12)
