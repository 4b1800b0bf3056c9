"""Meshes of a patch: loops, fillings, flips and nodes, against brute force, Delaunay and Euler's numbers."""

from functools import lru_cache

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.spatial import ConvexHull, Delaunay, cKDTree
from scipy.spatial.transform import Rotation

from gaploft.patch.filling import joined_loops, least_area
from gaploft.patch.loops import border_loops, half_edges, open_edges, pinched
from gaploft.patch.nodes import apart, point_areas, spread_nodes
from gaploft.patch.refine import divided_at, flipped, split_long
from patch_shapes import areas, assert_manifold, edges_of, euler, scattered, sheet, triangles_over
from plain_tube import open_tube


def ring(n, radius, height=0.0):
    turn = 2.0 * np.pi * np.arange(n) / n
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.full(n, height)])


def polygon_area(n, radius):
    return 0.5 * n * radius**2 * np.sin(2.0 * np.pi / n)


def annulus(step=1.0):
    """A flat square with a round hole."""
    points, faces = sheet(step=step)
    return points, faces[(np.hypot(*points[faces].mean(axis=1)[:, :2].T) > 9.0)]


def ball(n=3000, radius=10.0):
    k = np.arange(n) + 0.5
    z = 1.0 - 2.0 * k / n
    turn = np.pi * (1.0 + 5.0**0.5) * k
    points = radius * np.column_stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z])
    faces = ConvexHull(points).simplices.astype(np.int32)
    corner = points[faces]
    inward = np.einsum(
        "ij,ij->i", np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), corner[:, 0]
    )
    faces[inward < 0.0] = faces[inward < 0.0][:, ::-1]
    return points, faces


# Loops


def walked(faces):
    """The border's loops by walking from edge to edge."""
    directed = [tuple(edge) for edge in half_edges(faces).tolist()]
    after = {a: b for a, b in directed if (b, a) not in set(directed)}
    found = []
    while after:
        start, at = next(iter(after.items()))
        loop = [start]
        del after[start]
        while at != start:
            loop.append(at)
            at = after.pop(at)
        found.append(loop)
    return found


def from_least(loop):
    loop = np.asarray(loop)
    return tuple(np.roll(loop, -int(loop.argmin())).tolist())


def test_loops_are_those_of_a_walk_along_the_border():
    points, faces = annulus(2.0)
    loops = border_loops(faces, len(points))
    assert len(loops) == 2
    assert {from_least(loop) for loop in loops} == {from_least(loop) for loop in walked(faces)}


def test_faces_lie_on_the_left_of_a_loop():
    """By the sign of the area that each loop runs around: the outer one anticlockwise, the hole clockwise."""
    points, faces = annulus()
    signed = []
    for loop in border_loops(faces, len(points)):
        x, y = points[loop, :2].T
        signed.append(0.5 * float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()))
    hole = 40.0**2 - areas(points, faces).sum()
    assert sorted(signed) == pytest.approx([-hole, 1600.0])


def test_a_closed_mesh_has_no_border():
    points, faces = ball(300)
    assert len(open_edges(faces, len(points))) == 0
    assert border_loops(faces, len(points)) == []
    assert len(pinched(faces, len(points))) == 0


def test_a_border_that_touches_itself_is_told_and_refused():
    faces = np.array([[0, 1, 2], [2, 3, 4]], dtype=np.int32)
    assert_array_equal(pinched(faces, 5), [2])
    with pytest.raises(ValueError, match="touches itself"):
        border_loops(faces, 5)


# Fillings


def triangulations(start, stop):
    """All triangulations of the vertices start to stop of a polygon."""
    if stop - start < 2:
        yield []
        return
    for middle in range(start + 1, stop):
        for left in triangulations(start, middle):
            for right in triangulations(middle, stop):
                yield [*left, *right, (start, middle, stop)]


@pytest.mark.parametrize("m", [3, 4, 6, 8])
def test_no_triangulation_of_a_small_loop_has_less_area(m):
    for seed in range(4):
        points = np.random.default_rng(seed).normal(size=(m, 3))
        every = np.array(list(triangulations(0, m - 1)))
        smallest = min(areas(points, faces).sum() for faces in every)
        found = least_area(points)
        assert found.shape == (m - 2, 3)
        assert areas(points, found).sum() == pytest.approx(smallest, rel=1e-12)


def test_a_flat_loop_that_is_not_convex_is_filled_by_its_own_area():
    turn = 2.0 * np.pi * np.arange(60) / 60
    out = 10.0 + 4.0 * np.cos(5.0 * turn)
    star = np.column_stack([out * np.cos(turn), out * np.sin(turn), np.zeros(60)])
    x, y = star[:, :2].T
    whole = 0.5 * float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())
    faces = least_area(star)
    assert_manifold(faces)
    assert euler(faces) == 1
    assert areas(star, faces).sum() == pytest.approx(whole, rel=1e-9)
    corner = star[faces]
    assert (np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])[:, 2] > -1e-9).all()


def test_least_area_keeps_to_pose_and_scale():
    points = np.random.default_rng(5).normal(size=(40, 3))
    turned = 3.0 * Rotation.from_rotvec([0.3, -1.1, 0.6]).apply(points) + [5.0, -70.0, 2.0]
    assert_array_equal(least_area(turned), least_area(points))


@pytest.mark.parametrize(
    ("inner", "outer", "apart_mm"),
    [
        (5.0, 12.0, 0.0),
        (8.0, 8.0, 3.0),
        (6.0, 9.0, 2.0),
        (8.0, 8.0, 16.0),
        (8.0, 8.0, 39.0),
        (8.0, 14.0, 20.0),
    ],
)
def test_two_loops_are_filled_as_a_ring(inner, outer, apart_mm):
    """Flat: the difference of two polygons; two equal rings: the strip between them; else a frustum.

    Two caps are smaller than the strip when it is wider than a radius, but they close the tube.
    """
    n = 72
    points = np.concatenate([ring(n, outer), ring(n, inner, apart_mm)])
    chain = joined_loops(points, [np.arange(n), np.arange(n, 2 * n)[::-1]])
    assert len(chain) == 2 * n + 2
    faces = chain[least_area(points[chain], chain // n)]
    assert_manifold(faces)
    assert euler(faces) == 0
    if apart_mm == 0.0:
        expected = polygon_area(n, outer) - polygon_area(n, inner)
        assert areas(points, faces).sum() == pytest.approx(expected, rel=1e-9)
    else:
        frustum = np.pi * (inner + outer) * np.hypot(apart_mm, outer - inner)
        assert areas(points, faces).sum() == pytest.approx(frustum, rel=2e-3)


def test_each_join_is_run_through_twice_and_is_the_shortest():
    points = np.concatenate([ring(40, 20.0), ring(9, 4.0) + [12.0, 0.0, 0.0], ring(9, 4.0) + [-10.0, 0, 0]])
    loops = [np.arange(40), np.arange(40, 49)[::-1], np.arange(49, 58)[::-1]]
    chain = joined_loops(points, loops)
    step = np.stack([chain, np.roll(chain, -1)], axis=1).tolist()
    twice = [(a, b) for a, b in step if [b, a] in step]
    assert len(twice) == 4
    lengths = {round(float(np.linalg.norm(points[a] - points[b])), 9) for a, b in twice}
    between = [
        cKDTree(points[loops[0]]).query(points[loops[1]])[0].min(),
        cKDTree(points[np.concatenate(loops[:2])]).query(points[loops[2]])[0].min(),
    ]
    assert sorted(lengths) == pytest.approx(sorted(between), abs=1e-8)


# Splits and flips


def test_splitting_keeps_area_way_round_and_border():
    points, faces = sheet(20.0, 20.0, 4.0)
    before = areas(points, faces)
    more, finer, was = split_long(points, faces, 1.5)
    assert_array_equal(more[: len(points)], points)
    assert_manifold(finer)
    assert euler(finer) == 1
    corner = more[finer]
    assert (np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])[:, 2] > 0.0).all()
    assert_allclose(np.bincount(was, areas(more, finer)), before, rtol=1e-12)
    ends = np.unique(edges_of(faces), axis=0)
    long = np.linalg.norm(points[ends[:, 0]] - points[ends[:, 1]], axis=1) > 1.4 * 1.5
    assert long.any()
    assert len(more) == len(points) + long.sum()


def test_splitting_ends_when_no_edge_is_too_long():
    points, faces = sheet(20.0, 20.0, 5.0)
    for _ in range(10):
        points, faces, _ = split_long(points, faces, 1.0)
    ends = np.unique(edges_of(faces), axis=0)
    assert np.linalg.norm(points[ends[:, 0]] - points[ends[:, 1]], axis=1).max() <= 1.4
    again = split_long(points, faces, 1.0)
    assert_array_equal(again[0], points)
    assert len(again[1]) == len(faces)


@pytest.mark.parametrize("cut", [[], [(0, 1)], [(1, 2)], [(0, 2)], [(0, 1), (1, 2)], [(0, 1), (0, 2)]])
@pytest.mark.parametrize("turned", [0, 1, 2])
def test_a_face_is_divided_at_any_of_its_edges(cut, turned):
    points = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 3.0, 0.0], [4.0, 3.5, 0.0]])
    faces = np.array([np.roll([0, 1, 2], turned), [1, 3, 2]], dtype=np.int32)
    for ends in (cut, [*cut, (2, 3)]):
        edges = np.array(ends, dtype=np.int64).reshape(-1, 2)
        more, finer, was = divided_at(points, faces, edges)
        assert_manifold(finer)
        assert euler(finer) == 1
        assert_allclose(more[4:], [(points[a] + points[b]) / 2 for a, b in ends] or np.zeros((0, 3)))
        assert_allclose(np.bincount(was, areas(more, finer)), areas(points, faces))
        corner = more[finer]
        assert (np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])[:, 2] > 0.0).all()


@pytest.mark.parametrize("seed", range(3))
def test_flips_end_in_the_delaunay_triangulation(seed):
    """From one that is Delaunay for the points stretched four times, in any pose."""
    flat = scattered(30.0, 20.0, 1.3, np.random.default_rng(seed))
    start = triangles_over(flat * [1.0, 4.0])
    turn = Rotation.from_rotvec([0.4, 0.2 * seed, -0.7])
    points = turn.apply(np.column_stack([flat, np.zeros(len(flat))]))
    faces = start
    for _ in range(6):
        faces = flipped(points, faces)
    assert_manifold(faces)
    assert euler(faces) == 1
    found = {tuple(edge) for edge in np.unique(edges_of(faces), axis=0).tolist()}
    expected = {tuple(edge) for edge in np.unique(edges_of(Delaunay(flat).simplices), axis=0).tolist()}
    # The straight sides of the rectangle have hulls of no area, which Delaunay's code may leave out.
    differing = found ^ expected
    half = np.array([15.0, 10.0])
    on_side = [(np.abs(np.abs(flat[list(edge)]) - half) < 1e-9).any(axis=0).any() for edge in differing]
    assert all(on_side)
    assert len(found - {tuple(e) for e in np.unique(edges_of(start), axis=0).tolist()}) > 0.2 * len(found)
    assert areas(points, faces).sum() == pytest.approx(600.0)


def test_flips_make_no_edge_twice_and_fold_nothing():
    """A thin spike: its long edge is bad, but the other diagonal would leave the two faces."""
    points = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [5.0, 1.0, 0.0], [5.0, -1.0, 0.0]])
    faces = np.array([[0, 1, 2], [1, 0, 3]], dtype=np.int32)
    assert_array_equal(flipped(points, faces), faces)
    # A tetrahedron: the other diagonal of every pair is an edge already.
    corner = np.array([[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [0.1, 0.1, -0.2]])
    closed = np.array([[0, 1, 2], [0, 3, 1], [0, 2, 3], [1, 3, 2]], dtype=np.int32)
    assert_array_equal(flipped(corner, closed), closed)


# Nodes


@lru_cache(maxsize=4)
def spread_on(shape, spacing):
    points, faces = {
        "disc": lambda: sheet(step=0.6),
        "ring": lambda: annulus(0.6),
        "ball": lambda: ball(9000),
    }[shape]()
    return points, spread_nodes(points, faces, spacing)


@pytest.mark.parametrize(("shape", "number"), [("disc", 1), ("ring", 0), ("ball", 2)])
def test_triangles_between_nodes_are_the_shape_of_the_mesh(shape, number):
    points, (nodes, triangles, owner) = spread_on(shape, 2.0)
    assert_manifold(triangles)
    assert euler(triangles) == number
    assert len(np.unique(triangles)) == len(nodes)
    assert owner.shape == (len(points),)
    assert_array_equal(owner, cKDTree(nodes).query(points)[1])
    assert len(border_loops(triangles, len(nodes))) == {1: 1, 0: 2, 2: 0}[number]


def test_nodes_too_few_for_a_thin_wire_still_make_a_manifold():
    """A wire of 6 mm around, its nodes 2.5 mm apart: clusters go all round it."""
    points, faces = open_tube(radius=1.0, length=40.0, n_u=134, n_v=20)
    nodes, triangles, _ = spread_nodes(points, faces.astype(np.int32), 2.5)
    assert_manifold(triangles)
    assert (np.hypot(*nodes[:, :2].T) <= 1.0).all()


def test_nodes_are_evenly_apart():
    _, (nodes, triangles, _) = spread_on("ball", 2.0)
    ends = np.unique(edges_of(triangles), axis=0)
    length = np.linalg.norm(nodes[ends[:, 0]] - nodes[ends[:, 1]], axis=1)
    assert length.mean() == pytest.approx(2.0, rel=0.15)
    assert length.std() < 0.2 * length.mean()
    assert cKDTree(nodes).query(nodes, k=2)[0][:, 1].min() > 0.5 * 2.0
    assert areas(nodes, triangles).sum() == pytest.approx(4.0 * np.pi * 10.0**2, rel=0.03)


def test_faces_keep_the_way_round():
    _, (nodes, triangles, _) = spread_on("disc", 2.0)
    corner = nodes[triangles]
    assert (np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])[:, 2] > 0.0).all()


def test_point_areas_share_out_the_whole():
    points, faces = ball(500)
    found = point_areas(points, faces)
    assert found.sum() == pytest.approx(areas(points, faces).sum(), rel=1e-12)
    naive = np.zeros(len(points))
    for face, area in zip(faces, areas(points, faces), strict=True):
        naive[face] += area / 3.0
    assert_allclose(found, naive, rtol=1e-12)


@pytest.mark.parametrize("distance", [0.5, 2.0, 7.0])
def test_points_apart_are_apart_and_no_other_fits_in(distance):
    points = np.random.default_rng(2).uniform(0.0, 20.0, (1500, 3)) * [1.0, 1.0, 0.1]
    chosen = apart(points, distance)
    assert cKDTree(points[chosen]).query(points[chosen], k=2)[0][:, 1].min() > distance
    assert cKDTree(points[chosen]).query(points)[0].max() <= distance


def test_points_alone_are_all_taken():
    assert_array_equal(apart(np.array([[0.0, 0, 0], [5.0, 0, 0]]), 1.0), [0, 1])
    assert_array_equal(apart(np.zeros((1, 3)), 1.0), [0])
    assert len(apart(np.zeros((5, 3)), 1.0)) == 1
