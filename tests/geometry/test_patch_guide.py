"""Guide points: the surface through them, its rim held by the scan, and every refusal."""

from functools import lru_cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from gaploft.errors import InputError
from gaploft.patch.base import PatchSurface
from gaploft.patch.energy import attraction
from gaploft.patch.field import Nodes, seen_by
from gaploft.patch.guide import _HAND_MM, GuideSystem, values_matrix
from gaploft.patch.meeting import Against
from patch_shapes import scattered

RADIUS, SPACING, HOLE = 20.0, 1.3, 9.0


class Round:
    """A cylinder along y whose ridge is at the origin, in some pose."""

    def __init__(self, pose):
        self.pose = pose

    def against(self, points):
        off = self.pose.inv().apply(points) * [1.0, 0.0, 1.0] + [0.0, 0.0, RADIUS]
        length = np.linalg.norm(off, axis=1)
        normal = self.pose.apply(off / length[:, None])
        return Against(length - RADIUS, normal, np.zeros(len(points), dtype=np.int64))

    def points(self, flat, height=0.0):
        """Points at lengths along and around, some height over it."""
        turn = flat[:, 0] / RADIUS
        out = RADIUS + height
        return self.pose.apply(np.column_stack([out * np.sin(turn), flat[:, 1], out * np.cos(turn) - RADIUS]))


@lru_cache(maxsize=3)
def system(pose=(0.0, 0.0, 0.0), held=True):
    """Nodes over 40 x 40 mm, scanned but for a round hole in the middle."""
    base = Round(Rotation.from_rotvec(pose))
    flat = scattered(40.0, 40.0, SPACING, np.random.default_rng(0))
    points = base.points(flat)
    nodes = Nodes(points, base.against(points).normal, np.full(len(points), SPACING**2), SPACING)
    scan = scattered(40.0, 40.0, 0.6, np.random.default_rng(1))
    scan = scan[np.hypot(*scan.T) > (HOLE if held else 0.0)]
    seen = seen_by(nodes, base.points(scan), np.zeros(len(scan)), np.full(len(scan), 0.36))
    return GuideSystem(PatchSurface(base, nodes, np.zeros(len(points))), seen), base


def guides(base):
    flat = np.array([[0.0, 0.0], [4.0, -3.0], [-5.0, 2.0]])
    return flat, base.points(flat, np.array([0.8, -0.5, 0.3]))


@pytest.mark.parametrize("number", [1, 2, 3])
def test_the_surface_passes_through_its_guides(number):
    guide, base = system()
    _, places = guides(base)
    surface = guide.guided(places[:number])
    asked = np.array([0.8, -0.5, 0.3])[:number]
    assert np.abs(surface.against(places[:number]).distance).max() < 1e-4 * np.abs(asked).max()


def test_far_from_the_patch_nothing_moves():
    guide, base = system()
    _, places = guides(base)
    moved = guide.moved(places)
    away = np.hypot(*scattered(40.0, 40.0, SPACING, np.random.default_rng(0)).T)
    assert np.abs(moved).max() > 0.5
    # Three pull against each other within 6 mm; the scan gives way by a few hundredths next to them.
    assert np.abs(moved[away > HOLE]).max() < 0.05 * 0.8
    assert np.abs(moved[away > HOLE + 2.0]).max() < 0.02 * 0.8
    assert np.abs(moved[away > HOLE + 6.0]).max() < 1e-3
    far = base.points(np.array([[17.0, 15.0], [-16.0, 3.0]]))
    assert np.abs(guide.guided(places).against(far).distance).max() < 1e-3


def test_moves_are_those_of_least_energy_under_the_guides():
    """Against the dense solution of the same equations with Lagrange multipliers.

    The library takes the guides' pull at their feet, which the solution here does at the guides themselves.
    """
    guide, base = system()
    _, places = guides(base)
    nodes, seen = guide.nodes, guide.seen
    data = attraction(nodes.stencil, None, seen.owner, seen.offset, seen.weights)
    matrix = nodes.pattern.matrix(data.local + _HAND_MM**6 * nodes.fair_local).toarray()
    rows = values_matrix(nodes, places).toarray()
    n, k = len(matrix), len(rows)
    whole = np.block([[matrix, rows.T], [rows, np.zeros((k, k))]])
    asked = guide.surface.against(places).distance
    expected = np.linalg.solve(whole, np.concatenate([np.zeros(n), asked]))[:n]
    assert_allclose(guide.moved(places), expected, atol=0.01 * np.abs(expected).max())


def test_no_guide_and_a_guide_on_the_surface_move_nothing():
    guide, base = system()
    assert not guide.moved(np.zeros((0, 3))).any()
    assert guide.guided(np.zeros((0, 3))).even
    assert np.abs(guide.moved(base.points(np.array([[1.0, 2.0]])))).max() < 1e-9


def test_moves_add_up_and_do_not_depend_on_order_or_pose():
    guide, base = system()
    flat, places = guides(base)
    moved = guide.moved(places)
    assert_allclose(guide.moved(places[::-1]), moved, atol=1e-9)
    doubled = base.points(flat, 2.0 * np.array([0.8, -0.5, 0.3]))
    # Tilted frames see a place higher up a little aside: a few thousandths of what is asked for.
    assert_allclose(guide.moved(doubled), 2.0 * moved, atol=0.01 * 1.6)
    there, base_there = system((0.4, -0.9, 0.7))
    assert_allclose(there.moved(guides(base_there)[1]), moved, atol=1e-6)


def test_two_guides_in_one_place_share_the_difference():
    guide, base = system()
    twice = base.points(np.zeros((2, 2)), np.array([0.2, 0.6]))
    surface = guide.guided(twice)
    assert_allclose(surface.against(twice).distance, [-0.2, 0.2], atol=0.01)
    once = guide.moved(base.points(np.zeros((1, 2)), 0.4))
    assert_allclose(surface.values, once, atol=0.01 * 0.4)


def test_weights_of_values_are_those_of_the_field():
    guide, base = system()
    nodes = guide.nodes
    rng = np.random.default_rng(3)
    field = rng.normal(size=len(nodes.points))
    points = base.points(rng.uniform(-18.0, 18.0, (200, 2)), rng.normal(0.0, 0.1, 200))
    assert_allclose(values_matrix(nodes, points) @ field, nodes.values(field, points)[0], atol=1e-9)


def test_a_guide_far_off_is_refused():
    guide, base = system()
    with pytest.raises(InputError, match="a guide point lies 18 mm off the patch"):
        guide.moved(base.points(np.array([[0.0, 0.0], [1.0, 2.0]]), np.array([0.3, 18.0])))
    with pytest.raises(InputError, match="off the patch"):
        guide.moved(base.pose.apply([[0.0, 80.0, 0.0]]))


def test_a_guide_over_intact_scan_is_refused():
    guide, base = system()
    with pytest.raises(InputError, match="1 of the guide points lie over intact scan"):
        guide.moved(base.points(np.array([[0.0, 0.0], [15.0, 2.0]]), 0.2))
