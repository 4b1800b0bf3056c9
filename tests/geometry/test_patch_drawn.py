"""Loops drawn around damage: areas inside them in closed form, islands, rings, and every refusal."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from gaploft.errors import InputError
from gaploft.patch.drawn import damaged_by_outlines

RADIUS_MM = 20.0
TUBE_MM, LENGTH_MM = 15.0, 160.0


def sphere(n=12000):
    """Evenly spread points on a sphere (a Fibonacci lattice) and their convex hull's faces."""
    k = np.arange(n) + 0.5
    z = 1.0 - 2.0 * k / n
    turn = np.pi * (1.0 + 5.0**0.5) * k
    flat = np.sqrt(1.0 - z**2)
    points = RADIUS_MM * np.column_stack([flat * np.cos(turn), flat * np.sin(turn), z])
    return points, outward(points, ConvexHull(points).simplices)


def outward(points, faces):
    corner = points[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    inwards = np.einsum("ij,ij->i", across, corner.mean(axis=1)) < 0.0
    return np.where(inwards[:, None], faces[:, ::-1], faces).astype(np.int32)


def grid_faces(n_rows, n_columns, *, around):
    """Triangles of a grid of points, row by row, closed within each row."""
    row, column = np.meshgrid(np.arange(n_rows - (not around)), np.arange(n_columns), indexing="ij")
    here = row * n_columns + column
    right = row * n_columns + (column + 1) % n_columns
    above, across = (here + n_columns) % (n_rows * n_columns), (right + n_columns) % (n_rows * n_columns)
    lower, upper = np.stack([here, right, across], -1), np.stack([here, across, above], -1)
    return np.concatenate([lower.reshape(-1, 3), upper.reshape(-1, 3)]).astype(np.int32)


def tube(x=0.0, n_around=90):
    station, angle = np.meshgrid(
        np.arange(0.0, LENGTH_MM + 0.5, 1.0), 2.0 * np.pi * np.arange(n_around) / n_around, indexing="ij"
    )
    places = [x + TUBE_MM * np.cos(angle), TUBE_MM * np.sin(angle), station]
    points = np.stack(places, axis=-1).reshape(-1, 3)
    return points, grid_faces(len(station), n_around, around=False)


def torus(large=40.0, small=8.0, n_large=240, n_small=48):
    u, v = np.meshgrid(
        2.0 * np.pi * np.arange(n_large) / n_large, 2.0 * np.pi * np.arange(n_small) / n_small, indexing="ij"
    )
    out = large + small * np.cos(v)
    points = np.stack([out * np.cos(u), out * np.sin(u), small * np.sin(v)], axis=-1).reshape(-1, 3)
    return points, grid_faces(n_large, n_small, around=True)


def circle(colatitude, axis=(0.0, 0.0, 1.0), n=40, radius=RADIUS_MM):
    """Points on a circle of a sphere around an axis."""
    turn = 2.0 * np.pi * np.arange(n) / n
    flat = radius * np.sin(colatitude)
    ring = np.column_stack(
        [flat * np.cos(turn), flat * np.sin(turn), np.full(n, radius * np.cos(colatitude))]
    )
    return Rotation.align_vectors([np.asarray(axis)], [[0.0, 0.0, 1.0]])[0].apply(ring)


def ring(station, n=12):
    turn = 2.0 * np.pi * np.arange(n) / n
    return np.column_stack([TUBE_MM * np.cos(turn), TUBE_MM * np.sin(turn), np.full(n, station)])


def area_of(points, faces, damaged):
    """Area of the faces whose corners are all damaged."""
    corner = points[faces[damaged[faces].all(axis=1)]]
    return (
        0.5 * np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1).sum()
    )


def cap_area(colatitude):
    """Archimedes: a cap's area is 2 pi r h."""
    return 2.0 * np.pi * RADIUS_MM**2 * (1.0 - np.cos(colatitude))


def edge_mm(points, faces):
    corner = points[faces]
    return float(np.median(np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2)))


@pytest.mark.parametrize("colatitude", [0.25, 0.6, 1.2])
@pytest.mark.parametrize("n", [9, 40, 2000])
def test_a_circle_on_a_sphere_holds_its_cap(colatitude, n):
    points, faces = sphere()
    axis = np.array([0.3, -0.5, 0.8]) / np.linalg.norm([0.3, -0.5, 0.8])
    damaged = damaged_by_outlines(points, faces, [circle(colatitude, axis, n)])
    away = np.arccos(np.clip(points @ axis / RADIUS_MM, -1.0, 1.0)) * RADIUS_MM
    # A chord of the loop runs inside its circle by its sagitta; the way keeps within some edges of it.
    sagitta = RADIUS_MM * np.sin(colatitude) * (1.0 - np.cos(np.pi / n))
    slack = 1.5 * edge_mm(points, faces) + sagitta / np.cos(colatitude)
    assert damaged[away < RADIUS_MM * colatitude - slack].all()
    assert not damaged[away > RADIUS_MM * colatitude + slack].any()
    if n >= 40:
        border = 2.0 * np.pi * RADIUS_MM * np.sin(colatitude) * edge_mm(points, faces)
        assert area_of(points, faces, damaged) == pytest.approx(cap_area(colatitude), abs=0.7 * border)


def test_area_comes_nearer_as_the_scan_gets_finer():
    off = []
    for n in (1500, 6000, 24000):
        points, faces = sphere(n)
        damaged = damaged_by_outlines(points, faces, [circle(0.8, n=200)])
        off.append(abs(area_of(points, faces, damaged) / cap_area(0.8) - 1.0))
    # What lies beyond the circle is part of a row of faces, whose width halves with four times the points.
    assert off[2] < 0.6 * off[0]
    assert off[2] < 0.02


def test_direction_start_order_and_place_do_not_matter():
    points, faces = sphere(5000)
    loop = circle(0.5, n=30)
    expected = damaged_by_outlines(points, faces, [loop])
    assert_array_equal(damaged_by_outlines(points, faces, [np.append(loop, loop[:1], axis=0)]), expected)
    turned, move = Rotation.from_euler("xyz", [0.4, 1.1, -2.0]), np.array([100.0, -40.0, 7.0])
    moved = damaged_by_outlines(turned.apply(points) + move, faces, [turned.apply(loop) + move])
    assert_array_equal(moved, expected)
    assert_array_equal(damaged_by_outlines(points, faces[::-1, ::-1], [loop]), expected)
    order = np.random.default_rng(3).permutation(len(points))
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    assert_array_equal(damaged_by_outlines(points[order], place[faces], [loop])[place], expected)
    for other in (loop[::-1], np.roll(loop, 7, axis=0)):
        apart = damaged_by_outlines(points, faces, [other]) != expected
        assert apart.sum() < 0.1 * expected.sum(), "other ways along the same line, and no other side"


def test_a_loop_in_a_loop_is_an_island():
    points, faces = sphere()
    both = damaged_by_outlines(points, faces, [circle(0.9), circle(0.4)])
    outer, inner = (damaged_by_outlines(points, faces, [circle(at)]) for at in (0.9, 0.4))
    assert both[outer & ~inner].all()
    assert not both[~outer].any()
    expected = cap_area(0.9) - cap_area(0.4)
    border = 2.0 * np.pi * RADIUS_MM * (np.sin(0.9) + np.sin(0.4)) * edge_mm(points, faces)
    assert area_of(points, faces, both) == pytest.approx(expected, abs=0.7 * border)


def test_two_loops_apart_are_two_damages():
    points, faces = sphere()
    loops = [circle(0.4), circle(0.3, (0.0, 0.0, -1.0))]
    both = damaged_by_outlines(points, faces, loops)
    assert_array_equal(both, np.any([damaged_by_outlines(points, faces, [loop]) for loop in loops], axis=0))


@pytest.mark.parametrize(("low", "high"), [(60.0, 100.0), (10.0, 50.0)])
def test_two_rings_around_a_tube_hold_what_is_between(low, high):
    points, faces = tube()
    damaged = damaged_by_outlines(points, faces, [ring(low), ring(high)])
    assert_array_equal(damaged, (points[:, 2] >= low) & (points[:, 2] <= high))


def test_one_ring_holds_the_shorter_end():
    points, faces = tube()
    assert_array_equal(damaged_by_outlines(points, faces, [ring(30.0)]), points[:, 2] <= 30.0)


def test_rings_around_a_closed_tube():
    """One of them parts nothing, two of them do, three leave no inside and outside."""
    points, faces = torus()

    def around(angle):
        v = 2.0 * np.pi * np.arange(16) / 16
        out = 40.0 + 8.0 * np.cos(v)
        return np.column_stack([out * np.cos(angle), out * np.sin(angle), 8.0 * np.sin(v)])

    damaged = damaged_by_outlines(points, faces, [around(0.0), around(np.pi / 3.0)])
    u = np.arctan2(points[:, 1], points[:, 0])
    assert_array_equal(damaged, (u > -1e-9) & (u < np.pi / 3.0 + 1e-9))
    with pytest.raises(InputError, match="the outline does not part the scan"):
        damaged_by_outlines(points, faces, [around(0.0)])
    with pytest.raises(InputError, match="but not into an inside and an outside"):
        damaged_by_outlines(points, faces, [around(angle) for angle in (0.0, 2.0, 4.0)])


def test_a_window_in_a_tube():
    """A rectangle on the unrolled cylinder."""
    points, faces = tube()
    angles, stations = np.radians([-32.0, 32.0]), (60.0, 100.0)
    turn = np.concatenate([np.linspace(*angles, 9), [angles[1]] * 9, np.linspace(*angles[::-1], 9)])
    along = np.concatenate([[stations[0]] * 9, np.linspace(*stations, 9), [stations[1]] * 9])
    loop = np.column_stack([TUBE_MM * np.cos(turn), TUBE_MM * np.sin(turn), along])
    damaged = damaged_by_outlines(points, faces, [np.append(loop, loop[:1], axis=0)])
    at = np.arctan2(points[:, 1], points[:, 0])
    inside = (at > angles[0] - 1e-9) & (at < angles[1] + 1e-9)
    inside &= (points[:, 2] >= stations[0]) & (points[:, 2] <= stations[1])
    assert_array_equal(damaged, inside)


def test_other_pieces_and_loose_points_are_not_damaged():
    one, faces = tube()
    two, _ = tube(x=60.0)
    points = np.concatenate([one, two, [[TUBE_MM + 0.01, 0.0, 30.0]]])
    both = np.concatenate([faces, faces + len(one)])
    damaged = damaged_by_outlines(points, both, [ring(30.0)])
    assert_array_equal(damaged[: len(one)], one[:, 2] <= 30.0)
    assert not damaged[len(one) :].any()


def eight(n=80):
    """A figure of eight on the tube."""
    t = 2.0 * np.pi * np.arange(n) / n
    turn, along = 0.6 * np.sin(2.0 * t), 80.0 + 25.0 * np.sin(t)
    return np.column_stack([TUBE_MM * np.cos(turn), TUBE_MM * np.sin(turn), along])


def strip():
    """There and back along the same line."""
    along = np.concatenate([np.arange(60.0, 101.0, 5.0), np.arange(95.0, 60.0, -5.0)])
    return np.column_stack([np.full(len(along), TUBE_MM), np.zeros(len(along)), along])


def raised(loop, mm):
    lifted = loop.copy()
    lifted[3, :2] *= 1.0 + mm / TUBE_MM
    return lifted


REFUSALS = {
    "two points": (lambda: ring(80.0)[:2], r"the outline has 2 different points, and needs 3 or more"),
    "same points": (lambda: ring(80.0)[[0, 0, 1, 1, 0]], "the outline has 2 different points"),
    "open": (lambda: ring(80.0, n=24)[:18], r"the outline is open: its ends are 2\d\.\d mm apart, and its p"),
    "in the air": (lambda: raised(ring(80.0), 7.0), r"point 4 of the outline is 7\.0 mm away from the scan"),
    "eight": (eight, r"the outline touches or crosses itself at \[15\.0, -?\d\.\d, 80\.0\]"),
    "strip": (strip, "the outline touches or crosses itself"),
    "tiny": (lambda: 0.02 * (ring(0.0) - [TUBE_MM, 0, 0]) + [TUBE_MM, 0, 80.0], "only a few edges"),
}


@pytest.mark.parametrize("name", REFUSALS)
def test_what_is_no_outline(name):
    make, sentence = REFUSALS[name]
    points, faces = tube()
    with pytest.raises(InputError, match=sentence) as caught:
        damaged_by_outlines(points, faces, [make()])
    assert "\n" not in str(caught.value)


def test_an_outline_along_the_end_of_the_scan():
    points, faces = tube()
    with pytest.raises(InputError, match="does not part the scan"):
        damaged_by_outlines(points, faces, [ring(0.0)])


def test_two_tubes_at_once():
    """Unconnected, and as parts of one scan."""
    one, faces = tube()
    two, _ = tube(x=2.0 * TUBE_MM + 3.0)
    points, both = np.concatenate([one, two]), np.concatenate([faces, faces + len(one)])
    loop = ring(80.0, n=24)
    loop[:, 0] = np.where(loop[:, 0] > 5.0, 2.0 * TUBE_MM + 3.0 + loop[:, 0], loop[:, 0])
    loop = np.append(loop, loop[:1], axis=0)
    with pytest.raises(InputError, match="lies on two pieces of the scan"):
        damaged_by_outlines(points, both, [loop])
    bridge = np.array([[0, len(one), 1]], dtype=np.int32)
    with pytest.raises(InputError, match=r"the outline leaps \d+\.\d mm from \[.* to \[.*in smaller steps"):
        damaged_by_outlines(points, np.concatenate([both, bridge]), [loop])


def test_outlines_that_cross_each_other():
    points, faces = sphere(5000)
    with pytest.raises(InputError, match="two outlines touch or cross each other"):
        damaged_by_outlines(points, faces, [circle(0.6), circle(0.6, (0.6, 0.0, 0.8))])


def test_of_several_outlines_the_bad_one_is_named():
    points, faces = tube()
    with pytest.raises(InputError, match="outline 2 has 2 different points"):
        damaged_by_outlines(points, faces, [ring(30.0), ring(60.0)[:2]])


def test_calls_that_are_wrong():
    points, faces = tube()
    with pytest.raises(ValueError, match=r"outlines must have shape \(n, 3\)"):
        damaged_by_outlines(points, faces, [ring(30.0)[:, :2]])
