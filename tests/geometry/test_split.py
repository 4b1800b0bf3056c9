"""Meshes on a tube split along contours: areas, sides and manifoldness, and contours that are formulas."""

import numpy as np
import pytest
import trimesh

from gaploft.target.split import split_along
from gaploft.target.step_wall import _quads, triangles_of

R, LENGTH = 16.0, 40.0


def sleeve(n_u=21, n_v=51, turned=0.0):
    """A cylinder's mesh with the seam of v inside a facet unless ``turned`` is 0."""
    u, v = np.linspace(0.0, LENGTH, n_u), np.mod(turned + np.arange(n_v) * 2 * np.pi / n_v, 2 * np.pi)
    uv = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1).reshape(-1, 2)
    quads = _quads(n_u, n_v, 1)
    return uv, triangles_of(on_cylinder(uv), quads)


def on_cylinder(uv):
    return np.column_stack([R * np.cos(uv[:, 1]), R * np.sin(uv[:, 1]), uv[:, 0]])


def on_facets(split, uv):
    """The vertices where they lie on the facets of the mesh before."""
    return split.carried(on_cylinder(uv))


def areas(points, triangles):
    a, b, c = (points[triangles[:, k]] for k in range(3))
    return 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)


def unrolled_distance(uv, u0, v0):
    return np.hypot(uv[:, 0] - u0, R * (np.mod(uv[:, 1] - v0 + np.pi, 2 * np.pi) - np.pi))


def edges_once_each_way(triangles):
    ways = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 2)
    return len(np.unique(ways, axis=0)) == len(ways)


@pytest.mark.parametrize("v0", [0.0, 2.5], ids=["at the seam", "elsewhere"])
@pytest.mark.parametrize("turned", [0.0, 0.3])
def test_a_circle_is_cut_out(v0, turned):
    uv, triangles = sleeve(81, 201, turned)
    split = split_along(uv, triangles, unrolled_distance(uv, 20.3, v0), 9.0)
    points = on_cylinder(split.uv)
    inside = areas(points, split.triangles[~split.side]).sum()
    assert inside == pytest.approx(np.pi * 9.0**2, rel=2e-3)
    middles = split.uv[split.triangles[:, 0]]
    near = unrolled_distance(middles, 20.3, v0) < 9.0 - 1.0
    assert not split.side[near].any()
    assert ((split.uv[:, 1] >= 0.0) & (split.uv[:, 1] < 2 * np.pi)).all()
    # the cut-out disc and the sleeve with its hole: Euler characteristics 1 and -1
    for side, euler in ((~split.side, 1), (split.side, -1)):
        mesh = trimesh.Trimesh(points, split.triangles[side], process=False)
        mesh.remove_unreferenced_vertices()
        assert mesh.euler_number == euler
        assert edges_once_each_way(split.triangles[side])


def test_nothing_is_lost_and_all_turns_as_before():
    """On the flat unrolled sleeve, where vertices move within their facets' plane, areas add up exactly."""
    uv, triangles = sleeve(31, 61)
    flat = (np.ptp(uv[triangles][:, :, 1], axis=1) < np.pi).nonzero()[0]
    rng = np.random.default_rng(1)
    values = rng.normal(size=len(uv))
    split = split_along(uv, triangles[flat], values, 0.1)
    before, after = uv[triangles[flat]], split.uv[split.triangles]

    def signed(corners):
        one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        return one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]

    assert (np.sign(signed(after)) == np.sign(signed(before))[split.source]).all()
    assert signed(after).sum() == pytest.approx(signed(before).sum(), rel=1e-12)
    assert edges_once_each_way(split.triangles)


@pytest.mark.parametrize("hold", [False, True], ids=["free", "held"])
def test_each_triangle_lies_on_its_side_of_a_linear_value(hold):
    uv, triangles = sleeve()
    values = uv[:, 0] + 0.3 * np.cos(uv[:, 1])
    split = split_along(uv, triangles, values, 17.7, held=np.full(len(uv), hold))
    carried = split.carried(values) - 17.7
    np.testing.assert_allclose(carried[split.on_level], 0.0, atol=1e-12)
    corners = np.where(split.on_level, 0.0, carried)[split.triangles]
    assert (corners[split.side] >= 0.0).all()
    assert (corners[~split.side] <= 0.0).all()
    assert (np.abs(corners).max(axis=1) > 0.0).all()
    if hold:
        np.testing.assert_array_equal(split.uv[: len(uv)], uv)
        # nothing moved: the facets are the same, cut
        whole = areas(on_cylinder(uv), triangles)
        cut = np.bincount(split.source, areas(on_facets(split, uv), split.triangles), len(triangles))
        np.testing.assert_allclose(cut, whole, rtol=1e-9)


def test_the_contour_is_accurate_to_second_order():
    """Largest distance of contour vertices to the circle falls fourfold when facets are halved."""
    worst = []
    for n in (1, 2, 4, 8):
        uv, triangles = sleeve(20 * n + 1, 50 * n)
        split = split_along(uv, triangles, unrolled_distance(uv, 20.3, 1.0), 9.0)
        worst.append(np.abs(unrolled_distance(split.uv[split.on_level], 20.3, 1.0) - 9.0).max())
    edge = 2.0 * np.sqrt(2.02)  # of a diagonal; a line under a bend of 1/r is off by edge^2/(8 r)
    assert worst[0] < edge**2 / (8 * (9.0 - edge))
    rate = np.log2(np.array(worst[:-1]) / worst[1:])
    assert (rate > 1.6).all()
    assert rate.mean() > 1.85


def test_no_slivers():
    """The contour sweeps over the vertices in steps of a fiftieth of a facet."""
    uv, triangles = sleeve(21, 50)
    smallest = areas(on_cylinder(uv), triangles).min()
    for level in np.linspace(10.0, 12.0, 51):
        split = split_along(uv, triangles, uv[:, 0] + 0.7 * np.sin(uv[:, 1]), level)
        assert areas(on_cylinder(split.uv), split.triangles).min() > 0.005 * smallest


def test_a_level_through_a_ring_of_vertices_makes_none():
    uv, triangles = sleeve()
    split = split_along(uv, triangles, uv[:, 0], 20.0)
    np.testing.assert_array_equal(split.uv, uv)
    np.testing.assert_array_equal(np.sort(split.triangles, axis=0), np.sort(triangles, axis=0))
    assert (split.on_level == (uv[:, 0] == 20.0)).all()
    assert split.side.sum() * 2 == len(triangles)


@pytest.mark.parametrize(("level", "side"), [(-1.0, True), (41.0, False)])
def test_all_on_one_side(level, side):
    uv, triangles = sleeve()
    split = split_along(uv, triangles, uv[:, 0], level)
    np.testing.assert_array_equal(split.triangles, triangles)
    assert (split.side == side).all()
    assert not split.on_level.any()


def test_the_border_moves_along_itself_only():
    uv, triangles = sleeve()
    values = np.sin(uv[:, 1]) + 0.02 * uv[:, 0]
    split = split_along(uv, triangles, values, 0.137)
    ways = np.sort(
        np.stack([split.triangles, np.roll(split.triangles, -1, axis=1)], 2).reshape(-1, 2), axis=1
    )
    edges, count = np.unique(ways, axis=0, return_counts=True)
    ends = split.uv[np.unique(edges[count == 1]), 0]
    assert set(ends) == {0.0, LENGTH}


def test_two_contours_keep_their_vertices():
    """Two levels half a facet apart: the first one's vertices are held when the second is cut."""
    uv, triangles = sleeve()
    values = uv[:, 0] + 0.4 * np.cos(2 * uv[:, 1])
    one = split_along(uv, triangles, values, 20.5)
    two = split_along(one.uv, one.triangles, one.carried(values), 20.9, held=one.on_level)
    np.testing.assert_array_equal(two.uv[: len(one.uv)][one.on_level], one.uv[one.on_level])
    np.testing.assert_allclose(two.carried(one.carried(values))[two.on_level], 20.9, atol=1e-12)
    assert edges_once_each_way(two.triangles)
    between = ~two.side & one.side[two.source]
    assert between.any()


def test_attributes_are_carried():
    uv, triangles = sleeve()
    split = split_along(uv, triangles, uv[:, 0], 19.3)
    field = np.column_stack([uv[:, 0], 3.0 - 2.0 * uv[:, 0]])
    np.testing.assert_allclose(
        split.carried(field), np.column_stack([split.uv[:, 0], 3.0 - 2.0 * split.uv[:, 0]]), atol=1e-12
    )
