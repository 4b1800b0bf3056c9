"""What a ball can't follow, against closed forms of the same ball in the same hollow."""

from dataclasses import replace

import numpy as np
import pytest

from closed_surfaces import SHAPES, spline_of
from gaploft.job import Layers, ReachSettings
from gaploft.laminate.reach import judge_reach, left_standing
from gaploft.target.places import Places
from laid_layers import cut, fit_of, laid

STEP_MM, RADIUS_MM = 0.1, 4.0


def sheet(height, slope, width=12.0, length=6.0):
    """Points and normals of a surface z = height(x) that goes on along y."""
    x, y = np.meshgrid(
        np.arange(-width, width + STEP_MM / 2, STEP_MM), np.arange(0.0, length, STEP_MM), indexing="ij"
    )
    points = np.stack([x, y, height(x)], axis=-1).reshape(-1, 3)
    normals = np.stack([-slope(x), np.zeros_like(x), np.ones_like(x)], axis=-1).reshape(-1, 3)
    return points, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def test_a_ball_follows_what_is_flat_or_wider_than_itself():
    flat = sheet(lambda x: 0.0 * x, lambda x: 0.0 * x)
    assert not left_standing(*flat, RADIUS_MM, within_mm=1e-6).any()
    wide = 5.0  # a round valley of radius 5
    valley = sheet(
        lambda x: wide - np.sqrt(wide**2 - np.clip(x, -4, 4) ** 2),
        lambda x: np.where(np.abs(x) < 4, x / np.sqrt(wide**2 - np.clip(x, -4, 4) ** 2), 0.0),
        width=3.9,
    )
    assert not left_standing(*valley, RADIUS_MM, within_mm=1e-6).any()


def test_a_ball_rests_on_the_slopes_of_a_v():
    """Slopes of angle a: the ball stands r (1/cos a - 1) above the bottom."""
    slope = np.tan(np.radians(20.0))
    points, normals = sheet(lambda x: slope * np.abs(x), lambda x: slope * np.sign(x))
    middle = np.abs(points[:, 0]) < 1e-9
    normals[middle] = [0.0, 0.0, 1.0]
    left = left_standing(points, normals, RADIUS_MM, within_mm=1e-4)
    expected = RADIUS_MM * (1.0 / np.cos(np.radians(20.0)) - 1.0)
    inner = middle & (np.abs(points[:, 1] - 3.0) < 1.0)
    # points of the slopes lie 0.1 mm apart: the ball may sink between them by step squared over 8 r
    np.testing.assert_allclose(left[inner], expected, atol=STEP_MM**2 / RADIUS_MM)
    touching = np.abs(points[:, 0]) > RADIUS_MM * np.sin(np.radians(20.0)) + 2 * STEP_MM
    assert not left[touching].any()
    below = (np.abs(points[:, 0]) < RADIUS_MM * np.sin(np.radians(20.0)) - 2 * STEP_MM) & ~middle
    assert (left[below] > 0.0).all()


def test_a_ball_leaves_a_fillet_in_a_corner():
    """Floor and upright wall: at x from the wall the floor keeps r - sqrt(r^2 - (r - x)^2)."""
    x, y = np.meshgrid(np.arange(0.0, 12.0, STEP_MM), np.arange(0.0, 6.0, STEP_MM), indexing="ij")
    floor = np.stack([x, y, 0.0 * x], axis=-1).reshape(-1, 3)
    wall = floor[:, [2, 1, 0]]
    points = np.concatenate([floor, wall])
    normals = np.repeat([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0]], len(floor), axis=0)
    left = left_standing(points, normals, RADIUS_MM, within_mm=1e-4)[: len(floor)]
    near = (floor[:, 0] > 0.25) & (floor[:, 0] < RADIUS_MM - 0.2) & (np.abs(floor[:, 1] - 3.0) < 1.0)
    off = RADIUS_MM - floor[near, 0]
    expected = RADIUS_MM - np.sqrt(RADIUS_MM**2 - off**2)
    steepest = off.max() / np.sqrt(RADIUS_MM**2 - off.max() ** 2)
    np.testing.assert_allclose(left[near], expected, atol=STEP_MM * steepest)
    assert not left[floor[:, 0] > RADIUS_MM + STEP_MM].any()


def test_nothing_is_touched_in_a_hole_narrower_than_the_ball():
    """Inside a bore of radius 3 a ball of radius 4 touches nowhere: it stays outside, 6 mm away."""
    angle, z = np.meshgrid(np.arange(0.0, 2 * np.pi, 0.03), np.arange(0.0, 30.0, 0.2), indexing="ij")
    inward = -np.stack([np.cos(angle), np.sin(angle), 0.0 * z], axis=-1).reshape(-1, 3)
    points = -3.0 * inward + np.outer(z.ravel(), [0.0, 0.0, 1.0])
    inner = np.abs(points[:, 2] - 15.0) < 5.0
    left = left_standing(points, inward, RADIUS_MM, within_mm=1e-4)
    assert (left[inner] > 6.0 - 0.1).all()
    assert (left <= 2 * RADIUS_MM).all()


@pytest.fixture(scope="module")
def fit():
    return fit_of(spline_of(SHAPES["torus"].point, 200.0, 16, 48))


def judged(fit, layers, tool=4.0):
    places = Places(fit.surface, fit.outline.gap_mm[0])
    over = laid(fit, layers)
    target = cut(fit, over)
    return target, judge_reach(target, fit, ReachSettings(tool), places)


def test_the_inside_of_a_bend_is_its_tightest_hollow(fit):
    """Torus 400 and 16: towards the middle of the bend the tube is hollow with radius 400 - 16, and a layer
    of 0.4 mm taken off makes it 400 - 15.6."""
    target, reach = judged(fit, Layers(cover_mm=0.4))
    assert reach.summary.concave_radius_least_mm == pytest.approx(400.0 - 15.6, rel=2e-3)
    assert not reach.left_mm.any()
    assert (reach.summary.left_at, reach.summary.unreachable_mm2) == (None, 0.0)
    first, last = fit.outline.gap_mm
    u = target.uv[:, 0]
    assert reach.summary.beyond_damage_mm == pytest.approx((first - u.min(), u.max() - last))
    assert reach.notes == ()


def test_a_step_keeps_a_fillet_at_its_foot(fit):
    """A ball that rolls along the floor touches the upper edge of a step of height h while it still stands
    sqrt(2 r h - h^2) away: so far along the tube the floor is out of reach."""
    height = 0.5
    _, reach = judged(fit, Layers(cover_mm=height, outside="step"))
    strip = np.sqrt(2.0 * 4.0 * height - height**2)
    around = 2.0 * np.pi * (16.0 - height)
    assert reach.summary.unreachable_mm2 == pytest.approx(2 * strip * around, rel=0.2)
    assert 0.3 * height < reach.summary.left_most_mm <= height * 1.01
    (note,) = reach.notes
    assert note.code == "out_of_reach"
    assert "take a smaller one" in note.text


def test_a_target_without_places_is_a_wrong_call(fit):
    target, _ = judged(fit, Layers())
    with pytest.raises(ValueError, match="uv"):
        judge_reach(
            replace(target, uv=None), fit, ReachSettings(4.0), Places(fit.surface, fit.outline.gap_mm[0])
        )
