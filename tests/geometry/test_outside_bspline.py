"""The tube surface against a textbook, an independent spline library and closed forms.

The closed shapes are interpolated by splines of refined spacing h. A spline of degree 4 is h^5 away from a
smooth shape, its first derivatives h^4 and its second h^3 (C. de Boor, "A Practical Guide to Splines",
Springer 1978; cited from memory), and so are points, normals and curvatures.
"""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from closed_surfaces import SHAPES, spline_of, stacked
from gaploft.surface.basis import (
    DEGREE,
    TURN_RAD,
    TubeBasis,
    clamped_knots,
    derivative_gram,
    local_basis,
    periodic_knots,
)
from gaploft.surface.model import TubeSurface

ROUNDING = 1e-13


# --- textbook -----------------------------------------------------------------------------------

# L. Piegl, W. Tiller, "The NURBS Book", Springer 1997, example 2.3 (values seen in two public test suites)
BOOK_KNOTS = np.array([0, 0, 0, 1, 2, 3, 4, 4, 5, 5, 5], dtype=float)


def cox_de_boor(i, degree, knots, x, order=0):
    """One basis function or its derivative straight from the recursion; 0/0 is 0."""
    if order > 0:
        left, right = knots[i + degree] - knots[i], knots[i + degree + 1] - knots[i + 1]
        one = cox_de_boor(i, degree - 1, knots, x, order - 1) / left if left else 0.0
        other = cox_de_boor(i + 1, degree - 1, knots, x, order - 1) / right if right else 0.0
        return degree * (one - other)
    if degree == 0:
        return 1.0 if knots[i] <= x < knots[i + 1] else 0.0
    left, right = knots[i + degree] - knots[i], knots[i + degree + 1] - knots[i + 1]
    one = (x - knots[i]) / left * cox_de_boor(i, degree - 1, knots, x) if left else 0.0
    other = (knots[i + degree + 1] - x) / right * cox_de_boor(i + 1, degree - 1, knots, x) if right else 0.0
    return one + other


def test_nurbs_book_example_2_3():
    basis = local_basis(np.array([2.5]), BOOK_KNOTS, 2)
    assert basis.first.tolist() == [2]  # span 4 less the degree
    np.testing.assert_allclose(basis.values, [[1 / 8, 6 / 8, 1 / 8]], atol=ROUNDING)


def test_naive_recursion_knows_the_book():
    """The oracle of the next tests, by the same example: values and first derivatives."""
    values = [cox_de_boor(i, 2, BOOK_KNOTS, 2.5) for i in (2, 3, 4)]
    slopes = [cox_de_boor(i, 2, BOOK_KNOTS, 2.5, 1) for i in (2, 3, 4)]
    np.testing.assert_allclose(values, [1 / 8, 6 / 8, 1 / 8], atol=ROUNDING)
    np.testing.assert_allclose(slopes, [-1 / 2, 0.0, 1 / 2], atol=ROUNDING)


@pytest.mark.parametrize(
    ("place", "expected"),
    [(0.0, [1 / 6, 4 / 6, 1 / 6, 0.0]), (0.5, [1 / 48, 23 / 48, 23 / 48, 1 / 48])],
)
def test_uniform_cubic_at_a_knot_and_between(place, expected):
    """Closed form of the uniform cubic."""
    knots = periodic_knots(12, 3)
    x = (5 + place) * TURN_RAD / 12
    np.testing.assert_allclose(local_basis(np.array([x]), knots, 3).values, [expected], atol=ROUNDING)


@pytest.mark.parametrize("knots", [clamped_knots(-10.0, 50.0, 7), periodic_knots(9)])
def test_basis_agrees_with_the_recursion_and_sums_to_one(knots):
    start, stop = knots[DEGREE], knots[-DEGREE - 1]
    x = np.random.default_rng(1).uniform(start, stop, 40)
    basis = local_basis(x, knots)
    naive = [
        [cox_de_boor(first + k, DEGREE, knots, place) for k in range(DEGREE + 1)]
        for first, place in zip(basis.first, x, strict=True)
    ]
    np.testing.assert_allclose(basis.values, naive, atol=ROUNDING)
    np.testing.assert_allclose(basis.values.sum(axis=1), 1.0, atol=ROUNDING)
    assert (basis.values >= 0.0).all()


@pytest.mark.parametrize("orders", [(1.0,), (0.0, 1.0, 0.0, 1.0), (0.0, 0.0, 0.0, 1.0)])
def test_penalty_integrals_agree_with_the_recursion(orders):
    """Integrals by a fine midpoint sum over the naive basis: second order, so a hundred points a span."""
    knots = clamped_knots(0.0, 5.0, 5)
    n, per_span = len(knots) - DEGREE - 1, 100
    x = (np.arange(5 * per_span) + 0.5) / per_span
    operator = np.array(
        [
            [
                sum(c * cox_de_boor(i, DEGREE, knots, p, k) for k, c in enumerate(orders) if c)
                for i in range(n)
            ]
            for p in x
        ]
    )
    expected = operator.T @ operator / per_span
    gram = derivative_gram(knots, orders)
    # the midpoint error is step²/24 times the change of the first derivative of the integrand, whose size for
    # these operators is a few tens of the largest entry
    np.testing.assert_allclose(gram, expected, atol=100 / per_span**2 / 24 * np.abs(expected).max())


# --- independent library ------------------------------------------------------------------------


@pytest.fixture
def random_surface():
    basis = TubeBasis.uniform(-10.0, 50.0, 7, 12)
    return TubeSurface(basis, np.random.default_rng(2).normal(size=(basis.n_u, basis.n_v, 3)))


@pytest.mark.parametrize(
    "orders", [(0, 0), (1, 0), (0, 1), (1, 1), (2, 0), (0, 2), (2, 1), (1, 2), (3, 0), (0, 3)]
)
def test_surface_and_derivatives_agree_with_splipy(random_surface, orders):
    """Splipy (GPL-3.0-or-later), a general spline library, with its own clamped and periodic bases."""
    splipy = pytest.importorskip("splipy", reason="the independent spline library splipy is not installed")
    basis = random_surface.basis
    other = splipy.Surface(
        splipy.BSplineBasis(DEGREE + 1, basis.knots_u),
        splipy.BSplineBasis(DEGREE + 1, basis.knots_v, periodic=DEGREE - 1),
        random_surface.coefficients,
        raw=True,
    )
    u, v = np.linspace(-10.0, 50.0, 23), np.linspace(0.0, 6.2, 31)
    expected = other(u, v) if orders == (0, 0) else other.derivative(u, v, d=orders)
    # a derivative of order k is at most (2 degree/h)^k in size
    size = (2 * DEGREE * 7 / 60.0) ** orders[0] * (2 * DEGREE * 12 / TURN_RAD) ** orders[1]
    np.testing.assert_allclose(
        random_surface.derivatives(u[:, None], v, *orders), expected, atol=ROUNDING * max(size, 1.0)
    )


# --- laws ---------------------------------------------------------------------------------------


def test_clamped_ends_follow_the_control_net(random_surface):
    """At its ends a clamped curve has the derivative p (P1 - P0)/(u_{p+1} - u_1) (The NURBS Book, ch. 3)."""
    knots, net = random_surface.basis.knots_u, random_surface.coefficients
    v = np.linspace(0.0, TURN_RAD, 20)
    for end, (inner, outer, span) in {
        -10.0: (net[1], net[0], knots[DEGREE + 1] - knots[1]),
        50.0: (net[-1], net[-2], knots[-2] - knots[-DEGREE - 2]),
    }.items():
        constant = np.broadcast_to(DEGREE * (inner - outer) / span, net.shape)
        expected = replace(random_surface, coefficients=constant).evaluate(0.0, v)
        np.testing.assert_allclose(random_surface.derivatives(end, v, 1, 0), expected, atol=ROUNDING)


def test_one_turn_more_changes_nothing(random_surface):
    u, v = np.linspace(-10.0, 50.0, 30), np.random.default_rng(3).uniform(0.0, TURN_RAD, 30)
    for turns in (-2, 1, 5):
        # v of some 30 carries rounding of 4e-15, times a slope of some 10
        np.testing.assert_allclose(
            random_surface.evaluate(u, v + turns * TURN_RAD), random_surface.evaluate(u, v), atol=ROUNDING
        )


@pytest.mark.parametrize("order", range(DEGREE))
def test_seam_is_as_smooth_as_the_rest(random_surface, order):
    u, tiny = np.linspace(-10.0, 50.0, 30), 1e-9
    before = random_surface.derivatives(u, TURN_RAD - tiny, 0, order)
    after = random_surface.derivatives(u, tiny, 0, order)
    next_order = (2 * DEGREE * 12 / TURN_RAD) ** (order + 1)
    np.testing.assert_allclose(before, after, atol=2 * tiny * next_order)


def test_seam_angle_does_not_count(random_surface):
    rolled = replace(random_surface, coefficients=np.roll(random_surface.coefficients, 5, axis=1))
    u, v = np.linspace(-10.0, 50.0, 30), np.linspace(-3.0, 9.0, 30)
    np.testing.assert_allclose(
        rolled.evaluate(u, v + 5 * TURN_RAD / 12), random_surface.evaluate(u, v), atol=ROUNDING
    )


# --- closed forms -------------------------------------------------------------------------------


EVERY_SHAPE = pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES.keys())


def places(length, n=2000):
    rng = np.random.default_rng(5)
    return rng.uniform(0.0, length, n), rng.uniform(0.0, TURN_RAD, n)


REFINED = ((6, 12), (12, 24), (24, 48))


def assert_falls(errors, order, floor):
    """Each halving divides the error by 2^order, to a fifth; below the floor only rounding is left."""
    for coarse, fine in itertools.pairwise(errors):
        assert fine < max(coarse / (0.8 * 2**order), floor)


@EVERY_SHAPE
def test_points_normals_and_curvatures_converge(shape):
    u, v = places(shape.length)
    errors = {"point": [], "normal": [], "curvature": []}
    for spans in REFINED:
        surface = spline_of(shape.point, shape.length, *spans)
        errors["point"].append(np.abs(surface.evaluate(u, v) - shape.point(u, v)).max())
        errors["normal"].append(np.abs(surface.normals(u, v) - shape.normal(u, v)).max())
        exact = np.stack(shape.curvatures(u, v), axis=-1)
        errors["curvature"].append(np.abs(surface.curvatures(u, v) - exact).max())
    size = 400.0  # of the coordinates
    assert_falls(errors["point"], 5, 1e-14 * size)
    assert_falls(errors["normal"], 4, 1e-13)
    assert_falls(errors["curvature"], 3, 1e-13)


def test_normals_of_every_shape_are_right_angled():
    """The closed normals above against finite differences of the closed points."""
    step = 1e-4
    for shape in SHAPES.values():
        u, v = places(shape.length, 50)
        along = shape.point(u + step, v) - shape.point(u - step, v)
        around = shape.point(u, v + step) - shape.point(u, v - step)
        for tangent in (along, around):
            length = np.linalg.norm(tangent, axis=-1)
            np.testing.assert_allclose((tangent * shape.normal(u, v)).sum(-1) / length, 0.0, atol=1e-8)


@EVERY_SHAPE
@pytest.mark.parametrize("height_mm", [-0.4, 0.0, 0.25, 3.0])
def test_foot_points_converge(shape, height_mm):
    """Points put along the closed normal find their foot, signed distance and normal again."""
    u, v = places(shape.length - 10.0)
    u = u + 5.0  # the foot stays inside the ends
    points = shape.point(u, v) + height_mm * shape.normal(u, v)
    rng = np.random.default_rng(6)
    start_u, start_v = u + rng.uniform(-2.0, 2.0, len(u)), v + rng.uniform(-0.1, 0.1, len(v))
    distance, foot = [], []
    for spans in REFINED:
        surface = spline_of(shape.point, shape.length, *spans)
        found = surface.project(points, start_u, start_v, steps=6)
        distance.append(np.abs(found.distance_mm - height_mm).max())
        foot.append(np.linalg.norm(surface.evaluate(found.u, found.v) - shape.point(u, v), axis=-1).max())
    assert_falls(distance, 5, 1e-14 * 400)
    # off the surface the foot moves with the normal, at it with the points
    assert_falls(foot, 5 if height_mm == 0.0 else 4, 1e-13 * 400)


def test_foot_points_of_a_cylinder_cone_and_torus_by_distance_alone():
    """Distances of scattered points from formulas that know no parameters."""
    rng = np.random.default_rng(8)
    slope = -6.0 / 300.0
    exact = {
        "cylinder": lambda p: np.hypot(p[:, 0], p[:, 1]) - 16.0,
        "cone": lambda p: (np.hypot(p[:, 0], p[:, 1]) - 20.0 - slope * p[:, 2]) / np.hypot(1.0, slope),
        "torus": lambda p: np.hypot(np.hypot(p[:, 0], p[:, 2]) - 400.0, p[:, 1]) - 16.0,
    }
    for name, distance in exact.items():
        shape = SHAPES[name]
        u, v = places(shape.length - 20.0, 500)
        points = shape.point(u + 10.0, v) + rng.uniform(-2.0, 2.0, (500, 3))
        surface = spline_of(shape.point, shape.length, 24, 48)
        off = np.abs(surface.evaluate(u, v) - shape.point(u, v)).max()
        found = surface.project(points, u + 10.0, v, steps=8)
        np.testing.assert_allclose(found.distance_mm, distance(points), atol=2 * off + 1e-14 * 400)


def test_ellipsoid_curvatures_at_the_end_of_its_axis():
    """At (a, 0, 0): a/b² and a/c²; 20, 14, 100 gives 0.1020408 and 0.0020."""
    a, b, c = 20.0, 14.0, 100.0

    def belt(u, v):
        t = (u - 60.0) / c
        return stacked(a * np.cos(t) * np.cos(v), b * np.cos(t) * np.sin(v), c * np.sin(t))

    errors = []
    for spans in REFINED:
        curvatures = spline_of(belt, 120.0, *spans).curvatures(60.0, 0.0)
        errors.append(np.abs(curvatures - [0.1020408163265306, 0.0020]).max())
    assert_falls(errors, 3, 1e-13)
    assert errors[-1] < 1e-5


@pytest.mark.parametrize("factor", [0.1, 25.4])
def test_curvatures_and_distances_follow_motion_and_scale(factor):
    shape = SHAPES["torus"]
    surface = spline_of(shape.point, shape.length, 8, 16)
    turn = np.linalg.qr(np.random.default_rng(4).normal(size=(3, 3)))[0]
    turn *= np.linalg.det(turn)  # a rotation
    moved = replace(surface, coefficients=factor * surface.coefficients @ turn.T + [500.0, -80.0, 3.0])
    u, v = places(180.0, 200)
    np.testing.assert_allclose(moved.curvatures(u, v) * factor, surface.curvatures(u, v), atol=1e-12)
    np.testing.assert_allclose(moved.normals(u, v), surface.normals(u, v) @ turn.T, atol=1e-12)
    points = surface.evaluate(u, v) + 0.5
    before = surface.project(points, u, v).distance_mm
    after = moved.project(factor * points @ turn.T + [500.0, -80.0, 3.0], u, v).distance_mm
    np.testing.assert_allclose(after, factor * before, atol=1e-13 * 400 * max(factor, 1.0))


def test_mirrored_surface_still_faces_outward():
    shape = SHAPES["cone"]
    surface = spline_of(shape.point, shape.length, 6, 12)
    mirrored = TubeSurface(surface.basis, surface.coefficients * [-1.0, 1.0, 1.0]).turned_outward()
    assert mirrored.outward == -surface.outward
    u, v = places(shape.length, 100)
    np.testing.assert_allclose(mirrored.normals(u, v), surface.normals(u, v) * [-1.0, 1.0, 1.0], atol=1e-13)
    np.testing.assert_allclose(mirrored.curvatures(u, v), surface.curvatures(u, v), atol=1e-13)
