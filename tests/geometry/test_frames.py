"""Rotation-minimising frames against a helix, plane curves and laws.

Source: W. Wang, B. Jüttler, D. Zheng, Y. Liu, "Computation of rotation minimizing frames", ACM Transactions
on Graphics 27(1), 2008, article 2: double reflection has a global error of fourth order (abstract seen).
"""

import numpy as np
import pytest

from gaploft.tube.frames import rotation_minimising_frames

# Largest angle error over one turn of the helix below, for n steps of double reflection: computed
# independently of this library, three digits.
HELIX_ERRORS = {8: 6.07e-4, 16: 3.82e-5, 32: 2.39e-6, 64: 1.49e-7, 128: 9.34e-9}


def helix(n_steps):
    """Stations, unit tangents, Frenet normals and binormals of (3 cos u, 3 sin u, 4 u) over one turn."""
    u = np.linspace(0.0, 2 * np.pi, n_steps + 1)
    zero, one = np.zeros_like(u), np.ones_like(u)
    points = np.column_stack([3 * np.cos(u), 3 * np.sin(u), 4 * u])
    tangents = np.column_stack([-3 * np.sin(u), 3 * np.cos(u), 4 * one]) / 5
    normals = np.column_stack([-np.cos(u), -np.sin(u), zero])
    return u, points, tangents, normals, np.cross(tangents, normals)


def helix_error(n_steps):
    """Largest angle between the computed and the exact frame.

    Torsion 4/25 times arc length 5 u: the exact frame turns by -4/5 u against the Frenet frame.
    """
    u, points, tangents, normals, binormals = helix(n_steps)
    frames = rotation_minimising_frames(points, tangents, normals[0])
    angle = np.arctan2(np.sum(frames * binormals, axis=1), np.sum(frames * normals, axis=1))
    error = angle + 0.8 * u
    return np.abs((error + np.pi) % (2 * np.pi) - np.pi).max()


@pytest.mark.parametrize(("n_steps", "expected"), HELIX_ERRORS.items())
def test_helix_error_is_that_of_the_published_method(n_steps, expected):
    assert helix_error(n_steps) == pytest.approx(expected, rel=5e-3)  # three digits given


def test_helix_error_falls_sixteenfold():
    errors = np.array([helix_error(n) for n in (16, 32, 64, 128)])
    np.testing.assert_allclose(errors[:-1] / errors[1:], 16.0, rtol=0.02)


def test_plane_curve_keeps_its_binormal_and_its_angle():
    """In a plane the exact frame turns with the tangent; stations may be as uneven as they like."""
    angle = np.sort(np.random.default_rng(4).uniform(0.0, 2.5, 40))
    points = 400.0 * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    tangents = np.column_stack([-np.sin(angle), np.cos(angle), 0 * angle])
    normals = rotation_minimising_frames(points, tangents, [0.0, 0.0, 1.0])
    np.testing.assert_allclose(normals, np.tile([0.0, 0.0, 1.0], (40, 1)), atol=1e-13)
    normals = rotation_minimising_frames(points, tangents, points[0])
    np.testing.assert_allclose(normals, points / 400.0, atol=1e-12)


def test_straight_line_keeps_the_normal():
    points = np.outer([0.0, 1.0, 5.0, 5.5], [1.0, 2.0, 2.0])
    normals = rotation_minimising_frames(points, np.tile([2.0, 4.0, 4.0], (4, 1)), [0.0, 1.0, -1.0])
    np.testing.assert_allclose(normals, np.tile([0.0, 1.0, -1.0] / np.sqrt(2), (4, 1)), atol=1e-15)


def test_one_station_gives_the_first_normal():
    normals = rotation_minimising_frames([[1.0, 2.0, 3.0]], [[0.0, 0.0, 2.0]], [3.0, 4.0, 7.0])
    np.testing.assert_allclose(normals, [[0.6, 0.8, 0.0]], atol=1e-15)


@pytest.fixture
def bent_spine():
    u = np.linspace(0.0, 1.0, 200)
    points = np.column_stack([40 * np.sin(3 * u), 60 * u**2, 300 * u])
    tangents = np.column_stack([120 * np.cos(3 * u), 120 * u, 300 + 0 * u])
    return points, tangents


def test_frames_are_unit_and_square(bent_spine):
    points, tangents = bent_spine
    normals = rotation_minimising_frames(points, tangents, [1.0, 0.0, 0.0])
    np.testing.assert_allclose(np.linalg.norm(normals, axis=1), 1.0, atol=1e-14)
    unit = tangents / np.linalg.norm(tangents, axis=1, keepdims=True)
    np.testing.assert_allclose(np.sum(normals * unit, axis=1), 0.0, atol=1e-14)


def test_frames_move_with_the_spine(bent_spine):
    points, tangents = bent_spine
    turn = np.linalg.qr(np.random.default_rng(9).normal(size=(3, 3)))[0]
    normals = rotation_minimising_frames(points, tangents, [1.0, 0.2, 0.0])
    moved = rotation_minimising_frames(
        25.4 * points @ turn.T + 700.0, tangents @ turn.T, turn @ [1.0, 0.2, 0.0]
    )
    np.testing.assert_allclose(moved, normals @ turn.T, atol=1e-10)


def test_the_way_back_ends_at_the_first_normal(bent_spine):
    points, tangents = bent_spine
    out = rotation_minimising_frames(points, tangents, [1.0, 0.2, 0.0])
    back = rotation_minimising_frames(points[::-1], -tangents[::-1], out[-1])
    np.testing.assert_allclose(back[::-1], out, atol=1e-12)


def test_a_turned_start_turns_every_frame_alike(bent_spine):
    points, tangents = bent_spine
    unit = tangents / np.linalg.norm(tangents, axis=1, keepdims=True)
    normals = rotation_minimising_frames(points, tangents, [1.0, 0.2, 0.0])
    turned_start = np.cos(0.7) * normals[0] + np.sin(0.7) * np.cross(unit[0], normals[0])
    turned = rotation_minimising_frames(points, tangents, turned_start)
    np.testing.assert_allclose(
        turned, np.cos(0.7) * normals + np.sin(0.7) * np.cross(unit, normals), atol=1e-12
    )


LINE = np.outer(np.arange(4.0), [0.0, 0.0, 1.0])
UP = np.tile([0.0, 0.0, 1.0], (4, 1))


@pytest.mark.parametrize(
    ("points", "tangents", "first_normal", "message"),
    [
        (LINE[:, :2], UP[:, :2], [1.0, 0.0], r"shape \(n, 3\)"),
        (LINE[:0], UP[:0], [1.0, 0.0, 0.0], "n >= 1"),
        (LINE, UP[:3], [1.0, 0.0, 0.0], "as many, n >= 1, not 4 and 3"),
        (LINE, UP, [1.0, 0.0], "first_normal"),
        (LINE + np.inf, UP, [1.0, 0.0, 0.0], "finite"),
        (LINE, UP * [[1.0], [0.0], [1.0], [1.0]], [1.0, 0.0, 0.0], "length zero"),
        (LINE, UP, [0.0, 0.0, -2.0], "along the first tangent"),
        (LINE[[0, 1, 1, 2]], UP, [1.0, 0.0, 0.0], "coincide"),
        (LINE, UP * [[1.0], [1.0], [-1.0], [1.0]], [1.0, 0.0, 0.0], "turns back"),
    ],
)
def test_wrong_calls(points, tangents, first_normal, message):
    with pytest.raises(ValueError, match=message):
        rotation_minimising_frames(points, tangents, first_normal)
