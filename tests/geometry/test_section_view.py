"""Sections of tubes whose outlines, curvatures and deviations are known from how they were made."""

import numpy as np
import pytest

from gaploft.target.rings import as_rings, points_on_rings
from gaploft.target.section_view import closed_curvature, cut_section, round_length

N_U, N_V, LENGTH_MM, BAND_MM = 31, 120, 60.0, 0.04
A_MM, B_MM = 20.0, 12.0


def ellipse_tube(a=A_MM, b=B_MM):
    """Points and outward normals of an elliptic cylinder about z, (n, 3) each."""
    z, t = np.meshgrid(np.linspace(0.0, LENGTH_MM, N_U), 2 * np.pi * np.arange(N_V) / N_V, indexing="ij")
    points = np.stack([a * np.cos(t), b * np.sin(t), z], axis=-1).reshape(-1, 3)
    normals = np.stack([b * np.cos(t), a * np.sin(t), 0 * t], axis=-1).reshape(-1, 3)
    return points, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def rings_of(points, normals):
    return as_rings(points, normals, np.full(len(points), BAND_MM), (N_U, N_V))


@pytest.fixture
def ellipse():
    return rings_of(*ellipse_tube())


def test_stations_and_radius(ellipse):
    np.testing.assert_allclose(ellipse.stations_mm, np.linspace(0.0, LENGTH_MM, N_U), atol=1e-12)
    assert ellipse.length_mm == pytest.approx(LENGTH_MM)
    assert rings_of(*ellipse_tube(9.0, 9.0)).radius_mm == pytest.approx(9.0)


@pytest.mark.parametrize("station", [0.0, 2.0, 13.7, LENGTH_MM, -5.0, 99.0])
def test_outline_is_the_section_whatever_the_station(ellipse, station):
    view = cut_section(ellipse, station, exaggeration=50.0)
    x, y = view.outline.T
    np.testing.assert_allclose((x / A_MM) ** 2 + (y / B_MM) ** 2, 1.0, atol=1e-12)
    assert view.station_mm == pytest.approx(np.clip(station, 0.0, LENGTH_MM))
    np.testing.assert_allclose(view.ring_mm[:, 2], view.station_mm, atol=1e-9)
    np.testing.assert_allclose(view.changed, view.outline, atol=1e-12)
    assert len(view.points) == 0


def test_up_is_up_and_right_is_right_seen_from_the_end(ellipse):
    up = cut_section(ellipse, 10.0, exaggeration=1.0, up=(0.0, 1.0, 0.0))
    np.testing.assert_allclose(up.outline[0], [A_MM, 0.0], atol=1e-12)
    sideways = cut_section(ellipse, 10.0, exaggeration=1.0, up=(1.0, 0.0, 0.0))
    np.testing.assert_allclose(sideways.outline[0], [0.0, A_MM], atol=1e-12)
    along = cut_section(ellipse, 10.0, exaggeration=1.0, up=(0.0, 0.1, 1.0))
    np.testing.assert_allclose(along.outline[0], [A_MM, 0.0], atol=1e-12)


def test_curvature_of_circle_and_ellipse():
    """Ellipse: a b / (a^2 sin^2 t + b^2 cos^2 t)^(3/2); both ways round."""
    t = 2 * np.pi * np.arange(720) / 720
    line = np.column_stack([A_MM * np.cos(t), B_MM * np.sin(t)])
    expected = A_MM * B_MM / ((A_MM * np.sin(t)) ** 2 + (B_MM * np.cos(t)) ** 2) ** 1.5
    np.testing.assert_allclose(closed_curvature(line), expected, rtol=2e-4)  # second order in 1/720
    np.testing.assert_allclose(closed_curvature(line[::-1]), expected[::-1], rtol=2e-4)
    circle = 7.0 * np.column_stack([np.cos(t[::5]), np.sin(t[::5])])
    np.testing.assert_allclose(closed_curvature(circle), 1.0 / 7.0, rtol=1e-9)


def test_curvature_converges_at_second_order_and_sees_hollows():
    def worst(n):
        t = 2 * np.pi * np.arange(n) / n
        line = np.column_stack([A_MM * np.cos(t), B_MM * np.sin(t)])
        expected = A_MM * B_MM / ((A_MM * np.sin(t)) ** 2 + (B_MM * np.cos(t)) ** 2) ** 1.5
        return np.abs(closed_curvature(line) - expected).max()

    assert worst(100) / worst(200) == pytest.approx(4.0, rel=0.05)
    t = 2 * np.pi * np.arange(800) / 800
    peanut = (1.0 + 0.4 * np.cos(2 * t))[:, None] * np.column_stack([np.cos(t), np.sin(t)])
    curvature = closed_curvature(peanut)
    assert curvature[0] > 0.0
    # r r'' at the waist, r = 0.6 and r'' = 1.6: (r^2 - r r'') / r^3.
    assert curvature[200] == pytest.approx((0.36 - 0.96) / 0.216, rel=1e-3)


def test_comb_teeth_are_curvature_along_the_normal(ellipse):
    view = cut_section(ellipse, 20.0, exaggeration=10.0)
    teeth = view.comb(30.0) - view.outline
    np.testing.assert_allclose(np.linalg.norm(teeth, axis=1), 30.0 * view.curvature, rtol=1e-9)
    np.testing.assert_allclose(np.einsum("ij,ij->i", teeth, view.outward), 30.0 * view.curvature, rtol=1e-9)


@pytest.mark.parametrize("factor", [1.0, 40.0, 200.0])
def test_band_and_hand_are_enlarged_by_the_factor(ellipse, factor):
    points, normals = ellipse_tube()
    by_hand = 0.03 * np.sin(points[:, 2] / 9.0) * np.sign(points[:, 0])
    changed = points + by_hand[:, None] * normals
    view = cut_section(ellipse, 24.0, exaggeration=factor, changed_mm=changed)
    row = 12 * N_V  # the ring at 24 mm
    for line, size in ((view.band_high, BAND_MM), (view.band_low, -BAND_MM)):
        np.testing.assert_allclose(line - view.outline, factor * size * view.outward, atol=1e-9)
    expected = factor * by_hand[row : row + N_V, None] * view.outward
    np.testing.assert_allclose(view.changed - view.outline, expected, atol=1e-9)


def test_curvature_is_that_of_the_true_changed_section():
    points, normals = ellipse_tube(10.0, 10.0)
    view = cut_section(rings_of(points, normals), 30.0, exaggeration=100.0, changed_mm=points + 2.0 * normals)
    np.testing.assert_allclose(view.curvature, 1.0 / 12.0, rtol=1e-9)


def scan_off(height, n=4000):
    """Scan points at random places of a round tube, off by ``height``, with their places."""
    rng = np.random.default_rng(7)
    z, t = rng.uniform(0.0, LENGTH_MM, n), rng.uniform(0.0, 2 * np.pi, n)
    normals = np.column_stack([np.cos(t), np.sin(t), 0 * t])
    return 10.0 * normals + height * normals + np.outer(z, [0.0, 0.0, 1.0]), normals, z, t


def test_scan_points_lie_where_they_are():
    rings = rings_of(*ellipse_tube(10.0, 10.0))
    points, normals, z, t = scan_off(0.2)
    on = points_on_rings(rings, points, depth_mm=2.0, point_normals=normals)
    order = np.argsort(z)
    np.testing.assert_allclose(on.station_mm, z[order], atol=1e-9)
    # A facet spans 3 degrees: its chord is off the arc by a thousandth of a step, its radius by the cosine.
    np.testing.assert_allclose(on.place, t[order] * N_V / (2 * np.pi), atol=0.02)
    np.testing.assert_allclose(on.height_mm, 0.2, atol=0.2 * np.radians(3.0) ** 2)


def test_points_of_a_section_are_those_of_its_slab_and_enlarged():
    rings = rings_of(*ellipse_tube(10.0, 10.0))
    points, normals, z, _ = scan_off(-0.1)
    on = points_on_rings(rings, points, depth_mm=2.0, point_normals=normals)
    view = cut_section(rings, 21.3, exaggeration=20.0, points=on, slab_mm=1.5)
    assert len(view.points) == (np.abs(z - 21.3) <= 0.75).sum() > 20
    np.testing.assert_allclose(np.linalg.norm(view.points, axis=1), 10.0 - 20.0 * 0.1, atol=0.01)
    np.testing.assert_allclose(view.point_height_mm, -0.1, atol=1e-3)


def test_points_far_off_inside_the_wall_or_past_the_ends_are_left_out():
    rings = rings_of(*ellipse_tube(10.0, 10.0))
    points, normals, _, _ = scan_off(0.0, 50)
    beside = [points + 5.0 * normals, points + [0.0, 0.0, 100.0]]
    on = points_on_rings(rings, np.concatenate(beside), depth_mm=2.0)
    assert len(on.height_mm) == 0
    inner = points_on_rings(rings, points - normals, depth_mm=2.0, point_normals=-normals)
    assert len(inner.height_mm) == 0
    assert len(points_on_rings(rings, np.empty((0, 3)), depth_mm=2.0).place) == 0


def test_a_sparse_scan_shows_points_at_every_station():
    rings = rings_of(*ellipse_tube(10.0, 10.0))
    z, t = np.meshgrid(np.arange(1.0, LENGTH_MM, 3.0), np.arange(0.0, 2 * np.pi, 0.2), indexing="ij")
    normals = np.stack([np.cos(t), np.sin(t), 0 * t], axis=-1).reshape(-1, 3)
    on = points_on_rings(rings, 10.0 * normals + np.outer(z.ravel(), [0.0, 0.0, 1.0]), depth_mm=2.0)
    assert on.spacing_mm == pytest.approx(20.0 * np.sin(0.1), rel=1e-3)
    for station in np.linspace(1.0, 50.0, 23):
        assert len(cut_section(rings, station, exaggeration=1.0, points=on).points) >= 32


def test_a_bent_tube_is_cut_square_to_its_centre_line():
    bend, z = 100.0, np.linspace(0.0, 1.0, N_U)
    t = 2 * np.pi * np.arange(N_V) / N_V
    zz, tt = np.meshgrid(z, t, indexing="ij")
    outward = np.stack([np.cos(tt) * np.cos(zz), np.sin(tt), np.cos(tt) * np.sin(zz)], axis=-1)
    centre = bend * np.stack([np.cos(zz), 0 * zz, np.sin(zz)], axis=-1)
    rings = rings_of((centre + 8.0 * outward).reshape(-1, 3), outward.reshape(-1, 3))
    view = cut_section(rings, 0.37 * rings.length_mm, exaggeration=1.0, up=(0.0, 1.0, 0.0))
    np.testing.assert_allclose(np.linalg.norm(view.outline, axis=1), 8.0, rtol=2e-3)
    np.testing.assert_allclose(view.curvature, 1.0 / 8.0, rtol=5e-3)


@pytest.mark.parametrize(
    ("longest", "bar"), [(7.3, 5.0), (10.0, 10.0), (0.49, 0.2), (1.99, 1.0), (99.0, 50.0)]
)
def test_scale_bars_are_round(longest, bar):
    assert round_length(longest) == pytest.approx(bar)


def test_wrong_calls_are_refused(ellipse):
    points, normals = ellipse_tube()
    with pytest.raises(ValueError, match="are not 31 rings of 119 points"):
        as_rings(points, normals, np.zeros(len(points)), (N_U, N_V - 1))
    with pytest.raises(ValueError, match=r"changed_mm must have shape \(3720, 3\)"):
        cut_section(ellipse, 1.0, exaggeration=2.0, changed_mm=points[1:])
    with pytest.raises(ValueError, match="exaggeration must be a number above 0"):
        cut_section(ellipse, 1.0, exaggeration=0.0)
    with pytest.raises(ValueError, match="longest_mm must be a number above 0"):
        round_length(0.0)
    with pytest.raises(ValueError, match="depth_mm must be a number above 0"):
        points_on_rings(ellipse, points, depth_mm=0.0)
