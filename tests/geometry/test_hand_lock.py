"""The lock on the rim: laws of the weights, and what a push scaled by them does to the seams."""

import numpy as np
import pytest

from gaploft.evidence.hand import hand_changes
from gaploft.evidence.hand_lock import MOST_OF_HALF_WIDTH, lock_weights
from gaploft.evidence.verdict import SEAM_ANGLE_DEG
from sleeve import STEP_MM, sleeve


def pushed(gap_mm, push_mm, falloff_mm, step_mm=STEP_MM):
    """What a uniform push along the normals does through the lock."""
    points, normals, zone, quads, _ = sleeve(gap_mm, step_mm=step_mm)
    free = 1.0 - lock_weights(points, zone, quads, falloff_mm)
    band = np.full(len(points), 10.0)
    return hand_changes(points, points + push_mm * free[:, None] * normals, normals, band, zone, quads)


def test_overlap_and_rim_are_held_and_the_middle_is_free():
    points, _, zone, quads, u = sleeve(40.0)
    weights = lock_weights(points, zone, quads, 8.0)
    assert (weights[(u < 1e-9) | (u > 40.0 - 1e-9)] == 1.0).all()
    assert (weights[(u > 8.0 - 1e-9) & (u < 32.0 + 1e-9)] == 0.0).all()
    between = weights[(u > 0.5) & (u < 7.5)]
    assert ((between > 0.0) & (between < 1.0)).all()


def test_weights_follow_the_polynomial_without_slope_and_curvature_at_its_ends():
    """Interpolates 1 and 0 with vanishing first and second derivatives: solved as a linear system."""
    conditions = np.zeros((6, 6))
    for row, (t, order) in enumerate((t, order) for t in (0.0, 1.0) for order in (0, 1, 2)):
        for power in range(order, 6):
            factor = np.prod(np.arange(power - order + 1, power + 1), initial=1.0)
            conditions[row, power] = factor * t ** (power - order)
    coefficients = np.linalg.solve(conditions, [1.0, 0, 0, 0, 0, 0])
    points, _, zone, quads, u = sleeve(40.0)
    weights = lock_weights(points, zone, quads, 8.0)
    near = (u > -1e-9) & (u < 8.0 + 1e-9)
    expected = np.polynomial.polynomial.polyval(u[near] / 8.0, coefficients)
    np.testing.assert_allclose(weights[near], expected, atol=1e-9)


def test_half_a_millimetre_leaves_the_seams_closed():
    """Ten times the tolerance, and as much as breaks leave: more is no touching up."""
    found = pushed(40.0, 0.5, 8.0)
    assert found.largest_mm == pytest.approx(0.5)
    assert found.seam_step_mm == 0.0
    assert found.overlap_mm == 0.0
    assert 0.0 < found.seam_angle_deg < SEAM_ANGLE_DEG
    assert found.seam_holds
    assert found.sound


def test_without_the_lock_the_same_push_opens_them():
    points, normals, zone, quads, _ = sleeve(40.0)
    push = 0.5 * (zone == 1)[:, None] * normals
    found = hand_changes(points, points + push, normals, np.full(len(points), 10.0), zone, quads)
    assert not found.seam_holds


def test_tilt_at_the_rim_falls_with_the_square_of_the_facets():
    coarse, fine = (pushed(40.0, 0.1, 8.0, step).seam_angle_deg for step in (0.5, 0.25))
    assert coarse / fine == pytest.approx(4.0, rel=0.12)  # the next term of the polynomial is 1.5 h / falloff


@pytest.mark.parametrize("gap_mm", [6.0, 10.0, 20.0])
def test_short_gaps_stay_free_in_the_middle(gap_mm):
    points, _, zone, quads, u = sleeve(gap_mm, step_mm=0.25)
    weights = lock_weights(points, zone, quads, 12.0)
    reach = MOST_OF_HALF_WIDTH * gap_mm / 2.0
    free = (u > reach + 1e-9) & (u < gap_mm - reach - 1e-9)
    assert free.any()
    assert (weights[free] == 0.0).all()


@pytest.mark.parametrize(("gap_mm", "push_mm"), [(10.0, 0.05), (20.0, 0.1)])
def test_a_push_of_a_tolerance_is_safe_in_short_gaps(gap_mm, push_mm):
    found = pushed(gap_mm, push_mm, 8.0, step_mm=0.5)
    assert found.largest_mm == pytest.approx(push_mm)
    assert found.seam_holds


def test_a_zone_on_one_side_is_held_all_round_its_ragged_rim():
    points, normals, zone, quads, u = sleeve(40.0)
    angle = np.degrees(np.arctan2(normals[:, 1], normals[:, 0]))
    zone = zone * (np.abs(angle) < 70.0 - 6.0 * np.random.default_rng(3).random(len(u)))
    weights = lock_weights(points, zone, quads, 6.0)
    whole = zone[quads].all(axis=1)
    assert (weights[quads[~whole]] == 1.0).all(), "no point of a facet that is not rebuilt is free"
    assert (weights == 0.0).any()
    assert (weights[zone == 0] == 1.0).all()


def test_nothing_is_free_where_nothing_is_rebuilt():
    points, _, zone, quads, _ = sleeve(10.0)
    assert (lock_weights(points, 0 * zone, quads, 5.0) == 1.0).all()


def test_rigid_motion_and_order_of_points_change_nothing():
    points, _, zone, quads, _ = sleeve(20.0)
    rng = np.random.default_rng(5)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    order = rng.permutation(len(points))
    place = np.argsort(order)
    base = lock_weights(points, zone, quads, 5.0)
    moved = lock_weights((points @ turn.T + 30.0)[order], zone[order], place[quads], 5.0)
    np.testing.assert_allclose(moved, base[order], atol=1e-9)


def test_wrong_arrays_and_falloff_are_a_bug():
    points, _, zone, quads, _ = sleeve(10.0)
    with pytest.raises(ValueError, match="do not match"):
        lock_weights(points, zone[:-1], quads, 5.0)
    for falloff in (0.0, -1.0, float("nan")):
        with pytest.raises(ValueError, match="must be positive"):
            lock_weights(points, zone, quads, falloff)
