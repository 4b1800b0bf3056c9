"""Polynomials, energies and systems of nodes, against derivatives, closed forms and finite differences."""

from functools import lru_cache

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from gaploft.patch.energy import Directed, attraction, fairness, point_residuals
from gaploft.patch.ground import Ground
from gaploft.patch.jets import POWERS, frames, neighbours, stencils
from gaploft.patch.nodes import point_areas
from gaploft.patch.settle import Cloud, equations, laid_on, settled, turned
from gaploft.patch.sheets import curvatures, find_sheets
from gaploft.patch.system import Pattern, factorised
from patch_shapes import scattered, triangles_over

SPACING = 1.3


@lru_cache(maxsize=2)
def flat(width=24.0, height=24.0):
    places = scattered(width, height, SPACING, np.random.default_rng(3))
    return places, triangles_over(places)


def ground_of(points, faces, normals):
    return Ground(points, normals, faces, point_areas(points, faces), np.zeros(len(points)), SPACING)


def sphere(radius):
    x, y = flat()[0].T
    z = np.sqrt(radius**2 - x**2 - y**2)
    normals = np.column_stack([x, y, z]) / radius
    return radius * normals - [0.0, 0.0, radius], normals, np.tile([1.0, 0.0, 0.0], (len(x), 1))


def cylinder(radius):
    s, y = flat()[0].T
    turn = s / radius
    normals = np.column_stack([np.sin(turn), 0.0 * s, np.cos(turn)])
    points = radius * normals + np.column_stack([0.0 * s, y, np.full_like(s, -radius)])
    return points, normals, np.tile([0.0, 1.0, 0.0], (len(s), 1))


def torus(big, small, angle):
    """Around v = angle of a bent tube; first directions around the tube; with the curvatures there."""
    s, t = flat()[0].T
    v, out = angle + s / small, big + small * np.cos(angle)
    u = t / out
    normals = np.column_stack([np.cos(v) * np.cos(u), np.cos(v) * np.sin(u), np.sin(v)])
    points = big * np.column_stack([np.cos(u), np.sin(u), 0.0 * u]) + small * normals
    first = np.column_stack([-np.sin(v) * np.cos(u), -np.sin(v) * np.sin(u), np.cos(v)])
    return points, normals, first


def cone(half_angle, radius):
    """Around a place where the cone has a radius; first directions along it, to where it gets thinner."""
    s, t = flat()[0].T
    sine, cosine = np.sin(half_angle), np.cos(half_angle)
    turn, r = s / radius, radius - t * sine
    normals = np.column_stack([cosine * np.cos(turn), cosine * np.sin(turn), np.full_like(s, sine)])
    points = np.column_stack([r * np.cos(turn), r * np.sin(turn), t * cosine])
    return points, normals, np.column_stack([-sine * np.cos(turn), -sine * np.sin(turn), cosine + 0.0 * s])


def laid_over(points, normals, first, cloud=None):
    cloud = Cloud(points, np.ones(len(points))) if cloud is None else cloud
    return laid_on(ground_of(points, flat()[1], normals), points, normals, first, cloud)


def middle():
    """Nodes whose neighbours lie all around them."""
    return (np.abs(flat()[0]) < 12.0 - 4.0 * SPACING).all(axis=1)


# Polynomials


@pytest.mark.parametrize("turn", [[0.0, 0.0, 0.0], [0.5, -1.2, 0.8]])
def test_a_polynomial_of_fourth_order_over_a_plane_is_reproduced(turn):
    """Taylor's coefficients at every node from those of the polynomial itself."""
    rng = np.random.default_rng(1)
    share = rng.normal(size=len(POWERS)) * 0.05 ** POWERS.sum(axis=1)
    x, y = flat()[0].T
    height = sum(c * x**i * y**j for c, (i, j) in zip(share, POWERS, strict=True))
    # A height field over the plane: normals are the plane's own, and heights are over it.
    pose = Rotation.from_rotvec(turn)
    points = pose.apply(np.column_stack([x, y, np.zeros_like(x)]))
    up, along = pose.apply([0.0, 0.0, 1.0]), pose.apply([1.0, 0.0, 0.0])
    n = len(points)
    near = neighbours(points)
    found = stencils(points, np.tile(up, (n, 1)), np.tile(along, (n, 1)), near, SPACING)
    coefficients = np.einsum("nck,nk->nc", found.fit, height[near] - height[:, None])

    def derivative(a, b):
        total = np.zeros(n)
        for c, (i, j) in zip(share, POWERS, strict=True):
            if i >= a and j >= b:
                falling = np.prod(np.arange(i - a + 1, i + 1)) * np.prod(np.arange(j - b + 1, j + 1))
                total += c * falling * x ** (i - a) * y ** (j - b)
        return total

    factorial = [1.0, 1.0, 2.0, 6.0, 24.0]
    for k, (i, j) in enumerate(POWERS):
        expected = derivative(i, j) / (factorial[i] * factorial[j])
        # The ridge of the least squares is 1e-9, in units of one spacing; at the border neighbours lie on one
        # side, and it tells.
        size = np.abs(height).max() / SPACING ** (i + j)
        assert_allclose(coefficients[middle(), k], expected[middle()], atol=1e-6 * size)
        assert_allclose(coefficients[:, k], expected, atol=1e-3 * size)


def test_neighbours_are_the_nearest_others():
    points = np.random.default_rng(0).normal(size=(60, 3))
    away = np.linalg.norm(points[:, None] - points, axis=2)
    np.fill_diagonal(away, np.inf)
    assert_array_equal(neighbours(points, 5), np.argsort(away, axis=1)[:, :5])


def test_frames_are_right_handed_and_follow_the_direction():
    rng = np.random.default_rng(4)
    normals = rng.normal(size=(50, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    first = rng.normal(size=(50, 3))
    first[:10], first[10:20] = 0.0, normals[10:20]
    found = frames(normals, first)
    assert_allclose(found @ np.swapaxes(found, 1, 2), np.tile(np.eye(3), (50, 1, 1)), atol=1e-12)
    assert_allclose(np.linalg.det(found), 1.0)
    assert_allclose(found[:, 2], normals)
    assert (np.einsum("ij,ij->i", found[20:, 0], first[20:]) > 0.0).all()
    assert_allclose(np.einsum("ij,ij->i", found[20:, 1], first[20:]), 0.0, atol=1e-12)


def test_the_other_wall_of_a_thin_part_does_not_count():
    """Two flat walls 1 mm apart, looking away from each other: heights over each are all 0."""
    one = np.column_stack([flat()[0], np.zeros(len(flat()[0]))])
    points = np.concatenate([one, one * [-1.0, 1.0, 1.0] - [0.1, 0.07, 1.0]])
    normals = np.repeat([[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]], len(one), axis=0)
    found = stencils(points, normals, np.zeros_like(points), neighbours(points, 48), SPACING)
    assert np.abs(found.height).max() == pytest.approx(1.0)
    inside = np.tile(middle(), 2)
    assert_allclose(found.coefficients[inside], 0.0, atol=1e-12)


# Curvatures, closed forms of A8


@pytest.mark.parametrize(
    ("shape", "expected"),
    [
        (sphere(30.0), (1 / 30.0, 1 / 30.0)),
        (cylinder(16.0), (0.0, 0.0625)),
        (torus(400.0, 16.0, 0.0), (0.0024038462, 0.0625)),
        (torus(400.0, 16.0, np.pi), (-0.0026041667, 0.0625)),
        (torus(400.0, 16.0, np.pi / 2), (0.0, 0.0625)),
        (cone(np.deg2rad(1.1457628), 17.0), (0.0, 0.0588118)),
    ],
    ids=["sphere", "cylinder", "outer torus", "inner torus", "top of a torus", "cone"],
)
def test_principal_curvatures(shape, expected):
    """Closed forms; numbers of torus and cone from the table of check values, computed from these forms."""
    points, normals, first = shape
    centre = int(np.linalg.norm(flat()[0], axis=1).argmin())
    s, t = flat()[0][centre]
    found = curvatures(laid_over(points, normals, first))[centre]
    # The nearest node is off the centre by (s, t): torus and cone change by less than this on the way.
    slack = 1e-5 + 2e-4 * np.hypot(s, t)
    assert_allclose(found, expected, atol=slack)


def test_curvatures_of_a_hollow_are_negative():
    points, normals, first = cylinder(16.0)
    found = curvatures(laid_over(points, -normals, first))[middle()]
    assert_allclose(found, np.tile([-1 / 16.0, 0.0], (len(found), 1)), atol=2e-5)


# Energies


def cost(shape, way):
    """Cost by area over the middle."""
    points, normals, first = shape
    laid = laid_over(points, normals, first)
    inside = middle()
    areas = np.where(inside, laid.ground.areas, 0.0)
    return fairness(laid.stencil, laid.normals, areas, way, SPACING).value / areas.sum()


@pytest.mark.parametrize(
    "shape",
    [sphere(30.0), cylinder(16.0), torus(60.0, 12.0, 0.7), cone(0.2, 18.0)],
    ids=["sphere", "cylinder", "torus", "cone"],
)
def test_surfaces_along_whose_lines_curvature_is_constant_cost_nothing(shape):
    """A ripple of 0.02 mm over 10 mm costs thousands of times as much."""
    way = Directed(mixed=0.0)
    points, normals, first = shape
    rippled = points + 0.02 * np.sin(2 * np.pi * flat()[0][:, :1] / 10.0) * normals
    assert cost(shape, way) < 1e-3 * cost((rippled, normals, first), way)


def test_third_order_costs_what_the_change_of_curvature_is():
    """A sheet bent as a cubic: its third derivative is known, and so is its integral."""
    x, y = flat()[0].T
    slight = 2e-5
    points = np.column_stack([x, y, slight * x**3])
    normals = np.tile([0.0, 0.0, 1.0], (len(x), 1))
    found = cost((points, normals, np.tile([1.0, 0, 0], (len(x), 1))), Directed(along=2.0, mixed=7.0))
    assert found == pytest.approx(2.0 * (6.0 * slight) ** 2, rel=0.02)
    mixed = np.column_stack([x, y, slight * x**2 * y])
    found = cost((mixed, normals, np.tile([1.0, 0, 0], (len(x), 1))), Directed(along=9.0, mixed=0.5))
    # Three orders of the letters x, x, y.
    assert found == pytest.approx(3.0 * 0.5 * (2.0 * slight) ** 2, rel=0.02)


def test_arcs_are_free_in_fourth_order():
    """Against what a fourth derivative of none would cost, by the series of the sphere's height."""
    way = Directed(order=4)
    radius = 20.0
    # Height -(rho^2)/2R - rho^4/8R^3: derivatives -3, 0, -1, 0, -3 over R^3, in 1, 4, 6, 4, 1 orders.
    plain = (2 * 9.0 + 6.0) / radius**6
    # A parabola bent alike has no fourth derivative where the arc asks for one.
    x, y = flat()[0].T
    assert cost(sphere(radius), way) < 0.02 * plain
    points = np.column_stack([x, y, -(x**2 + y**2) / (2 * radius)])
    flat_middle = int(np.hypot(x, y).argmin())
    laid = laid_over(points, np.tile([0.0, 0.0, 1.0], (len(x), 1)), np.tile([1.0, 0.0, 0.0], (len(x), 1)))
    alone = np.zeros(len(x))
    alone[flat_middle] = 1.0
    found = fairness(laid.stencil, laid.normals, alone, way, SPACING).value
    assert found == pytest.approx(plain, rel=0.15)


def test_round_sections_are_free_in_fourth_order():
    """A parabola bent like the cylinder's top would lack 3/R^3; terms of sixth order leave less than 1 %."""
    assert cost(cylinder(12.0), Directed(order=4)) < 0.01 * (3.0 / 12.0**3) ** 2


def moved_form(pattern, form, move):
    """A form at moves of the nodes: its value, and its gradient by the matrix."""
    matrix, pull = pattern.matrix(form.local), pattern.vector(form.pull)
    return form.value + move @ (matrix @ move) - 2.0 * (pull @ move), 2.0 * (matrix @ move - pull)


def field():
    """A smooth random surface over the plane: nodes, normals up, first directions."""
    rng = np.random.default_rng(8)
    x, y = flat()[0].T
    waves = rng.normal(size=(6, 2)) * 0.25
    z = 0.15 * np.sin(flat()[0] @ waves.T + rng.uniform(0, 6, 6)).sum(axis=1)
    return (
        np.column_stack([x, y, z]),
        np.tile([0.0, 0.0, 1.0], (len(x), 1)),
        np.tile([0.6, 0.8, 0.0], (len(x), 1)),
    )


@pytest.mark.parametrize("way", [Directed(), Directed(2.0, 0.5, 0.1), Directed(order=4)])
def test_fairness_is_its_own_quadratic_and_its_gradient_is_the_slope(way):
    """Nodes moved in fact, over frames that stay: the form's value must be that of the moved surface.

    Order 4 asks for what the curvature was, which the moved surface's own value takes anew: there the slope
    at no move alone is compared, with what is asked held by moving as little as a step of 1e-4.
    """
    points, normals, first = field()
    near = neighbours(points)
    pattern = Pattern(near)
    areas = np.ones(len(points))

    def form(moves):
        # Frames and places in the plane stay, since all normals are up.
        now = stencils(points + moves[:, None] * normals, normals, first, near, SPACING)
        # Weights depend on distance a little: those of the surface that is moved from are kept.
        start = stencils(points, normals, first, near, SPACING)
        kept = type(start)(near, start.frame, start.fit, start.place, now.height, start.weight)
        return fairness(kept, normals, areas, way, SPACING)

    rng = np.random.default_rng(2)
    start = form(np.zeros(len(points)))
    direction = rng.normal(size=len(points))
    value, gradient = moved_form(pattern, start, np.zeros(len(points)))
    assert value == pytest.approx(start.value)
    if way.order == 3:
        for size in (0.01, 1.0):
            assert moved_form(pattern, start, size * direction)[0] == pytest.approx(
                form(size * direction).value, rel=1e-9
            )
        step = 1e-3
        slope = (form(step * direction).value - form(-step * direction).value) / (2 * step)
        assert slope == pytest.approx(gradient @ direction, rel=1e-7)
    else:
        # What arcs ask for changes by the cube of a curvature of some 0.02: a thousandth of the slope.
        step = 1e-3
        slope = (form(step * direction).value - form(-step * direction).value) / (2 * step)
        assert slope == pytest.approx(gradient @ direction, rel=0.01)


def test_attraction_is_its_own_quadratic():
    """Against distances of points from the polynomials of nodes that are moved in fact."""
    points, normals, first = field()
    rng = np.random.default_rng(5)
    near = neighbours(points)
    start = stencils(points, normals, first, near, SPACING)
    cloud = np.column_stack([rng.uniform(-11.0, 11.0, (900, 2)), rng.normal(0.0, 0.3, 900)])
    # Some nodes have no point at all.
    cloud = cloud[cloud[:, 0] > -4.0]
    owner = cKDTree(points[:, :2]).query(cloud[:, :2])[1]
    weights = rng.uniform(0.2, 2.0, len(cloud))

    def offset(moves):
        return np.einsum("mij,mj->mi", start.frame[owner], cloud - (points + moves[:, None] * normals)[owner])

    def value(moves):
        raised = points + moves[:, None] * normals
        height = np.einsum("nkj,nj->nk", raised[near] - raised[:, None], normals)
        now = type(start)(near, start.frame, start.fit, start.place, height, start.weight)
        return float(weights @ point_residuals(now, owner, offset(moves)) ** 2)

    form = attraction(start, normals, owner, offset(np.zeros(len(points))), weights)
    pattern = Pattern(near)
    direction = rng.normal(size=len(points))
    for size in (0.0, 0.01, 1.0):
        assert moved_form(pattern, form, size * direction)[0] == pytest.approx(
            value(size * direction), rel=1e-9
        )
    _, gradient = moved_form(pattern, form, np.zeros(len(points)))
    step = 1e-4
    for k in rng.choice(len(points), 12, replace=False):
        unit = np.zeros(len(points))
        unit[k] = step
        slope = (value(unit) - value(-unit)) / (2 * step)
        assert gradient[k] == pytest.approx(slope, abs=1e-6 * np.abs(gradient).max())


def test_energies_do_not_depend_on_pose():
    points, normals, first = field()
    pose = Rotation.from_rotvec([1.0, 0.4, -0.6])
    there = (pose.apply(points) + [90.0, -20.0, 7.0], pose.apply(normals), pose.apply(first))
    for way in (Directed(along=3.0), Directed(order=4)):
        assert cost(there, way) == pytest.approx(cost((points, normals, first), way), rel=1e-8)


# Systems


def test_matrix_and_vector_are_sums_of_local_ones():
    rng = np.random.default_rng(0)
    points = rng.normal(size=(30, 3))
    pattern = Pattern(neighbours(points, 5))
    half = rng.normal(size=(30, 6, 6))
    local, pull = half + np.swapaxes(half, 1, 2), rng.normal(size=(30, 6))
    dense, right = np.zeros((30, 30)), np.zeros(30)
    for k in range(30):
        members = [*pattern.near[k], k]
        dense[np.ix_(members, members)] += local[k]
        right[members] += pull[k]
    matrix = pattern.matrix(local)
    assert_allclose(matrix.toarray(), dense, atol=1e-12)
    assert_allclose(pattern.vector(pull), right, atol=1e-12)


def test_a_factor_solves_and_knows_its_determinant():
    rng = np.random.default_rng(1)
    pattern = Pattern(neighbours(rng.normal(size=(40, 3)), 6))
    half = rng.normal(size=(40, 7, 7))
    matrix = pattern.matrix(half @ np.swapaxes(half, 1, 2))
    factor = factorised(matrix)
    right = rng.normal(size=(40, 3))
    assert_allclose(factor.solve(right), np.linalg.solve(matrix.toarray(), right), rtol=1e-8, atol=1e-10)
    assert_allclose(factor.solve(right[:, 0]), factor.solve(right)[:, 0], rtol=1e-12)
    assert factor.log_determinant == pytest.approx(np.linalg.slogdet(matrix.toarray())[1], rel=1e-10)


# Settling


def dented(shape, radius=5.0):
    """Nodes pushed in over the middle, and exact points around it."""
    points, normals, first = shape
    away = np.hypot(*flat()[0].T)
    depth = np.where(away < radius, 1.0 - (away / radius) ** 2, 0.0)
    cloud = Cloud(points[away >= radius], np.full((away >= radius).sum(), SPACING**2))
    return laid_over(points - depth[:, None] * normals, normals, first, cloud), cloud


def test_a_dented_cylinder_comes_back():
    laid, cloud = dented(cylinder(16.0))
    ended = settled(laid, cloud, np.ones(len(cloud.points)), Directed(), 1.0)
    off = np.hypot(ended.points[:, 0], ended.points[:, 2] + 16.0) - 16.0
    assert np.abs(off[middle()]).max() < 1e-3
    assert np.abs(ended.residuals).max() < 1e-3
    # Standing still, the equations ask for no more move.
    factor, pull = equations(ended, cloud, np.ones(len(cloud.points)), Directed(), 1.0)
    assert np.abs(factor.solve(pull)).max() < 5e-4


def test_a_dented_sphere_comes_back():
    laid, cloud = dented(sphere(25.0))
    ended = settled(laid, cloud, np.ones(len(cloud.points)), Directed(), 1.0)
    off = np.linalg.norm(ended.points + [0.0, 0.0, 25.0], axis=1) - 25.0
    assert np.abs(off[middle()]).max() < 2e-3


def test_a_dented_saddle_comes_back_nearly():
    """z = xy/40: its third derivatives vanish in the plane's frame, those over its own tangents don't."""
    x, y = flat()[0].T
    normals = np.column_stack([-y / 40.0, -x / 40.0, np.ones_like(x)])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    laid, cloud = dented((np.column_stack([x, y, x * y / 40.0]), normals, np.tile([1.0, 0, 0], (len(x), 1))))
    ended = settled(laid, cloud, np.ones(len(cloud.points)), Directed(), 1.0)
    px, py, pz = ended.points.T
    assert np.abs(pz - px * py / 40.0)[middle()].max() < 0.01


def test_points_of_no_weight_pull_nothing():
    laid, cloud = dented(cylinder(16.0))
    weights = np.ones(len(cloud.points))
    far = Cloud(
        np.concatenate([cloud.points, cloud.points[:50] + [0.0, 0.0, 0.5]]), np.ones(len(weights) + 50)
    )
    both = laid_on(laid.ground, laid.points, laid.normals, laid.first, far)
    plain = laid_on(
        laid.ground, laid.points, laid.normals, laid.first, Cloud(cloud.points, np.ones(len(weights)))
    )
    one = settled(both, far, np.append(weights, np.zeros(50)), Directed(), 1.0, rounds=2)
    two = settled(plain, Cloud(cloud.points, np.ones(len(weights))), weights, Directed(), 1.0, rounds=2)
    assert_allclose(one.points, two.points, atol=1e-9)


def test_turning_directions_leaves_the_nodes():
    laid, cloud = dented(cylinder(16.0))
    again = turned(laid, np.tile([1.0, 0.0, 0.0], (len(laid.points), 1)), cloud)
    assert_array_equal(again.points, laid.points)
    assert (np.abs(again.stencil.frame[:, 0, 1]) < 0.2).all()
    assert_allclose(again.residuals, laid.residuals, atol=0.05)


# Sheets


def test_two_walls_and_the_hollow_between_them_are_told_apart():
    """A flat floor and a flat wall joined by a fillet of 6 mm, straight along y."""
    s, y = flat(60.0, 30.0)[0].T
    radius, half = 6.0, 6.0 * np.pi / 4
    # The path: a floor, a quarter circle up, a wall.
    turn = np.clip((s + half) / radius, 0.0, np.pi / 2)
    x = np.where(s < -half, s + half, radius * np.sin(turn))
    z = radius * (1.0 - np.cos(turn)) + np.maximum(s - half, 0.0)
    normals = np.column_stack([-np.sin(turn), np.zeros_like(s), np.cos(turn)])
    points = np.column_stack([x, y, z])
    faces = flat(60.0, 30.0)[1]
    cloud = Cloud(points, np.ones(len(points)))
    laid = laid_on(ground_of(points, faces, normals), points, normals, np.zeros_like(points), cloud)
    trusted = y > -13.0
    found = find_sheets(laid, trusted)
    assert set(np.unique(found)) == {-1, 0, 1}
    assert (found[~trusted] == -1).all()
    # Curvature is smeared over three spacings beyond the fillet, and over a stencil.
    assert (found[np.abs(s) < half] == -1).all()
    floor, wall = found[(s < -half - 9.0) & trusted], found[(s > half + 9.0) & trusted]
    assert len(np.unique(floor)) == len(np.unique(wall)) == 1
    assert floor[0] != wall[0]
    assert -1 not in (floor[0], wall[0])


def test_one_sheet_without_a_hollow_is_one():
    points, normals, first = cylinder(16.0)
    found = find_sheets(laid_over(points, normals, first), np.ones(len(points), bool))
    assert (found == 0).all()
