"""A known tube carried, mirrored, turned end for end and cut: laws, against direct evaluation."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import BSpline
from scipy.spatial.transform import Rotation

from gaploft.surface.arc import Arc
from gaploft.surface.basis import DEGREE, TURN_RAD, TubeBasis
from gaploft.surface.raised import raised_surface
from gaploft.surface.shape import Shape
from gaploft.surface.sweep import N_MOVES, Sweep, periodic_design

FIRST_MM, LAST_MM, RADIUS_MM = 20.0, 180.0, 16.0
N_SPANS, N_AROUND, N_SECTION, N_SPREAD = 16, 32, 48, 36
#: A billionth of the tube's size, rounding.
ROUNDING_MM = 1e-9 * (LAST_MM - FIRST_MM)
U, V = (grid.ravel() for grid in np.meshgrid(np.linspace(21.3, 178.1, 23), np.arange(17) * 0.3697 + 0.1))


def smooth(rng, basis, n_columns):
    """Coefficients of slow waves along the tube, sampled where each has its middle (Greville's abscissae)."""
    knots = basis.knots_u
    at = np.array([knots[i + 1 : i + DEGREE + 1].mean() for i in range(basis.n_u)])[:, None]
    phase, size = rng.uniform(0.0, TURN_RAD, (2, n_columns)), rng.uniform(0.3, 1.0, (2, n_columns))
    return size[0] * np.sin(at / 60.0 + phase[0]) + 0.5 * size[1] * np.sin(at / 40.0 + phase[1])


def shape_of(curvature):
    """An oval without symmetries, in a pose of its own: it shifts, turns, grows and carries heights."""
    rng = np.random.default_rng(20)
    turn = Rotation.random(random_state=rng).as_matrix()
    arc = Arc(np.array([130.0, -80.0, 55.0]), turn[0], turn[1], curvature, 64.0)
    basis = TubeBasis.uniform(FIRST_MM, LAST_MM, N_SPANS, N_AROUND)
    # A coefficient belongs to the middle of its support: (i - 4 + 2.5) spans.
    angle = (np.arange(N_SECTION) - 1.5) * (TURN_RAD / N_SECTION)
    bulge = 1.0 + 0.06 * np.cos(3.0 * angle + 0.4)
    section = np.column_stack([18.0 * bulge * np.cos(angle), 13.0 * bulge * np.sin(angle)])
    moves = smooth(rng, basis, N_MOVES)
    sweep = Sweep(arc, basis, section, moves, RADIUS_MM)
    around = (np.arange(N_AROUND) - 1.5) * (TURN_RAD / N_AROUND)
    heights = 0.1 * smooth(rng, basis, 1) * np.cos(2.0 * around + 0.7) + 0.05 * np.sin(around)
    known_at = np.linspace(FIRST_MM + 4.0, LAST_MM - 9.0, 15)
    spread = 0.01 + 0.005 * rng.random((15, N_SPREAD))
    return Shape(sweep, np.hstack([moves + 0.3, heights]), known_at, spread)


@pytest.fixture(params=[0.0, 1.0 / 900.0], ids=["straight", "bent"])
def shape(request):
    return shape_of(request.param)


def arrays_of(shape):
    sweep, arc = shape.sweep, shape.sweep.arc
    return [
        *(arc.origin, arc.tangent, arc.normal),
        *(sweep.basis.knots_u, sweep.basis.knots_v, sweep.section, sweep.moved_mm),
        *(shape.solution, shape.known_at, shape.spread_mm),
    ]


def heights_of(shape, u, v):
    """Heights at places, straight from their coefficients."""
    basis = shape.sweep.basis
    along = BSpline.design_matrix(np.clip(u, *basis.range_u), basis.knots_u, DEGREE).toarray()
    return np.einsum("ia,ab,ib->i", along, shape.solution[:, N_MOVES:], periodic_design(basis, v))


def test_surface_is_what_sweep_and_heights_say(shape):
    """Against heights evaluated place by place; what the tensor spline departs is nothing beside noise."""
    swept = replace(shape.sweep, moved_mm=shape.solution[:, :N_MOVES])
    direct = swept.raised(U, V, heights_of(shape, U, V))
    np.testing.assert_allclose(shape.surface.evaluate(U, V), direct, atol=5e-6)
    outward = direct - swept.arc.points(U)
    assert (shape.surface.normals(U, V) * outward).sum(axis=1).min() > 0.0


def test_reversed_is_the_same_tube_with_stations_and_angles_the_other_way(shape):
    other = shape.reversed()
    np.testing.assert_allclose(
        other.surface.evaluate(-U, -V), shape.surface.evaluate(U, V), atol=ROUNDING_MM, rtol=0.0
    )
    np.testing.assert_allclose(other.surface.normals(-U, -V), shape.surface.normals(U, V), atol=1e-9)
    assert other.range_u == (-shape.range_u[1], -shape.range_u[0])
    np.testing.assert_allclose(other.spread(-U, -V), shape.spread(U, V), atol=1e-12)
    np.testing.assert_allclose(other.sweep.arc.tangent, -shape.sweep.arc.tangent)


def test_reflected_is_the_mirror_image_in_the_plane_of_the_arc(shape):
    other, arc = shape.reflected(), shape.sweep.arc

    def mirrored(vectors):
        return vectors - 2.0 * np.outer(vectors @ arc.binormal, arc.binormal)

    expected = arc.origin + mirrored(shape.surface.evaluate(U, V) - arc.origin)
    np.testing.assert_allclose(other.surface.evaluate(U, -V), expected, atol=ROUNDING_MM, rtol=0.0)
    np.testing.assert_allclose(other.surface.normals(U, -V), mirrored(shape.surface.normals(U, V)), atol=1e-9)
    assert other.range_u == shape.range_u
    np.testing.assert_allclose(other.spread(U, -V), shape.spread(U, V), atol=1e-12)


@pytest.mark.parametrize("flip", [Shape.reversed, Shape.reflected])
def test_flipped_twice_is_what_it_was(shape, flip):
    for once, twice in zip(arrays_of(shape), arrays_of(flip(flip(shape))), strict=True):
        np.testing.assert_allclose(twice, once, rtol=0.0, atol=1e-12)


def test_moved_is_carried_rigidly(shape):
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec([0.7, -1.9, 0.4]).as_matrix()
    matrix[:3, 3] = 210.0, -33.0, 8.0
    other = shape.moved(matrix)
    expected = shape.surface.evaluate(U, V) @ matrix[:3, :3].T + matrix[:3, 3]
    np.testing.assert_allclose(other.surface.evaluate(U, V), expected, atol=ROUNDING_MM, rtol=0.0)
    np.testing.assert_array_equal(other.spread(U, V), shape.spread(U, V))
    back = other.moved(np.linalg.inv(matrix))
    for once, twice in zip(arrays_of(shape), arrays_of(back), strict=True):
        np.testing.assert_allclose(twice, once, rtol=0.0, atol=1e-10)


@pytest.mark.parametrize("stretch", [(61.0, 133.0), (20.0, 50.0), (60.0, 60.001), (155.0, 190.0)])
def test_restricted_is_the_same_surface_of_fewer_spans(shape, stretch):
    part = shape.restricted(*stretch)
    span = (LAST_MM - FIRST_MM) / N_SPANS
    first, last = part.range_u
    # Drawn out to the next knots, and no further.
    assert stretch[0] - span < first <= stretch[0]
    assert min(stretch[1], LAST_MM) <= last < stretch[1] + span + 1e-9
    u = np.linspace(first, last, 31)[:, None]
    v = np.arange(40) * (TURN_RAD / 40)
    np.testing.assert_allclose(part.surface.evaluate(u, v), shape.surface.evaluate(u, v), atol=1e-6)
    # The coefficients themselves, moves of the sweep and of the solution, are those of the same splines.
    for mine, whole in (
        (part.solution, shape.solution),
        (part.sweep.moved_mm, shape.sweep.moved_mm),
    ):
        cut = BSpline(part.sweep.basis.knots_u, mine, DEGREE)(u[:, 0])
        np.testing.assert_allclose(cut, BSpline(shape.sweep.basis.knots_u, whole, DEGREE)(u[:, 0]), atol=1e-9)
    uu, vv = (grid.ravel() for grid in np.broadcast_arrays(u, v))
    np.testing.assert_array_equal(part.spread(uu, vv), shape.spread(uu, vv))


@pytest.mark.parametrize("stretch", [(20.0, 180.0), (10.0, 200.0), (29.9, 170.1)])
def test_restricted_to_all_of_it_is_the_shape_itself(shape, stretch):
    assert shape.restricted(*stretch) is shape


def test_spread_is_read_off_between_its_places_and_held_beyond_them(shape):
    step = TURN_RAD / N_SPREAD
    at = shape.known_at[3]
    np.testing.assert_allclose(shape.spread(np.array([at]), np.array([5 * step])), shape.spread_mm[3, 5])
    half = shape.spread(np.array([at]), np.array([-0.5 * step]))
    np.testing.assert_allclose(half, shape.spread_mm[3, [0, -1]].mean())
    ends = shape.spread(np.array([FIRST_MM, LAST_MM]), np.zeros(2))
    np.testing.assert_allclose(ends, shape.spread_mm[[0, -1], 0])


def test_nothing_that_is_asked_of_a_shape_changes_it(shape):
    before = [array.copy() for array in arrays_of(shape)]
    matrix = np.eye(4)
    matrix[:3, 3] = 1.0
    for made in (shape.reversed(), shape.reflected(), shape.moved(matrix), shape.restricted(60.0, 90.0)):
        made.surface.evaluate(U, V)
        made.spread(U, V)
    for kept, now in zip(before, arrays_of(shape), strict=True):
        np.testing.assert_array_equal(now, kept)


def test_raised_surface_of_no_heights_is_the_sweep():
    """In closed form: at its knots a spline damps one wave a turn by a factor of its own, and an ellipse with
    it."""
    basis = TubeBasis.uniform(0.0, 60.0, 8, N_AROUND)
    arc = Arc(np.zeros(3), np.eye(3)[2], np.eye(3)[0], 0.0, 0.0)
    step = TURN_RAD / N_SECTION
    angle = (np.arange(N_SECTION) - 1.5) * step
    section = np.column_stack([20.0 * np.cos(angle), 14.0 * np.sin(angle)])
    sweep = Sweep(arc, basis, section, np.zeros((basis.n_u, N_MOVES)), RADIUS_MM)
    surface = raised_surface(sweep, np.zeros((basis.n_u, N_MOVES + N_AROUND)))
    v = np.arange(N_SECTION) * step
    ring = surface.evaluate(np.full(N_SECTION, 31.0), v)
    # Values of the uniform spline of degree four at its knots: 1, 11, 11, 1 over 24.
    weights = np.array([1.0, 11.0, 11.0, 1.0]) / 24.0
    factor = weights @ np.cos(np.array([-1.5, -0.5, 0.5, 1.5]) * step)
    np.testing.assert_allclose(ring[:, 0], 20.0 * factor * np.cos(v), atol=1e-9)
    np.testing.assert_allclose(ring[:, 1], 14.0 * factor * np.sin(v), atol=1e-9)
    np.testing.assert_allclose(ring[:, 2], 31.0, atol=1e-9)
