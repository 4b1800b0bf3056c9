"""Distance of a scan from a cylinder that it was moved off by known amounts."""

import numpy as np
import pytest

from gaploft.scan.near import points_near
from gaploft.target.seen import moved_outward, scan_distance
from plain_tube import open_tube

RADIUS_MM, LENGTH_MM = 16.0, 60.0


def cylinder(spacing, *, radius=RADIUS_MM, shift=0.0):
    """Vertices and outward normals of a cylinder about z, about as far apart as ``spacing``."""
    z = np.arange(0.0, LENGTH_MM, spacing) + shift
    angle = np.arange(0.0, 2.0 * np.pi, spacing / radius) + shift / radius
    zz, aa = (a.ravel() for a in np.meshgrid(z, angle, indexing="ij"))
    normals = np.column_stack([np.cos(aa), np.sin(aa), 0.0 * aa])
    return radius * normals + np.outer(zz, [0.0, 0.0, 1.0]), normals


def height_at(points):
    """A gentle swell along and around the cylinder, mm."""
    angle = np.arctan2(points[:, 1], points[:, 0])
    return 0.2 * np.sin(2.0 * np.pi * points[:, 2] / LENGTH_MM) + 0.1 * np.cos(2.0 * angle)


def scan_of(height, *, spacing=0.6):
    points, normals = cylinder(spacing, shift=0.31)
    return points + height(points)[:, None] * normals, normals


def test_a_constant_offset_comes_back():
    vertices, normals = cylinder(0.9)
    points, facing = scan_of(lambda p: np.full(len(p), 0.137))
    found = scan_distance(vertices, normals, points, depth_mm=3.0, point_normals=facing)
    # Normals of neighbours turn by 0.9/16, which is second order in the height that they tell.
    np.testing.assert_allclose(found, 0.137, atol=0.137 * (0.9 / RADIUS_MM) ** 2)


def test_a_swell_comes_back_up_to_what_averaging_over_the_reach_takes():
    vertices, normals = cylinder(0.9)
    points, facing = scan_of(height_at)
    found = scan_distance(vertices, normals, points, depth_mm=3.0, point_normals=facing)
    inner = (vertices[:, 2] > 2.0) & (vertices[:, 2] < LENGTH_MM - 2.0)
    # Slope 0.021 at most, points 0.6 mm apart: their lopsided middle is less than half a spacing off.
    np.testing.assert_allclose(found[inner], height_at(vertices)[inner], atol=0.021 * 0.3)


def test_a_hole_is_not_seen_and_its_rim_is():
    vertices, normals = cylinder(0.9)
    points, facing = scan_of(height_at)
    kept = np.abs(points[:, 2] - 30.0) > 8.0
    found = scan_distance(
        vertices, normals, points[kept], depth_mm=3.0, reach_mm=1.5, point_normals=facing[kept]
    )
    from_rim = np.abs(vertices[:, 2] - 30.0) - 8.0
    assert np.isnan(found[from_rim < -1.5]).all()
    assert np.isfinite(found[from_rim > 0.0]).all()


def test_a_dent_of_two_millimetres_is_measured_and_not_left_out():
    vertices, normals = cylinder(0.9)
    points, facing = scan_of(lambda p: -2.0 * np.exp(-(((p[:, 2] - 30.0) / 10.0) ** 2)))
    found = scan_distance(vertices, normals, points, depth_mm=3.0, point_normals=facing)
    middle = np.argmin(np.abs(vertices[:, 2] - 30.0))
    assert found[middle] == pytest.approx(-2.0, abs=0.02)


@pytest.mark.parametrize("with_normals", [True, False])
def test_inner_wall_and_another_tube_are_left_out(with_normals):
    vertices, normals = cylinder(0.9)
    points, facing = scan_of(height_at)
    depth = 3.0 if with_normals else 0.9  # without normals only the depth tells a wall of 1.2 mm
    alone = scan_distance(vertices, normals, points, depth_mm=depth, point_normals=facing)
    wall, wall_facing = cylinder(0.6, radius=RADIUS_MM - 1.5)
    other, other_facing = cylinder(0.6)
    other = other + [2.0 * RADIUS_MM + 1.5, 0.0, 0.0]
    points = np.concatenate([points, wall, other])
    facing = np.concatenate([facing, -wall_facing, other_facing])
    found = scan_distance(
        vertices, normals, points, depth_mm=depth, point_normals=facing if with_normals else None
    )
    np.testing.assert_allclose(found, alone, atol=2e-3)


def test_neither_place_nor_order_matters():
    vertices, normals = cylinder(1.5)
    points, facing = scan_of(height_at)
    expected = scan_distance(vertices, normals, points, depth_mm=3.0, point_normals=facing)
    rng = np.random.default_rng(4)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    turn *= np.linalg.det(turn)
    order = rng.permutation(len(points))
    found = scan_distance(
        vertices @ turn.T + 70.0,
        normals @ turn.T,
        (points @ turn.T + 70.0)[order],
        depth_mm=3.0,
        reach_mm=1.4,
        point_normals=(facing @ turn.T)[order],
    )
    expected = scan_distance(vertices, normals, points, depth_mm=3.0, reach_mm=1.4, point_normals=facing)
    assert np.isfinite(expected).all()
    # Of equally near points of a regular scan another eighth may be taken.
    assert np.sqrt(np.mean((found - expected) ** 2)) < 1e-3


def test_no_points_see_nothing():
    vertices, normals = cylinder(3.0)
    far = vertices + [500.0, 0.0, 0.0]
    for points in (np.empty((0, 3)), far):
        assert np.isnan(scan_distance(vertices, normals, points, depth_mm=3.0)).all()
    assert scan_distance(np.empty((0, 3)), np.empty((0, 3)), far, depth_mm=3.0).shape == (0,)
    one = scan_distance(vertices, normals, vertices[5:6] + 0.25 * normals[5], depth_mm=1.0, reach_mm=0.5)
    assert np.flatnonzero(np.isfinite(one)).tolist() == [5]
    assert one[5] == pytest.approx(0.25, abs=0.25 * (3.0 / RADIUS_MM) ** 2)  # as coarse as the surface is


def test_points_near_hold_what_is_bent_into_the_gap_and_little_else():
    vertices, faces = open_tube(radius=16.0, length=300.0, n_u=241, n_v=80, gap=(130.0, 170.0))
    flap, flap_faces = open_tube(radius=12.0, length=20.0, n_u=17, n_v=80)
    other, other_faces = open_tube(radius=10.0, length=300.0, n_u=121, n_v=60)
    parts = [vertices, flap + [0.0, 0.0, 140.0], other + [45.0, 0.0, 0.0], [[0.0, 15.5, 150.0]]]
    starts = np.cumsum([0, *map(len, parts)])
    triangles = np.concatenate(
        [f + n for f, n in zip((faces, flap_faces, other_faces), starts[:3], strict=True)]
    )
    scan = np.concatenate(parts) / 25.4
    surface = vertices[(vertices[:, 2] > 120.0) & (vertices[:, 2] < 180.0)]
    points, normals = points_near(scan, triangles, surface, room_mm=5.0, mm_per_unit=25.4)
    assert (np.abs(points[:, 2] - 150.0) < 35.0).all()
    assert points[:, 0].max() < 21.0
    radius = np.hypot(points[:, 0], points[:, 1])
    assert (np.abs(radius - 12.0) < 1e-6).sum() == len(flap)
    with_faces = np.linalg.norm(normals, axis=1) > 0.5
    assert not with_faces[-1]
    assert with_faces[np.abs(radius - 12.0) < 1e-6].all()
    outward = np.einsum("ij,ij->i", points[:, :2], normals[:, :2]) / radius
    assert (outward[with_faces & (np.abs(radius - 16.0) < 0.01)] > 0.99).all()


def test_a_point_without_a_face_counts():
    vertices, normals = cylinder(3.0)
    point = vertices[40:41] + 0.25 * normals[40]
    options = {"depth_mm": 1.0, "reach_mm": 0.5}
    found = scan_distance(vertices, normals, point, point_normals=np.zeros((1, 3)), **options)
    assert np.flatnonzero(np.isfinite(found)).tolist() == [40]
    assert np.isnan(scan_distance(vertices, normals, point, point_normals=-normals[40:41], **options)).all()


def test_what_was_moved_along_the_surface_is_no_height():
    vertices, normals = cylinder(3.0)
    along = np.array([0.0, 0.0, 0.7])
    np.testing.assert_allclose(moved_outward(vertices, vertices + 0.2 * normals + along, normals), 0.2)


def test_wrong_calls_are_refused():
    vertices, normals = cylinder(3.0)
    with pytest.raises(ValueError, match="normals for"):
        scan_distance(vertices, normals[:-1], vertices, depth_mm=1.0)
    with pytest.raises(ValueError, match=r"for .* points"):
        scan_distance(vertices, normals, vertices, depth_mm=1.0, point_normals=normals[:-1])
    with pytest.raises(ValueError, match="depth_mm must be a number above 0"):
        scan_distance(vertices, normals, vertices, depth_mm=0.0)
    with pytest.raises(ValueError, match="reach_mm must be a number above 0"):
        scan_distance(vertices, normals, vertices, depth_mm=1.0, reach_mm=-1.0)
