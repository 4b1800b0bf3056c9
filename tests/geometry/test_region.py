"""Marked regions on tubes whose axis, ends and coverage are known from how they were made."""

import numpy as np
import pytest

from gaploft.errors import InputError
from gaploft.tube.region import damage_from_region

RADIUS_MM, NOISE_MM = 16.0, 0.02


def tube(*, bend_radius_mm=np.inf, length_mm=200.0, noise_mm=NOISE_MM):
    """Points and normals of a round tube along z, in the y-z plane bent towards +y."""
    rng = np.random.default_rng(3)
    s, v = (
        a.ravel() for a in np.meshgrid(np.arange(0, length_mm, 1.0), np.linspace(0, 2 * np.pi, 96, False))
    )
    s = s - length_mm / 2 + rng.uniform(-0.3, 0.3, s.shape)
    turn = s / bend_radius_mm
    if np.isinf(bend_radius_mm):
        spine = np.column_stack([0 * s, 0 * s, s])
    else:
        spine = bend_radius_mm * np.column_stack([0 * s, 1 - np.cos(turn), np.sin(turn)])
    inward = np.column_stack([0 * s, np.cos(turn), -np.sin(turn)])
    normals = np.cos(v)[:, None] * [1.0, 0, 0] + np.sin(v)[:, None] * inward
    normals = normals + rng.normal(0, 0.04, normals.shape)
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    points = spine + RADIUS_MM * (np.cos(v)[:, None] * [1.0, 0, 0] + np.sin(v)[:, None] * inward)
    return points + rng.normal(0, noise_mm, points.shape), normals, s, v


def rotation(seed):
    q, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    return q * np.sign(np.linalg.det(q))


def test_region_all_round_gives_the_ends_on_the_centreline():
    points, normals, s, _ = tube()
    damage = damage_from_region(points, np.abs(s) < 40, normals)
    assert damage.source_vertices is None
    # Stations are 1 mm apart and jittered by 0.3 mm: the outermost marked point lies at most that far in.
    np.testing.assert_allclose([damage.from_mm[2], damage.to_mm[2]], [-40, 40], atol=1.0)
    assert np.abs(np.array([damage.from_mm, damage.to_mm])[:, :2]).max() < 0.05 * RADIUS_MM


@pytest.mark.parametrize(("half_mm", "half_deg"), [(6.0, 20.0), (15.0, 60.0), (30.0, 140.0)])
def test_region_on_one_side_keeps_its_points(half_mm, half_deg):
    points, normals, s, v = tube()
    mask = (np.abs(s) < half_mm) & (np.abs(v - np.pi) < np.radians(half_deg))
    damage = damage_from_region(points, mask, normals)
    np.testing.assert_array_equal(damage.source_vertices, np.flatnonzero(mask))
    for end, z in ((damage.from_mm, -half_mm), (damage.to_mm, half_mm)):
        assert np.hypot(end[0], end[1]) < 0.25 * RADIUS_MM  # "within a tube radius will do"
        assert abs(end[2] - z) < 1.0 + 0.05 * half_mm


def test_coverage_decides_all_round():
    points, normals, s, v = tube()
    nearly = damage_from_region(points, (np.abs(s) < 20) & (v < np.radians(290)), normals)
    round_ = damage_from_region(points, (np.abs(s) < 20) & (v < np.radians(310)), normals)
    assert nearly.source_vertices is not None
    assert round_.source_vertices is None


def test_crushed_points_do_not_turn_the_axis():
    points, normals, s, _ = tube()
    mask = np.abs(s) < 30
    rng = np.random.default_rng(5)
    wild = rng.normal(size=normals.shape)
    normals[mask] = (wild / np.linalg.norm(wild, axis=1)[:, None])[mask]
    points[mask] += rng.normal(0, 1.5, points.shape)[mask]
    damage = damage_from_region(points, mask, normals)
    span = damage.to_mm - damage.from_mm
    assert np.degrees(np.arccos(span[2] / np.linalg.norm(span))) < 2.0


def test_curved_tube_keeps_the_ends_inside_it():
    bend = 250.0
    points, normals, s, _ = tube(bend_radius_mm=bend)
    damage = damage_from_region(points, np.abs(s) < 60, normals)
    for end in (damage.from_mm, damage.to_mm):
        # Distance from the spine, an arc of radius ``bend`` around (0, bend, 0).
        off_spine = np.hypot(end[0], np.hypot(end[1] - bend, end[2]) - bend)
        assert off_spine < 0.5 * RADIUS_MM


def test_tube_close_by_is_left_alone():
    points, normals, s, v = tube()
    other, other_normals, _, _ = tube()
    turned = other @ rotation(1).T + [0.0, 78.0, 0.0]  # less than 10 mm of air between them
    mask = np.r_[(np.abs(s) < 30) & (v < 2), np.zeros(len(s), dtype=bool)]
    damage = damage_from_region(np.r_[points, turned], mask, np.r_[normals, other_normals @ rotation(1).T])
    span = damage.to_mm - damage.from_mm
    assert np.degrees(np.arccos(abs(span[2]) / np.linalg.norm(span))) < 3.0


def test_rigid_motion_and_scale_move_the_ends_along():
    points, normals, s, _ = tube()
    mask = np.abs(s) < 25
    turn, shift, scale = rotation(7), np.array([310.0, -45.0, 820.0]), 0.6
    base = damage_from_region(points, mask, normals)
    moved = damage_from_region(scale * points @ turn.T + shift, mask, normals @ turn.T)
    expected = np.array([scale * turn @ base.from_mm + shift, scale * turn @ base.to_mm + shift])
    found = np.array([moved.from_mm, moved.to_mm])
    if np.linalg.norm(found[0] - expected[0]) > np.linalg.norm(found[0] - expected[1]):
        found = found[::-1]  # the axis' sign follows the frame
    np.testing.assert_allclose(found, expected, atol=1e-6 * np.abs(points).max())


def test_order_of_points_does_not_matter():
    points, normals, s, v = tube()
    mask = (np.abs(s) < 15) & (v < 1.5)
    order = np.random.default_rng(0).permutation(len(points))
    base = damage_from_region(points, mask, normals)
    mixed = damage_from_region(points[order], mask[order], normals[order])
    np.testing.assert_allclose(mixed.from_mm, base.from_mm, atol=1e-8 * np.abs(points).max())
    np.testing.assert_array_equal(np.sort(order[mixed.source_vertices]), base.source_vertices)


def test_too_few_points_are_refused():
    points, normals, _, _ = tube()
    mask = np.arange(len(points)) < 2
    with pytest.raises(InputError, match="2 damaged points are marked and at least 3"):
        damage_from_region(points, mask, normals)


def test_region_without_length_is_refused():
    v = np.linspace(0, 2 * np.pi, 96, False)
    ring = np.column_stack([np.cos(v), np.sin(v), 0 * v])
    points = np.concatenate([16 * ring + [0, 0, z] for z in range(-40, 41, 2)])
    normals = np.tile(ring, (41, 1))
    with pytest.raises(InputError, match="no length along the tube"):
        damage_from_region(points, points[:, 2] == 0, normals)


def test_arrays_that_do_not_match_are_a_bug():
    points, normals, s, _ = tube()
    with pytest.raises(ValueError, match="do not match"):
        damage_from_region(points, (np.abs(s) < 5)[:-1], normals)
