"""Giving a region back to the computed surface: exact inside, untouched far away, no step between."""

import numpy as np
import pytest

from gaploft.evidence.hand_back import given_back
from sleeve import RADIUS_MM, STEP_MM, sleeve


def sculpted(seed=1):
    """A tube whose rebuilt zone was pushed outwards by half a millimetre, with some roughness."""
    points, normals, _, quads, u = sleeve(40.0)
    push = 0.5 + 0.02 * np.random.default_rng(seed).normal(size=len(points))
    return points, points + push[:, None] * normals, quads, normals, u


def test_exact_inside_and_untouched_far_away():
    computed, current, quads, _, u = sculpted()
    region = np.abs(u - 20.0) < 4.5
    given = given_back(computed, current, region, quads, 3.0)
    assert np.array_equal(given[region], computed[region])
    far = np.abs(u - 20.0) > 4.0 + 3.0 + 1e-9
    assert np.array_equal(given[far], current[far])


def test_share_fades_as_a_smooth_step_of_the_distance_along_the_tube():
    computed, current, quads, normals, u = sculpted()
    region = u < 10.5
    given = given_back(computed, current, region, quads, 5.0)
    left = np.einsum("ij,ij->i", given - computed, normals) / np.einsum(
        "ij,ij->i", current - computed, normals
    )
    t = np.clip((u - 10.0) / 5.0, 0.0, 1.0)
    np.testing.assert_allclose(left, 3 * t**2 - 2 * t**3, atol=1e-6)


def test_no_step_stays():
    """Half a millimetre fades over 8 mm: no edge climbs more steeply than the polynomial, 1.5 h / feather."""
    points, normals, _, quads, u = sleeve(40.0)
    current = points + 0.5 * normals
    region = np.abs(u - 20.0) < 3.5
    given = given_back(points, current, region, quads, 8.0)
    height = np.einsum("ij,ij->i", given - points, normals)
    climb = np.abs(height[quads[:, 3]] - height[quads[:, 0]])
    assert climb.max() <= 1.5 * 0.5 * STEP_MM / 8.0 + 1e-9
    sharp = given_back(points, current, region, quads, 0.0)
    height = np.einsum("ij,ij->i", sharp - points, normals)
    assert np.abs(height[quads[:, 3]] - height[quads[:, 0]]).max() == pytest.approx(0.5)


def test_a_feather_does_not_reach_through_the_tube():
    """On a tube of 6 mm the far wall is nearer across than round about."""
    points, normals, _, quads, _ = sleeve(40.0, radius_mm=3.0)
    current = points + 0.2 * normals
    angle = np.abs(np.degrees(np.arctan2(normals[:, 1], normals[:, 0])))
    region = angle < 20.0
    given = given_back(points, current, region, quads, 6.2)
    assert np.array_equal(given[angle > 160.0], current[angle > 160.0])


def test_every_way_round_the_shares_stay_between_both_surfaces():
    computed, current, quads, normals, _ = sculpted()
    region = np.random.default_rng(8).random(len(computed)) < 0.02
    given = given_back(computed, current, region, quads, 3.0)
    left = np.einsum("ij,ij->i", given - computed, normals)
    assert (left > -1e-12).all()
    assert (left < np.einsum("ij,ij->i", current - computed, normals) + 1e-12).all()
    assert np.array_equal(given[region], computed[region])


def test_distance_agrees_with_the_arc_on_a_cylinder():
    """Along edges and diagonals a way is at most 8.3 % longer than straight: 1 / cos(22.5 degrees)."""
    points, normals, _, quads, u = sleeve(40.0)
    current = points + normals
    angle = np.arctan2(normals[:, 1], normals[:, 0])
    region = (np.abs(u - 20.0) < 1e-6) & (np.abs(angle) < 1e-6)
    given = given_back(points, current, region, quads, 6.0)
    arc = np.hypot(u - 20.0, RADIUS_MM * angle)
    touched = (given != current).any(axis=1)
    assert touched[arc < 6.0 / 1.083 - 0.1].all()
    assert not touched[arc > 6.0 + 0.1].any()


def test_all_and_nothing():
    computed, current, quads, _, _ = sculpted()
    everything = np.ones(len(computed), dtype=bool)
    assert np.array_equal(given_back(computed, current, everything, quads, 3.0), computed)
    assert np.array_equal(given_back(computed, current, ~everything, quads, 3.0), current)


def test_inputs_are_left_alone():
    computed, current, quads, _, u = sculpted()
    before = current.copy()
    given_back(computed, current, u < 10.0, quads, 3.0)
    assert np.array_equal(current, before)


def test_wrong_arrays_and_feather_are_a_bug():
    computed, current, quads, _, u = sculpted()
    with pytest.raises(ValueError, match="do not match"):
        given_back(computed, current, (u < 1.0)[:-1], quads, 1.0)
    with pytest.raises(ValueError, match="must not be negative"):
        given_back(computed, current, u < 1.0, quads, -0.1)
