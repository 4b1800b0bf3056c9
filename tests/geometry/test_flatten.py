"""Flattening against what can be unrolled by formula, and on bent tubes that cannot."""

from functools import partial

import numpy as np
import pytest

from closed_surfaces import cone, cylinder, elliptic_cylinder, spline_of, torus
from gaploft.laminate.flatten import flatten
from gaploft.laminate.patterns import OpenGrid, patterns_of
from gaploft.target.offset import Below

CYLINDER = spline_of(cylinder(16.0).point, 100.0, 8, 24)
CONE = spline_of(cone().point, 300.0, 12, 24)
OVAL = spline_of(elliptic_cylinder(20.0, 14.0).point, 100.0, 8, 64)
BENT = spline_of(torus(400.0, 16.0).point, 120.0, 8, 32)
#: Patterns are cut by hand with a line some 0.2 mm wide (common practice, no source): a twentieth of it.
FLAT_MM = 0.01


def even(depth, u, v):
    return np.full(np.broadcast_shapes(np.shape(u), np.shape(v)), depth)


def sleeve(surface, *, depth=0.0, half=20.0, seam=1.0):
    """The pattern of a whole ring around u = 50."""
    grid = OpenGrid((5.0, 95.0), seam, 1.0)
    found = patterns_of(
        Below(surface, partial(even, depth)), grid, lambda u, v: np.abs(u - 50.0) - half + 0 * v
    )
    assert len(found) == 1
    return found[0]


def around(v, v0):
    """Millimetres around the cylinder from v0, the short way."""
    return 16.0 * (np.mod(v - v0 + np.pi, 2 * np.pi) - np.pi)


def outline_length(outline):
    return np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1).sum()


@pytest.mark.parametrize("depth", [0.0, 0.25, 0.75])
@pytest.mark.parametrize("seam", [0.0, 1.0, 6.2])
def test_a_cylinder_unrolls_to_a_rectangle_shorter_by_its_depth(depth, seam):
    """2 pi (R - depth) by the length: each 0.1 mm further in takes 0.63 mm off the way around."""
    piece = sleeve(CYLINDER, depth=depth, seam=seam)
    assert piece.size_mm == pytest.approx((40.0, 2 * np.pi * (16.0 - depth)), abs=1e-5)
    assert piece.area_mm2 == pytest.approx(40.0 * 2 * np.pi * (16.0 - depth), rel=1e-7)
    assert piece.stretch_most < 1e-6
    assert len(piece.outlines_mm) == 1
    assert outline_length(piece.outlines_mm[0]) == pytest.approx(80.0 + 4 * np.pi * (16.0 - depth), abs=1e-4)
    seams = np.linalg.norm(np.diff(piece.seams_mm, axis=1)[:, 0], axis=1)
    assert seams.sum() == pytest.approx(80.0, abs=1e-4)


def test_a_cone_unrolls_to_a_sector():
    """Radii are slant distances to the tip, the angle is 2 pi sin(half angle); half angle 1.1457628 deg."""
    piece = sleeve(CONE)
    slope = 6.0 / 300.0
    sine = slope / np.hypot(1.0, slope)
    wide, narrow = (20.0 - slope * u for u in (30.0, 70.0))
    outer, inner, angle = wide / sine, narrow / sine, 2 * np.pi * sine
    assert piece.size_mm[1] == pytest.approx(2 * outer * np.sin(angle / 2), abs=FLAT_MM)
    assert piece.size_mm[0] == pytest.approx(outer - inner * np.cos(angle / 2), abs=FLAT_MM)
    assert piece.area_mm2 == pytest.approx(0.5 * angle * (outer**2 - inner**2), rel=1e-6)
    assert outline_length(piece.outlines_mm[0]) == pytest.approx(
        angle * (outer + inner) + 2 * (outer - inner), abs=2 * FLAT_MM
    )
    assert piece.stretch_most < 1e-5


@pytest.mark.parametrize("depth", [0.0, 0.4])
def test_an_oval_unrolls_to_its_perimeter(depth):
    """4 a E(1 - b^2/a^2) = 107.6473796 for 20 x 14; further in it is shorter by 2 pi depth (Steiner)."""
    piece = sleeve(OVAL, depth=depth)
    assert piece.size_mm == pytest.approx((40.0, 107.6473796 - 2 * np.pi * depth), abs=1e-3)
    assert piece.stretch_most < 1e-5


def test_a_bend_stretches_less_than_rolling_it_out_and_less_the_shorter_it_is():
    """Around a bend lengths along the tube differ by r/R = 4 % either way: that is what plain rolling out
    leaves. Gauss's curvature makes the stretch of a short piece grow with its length squared."""
    short, longer, longest = (sleeve(BENT, half=half).stretch_most for half in (10.0, 20.0, 40.0))
    assert 0.0 < short < longer < longest < 16.0 / 400.0
    assert 2.0 < longer / short < 5.0
    # Area of a torus between two angles of bend: 2 pi r R each radian.
    assert sleeve(BENT).area_mm2 == pytest.approx(2 * np.pi * 16.0 * 400.0 * 40.0 / 400.0, rel=1e-4)


def test_a_disc_on_a_cylinder_keeps_its_circle():
    grid = OpenGrid((30.0, 70.0), 4.0, 0.6)
    found = patterns_of(
        Below(CYLINDER, partial(even, 0.0)), grid, lambda u, v: np.hypot(u - 50.0, around(v, 0.9)) - 12.0
    )
    assert len(found) == 1
    assert len(found[0].seams_mm) == 0
    outline = found[0].outlines_mm[0]
    radii = np.linalg.norm(outline - 0.5 * (outline.min(axis=0) + outline.max(axis=0)), axis=1)
    assert np.abs(radii - 12.0).max() < FLAT_MM
    assert found[0].area_mm2 == pytest.approx(144.0 * np.pi, rel=1e-3)


def test_two_discs_are_two_pieces_and_a_ring_has_a_hole():
    grid, below = OpenGrid((20.0, 80.0), 4.0, 0.6), Below(CYLINDER, partial(even, 0.0))

    def away(u, v, u0):
        return np.hypot(u - u0, around(v, 0.9))

    two = patterns_of(below, grid, lambda u, v: np.minimum(away(u, v, 35.0) - 9.0, away(u, v, 60.0) - 6.0))
    assert [p.area_mm2 for p in two] == pytest.approx([81 * np.pi, 36 * np.pi], rel=3e-3)
    (ring,) = patterns_of(below, grid, lambda u, v: np.abs(away(u, v, 50.0) - 10.0) - 4.0)
    assert [len(p.shape) for p in ring.outlines_mm] == [2, 2]
    assert ring.size_mm == pytest.approx((28.0, 28.0), abs=FLAT_MM)
    assert np.ptp(ring.outlines_mm[1], axis=0) == pytest.approx([12.0, 12.0], abs=0.05)


def test_patterns_are_seen_from_outside_with_x_along_the_tube():
    """A flag on the tube is not mirrored: along u is +x, and anticlockwise seen from outside is +y."""
    below = Below(CYLINDER, partial(even, 0.0))

    def flag(u, v):
        return np.maximum(np.abs(u - 50.0) - 20.0, np.abs(around(v, 3.0)) - 6.0 + 0.2 * (u - 50.0))

    (piece,) = patterns_of(below, OpenGrid((20.0, 80.0), 0.0, 0.8), flag)
    outline = piece.outlines_mm[0]
    # The wide end lies where u is small.
    wide = np.ptp(outline[outline[:, 0] < outline[:, 0].min() + 1.0, 1])
    assert wide == pytest.approx(20.0, abs=0.5)
    points = CYLINDER.evaluate(*piece.uv.T)
    normal = CYLINDER.normals(*piece.uv.T)
    centre, middle = points.mean(axis=0), normal.mean(axis=0)
    up = np.cross(middle / np.linalg.norm(middle), CYLINDER.derivatives(np.array(50.0), np.array(3.0), 1, 0))
    assert np.corrcoef((points - centre) @ up, outline[:, 1])[0, 1] > 0.9


def test_nothing_is_flipped_and_the_same_comes_out_again():
    piece, again = sleeve(BENT, half=40.0), sleeve(BENT, half=40.0)
    assert piece.outlines_mm[0].tobytes() == again.outlines_mm[0].tobytes()
    # A flipped triangle has a ratio of lengths below zero, hence a stretch above one.
    assert piece.stretch_most < 1.0


def test_a_plain_pair_of_triangles_is_laid_out_as_it_is():
    triangles = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    lengths = np.array([[4.0, 5.0, 3.0], [3.0, 4.0, 5.0]])
    guide = np.array([[0.0, 0.0], [3.1, 0.1], [3.0, 4.2], [-0.1, 4.0]])
    flat = flatten(triangles, lengths, guide)
    assert flat.area_mm2 == pytest.approx(12.0)
    assert flat.n_flipped == 0
    assert flat.stretch.max() < 1e-9
    assert np.linalg.norm(flat.places_mm[1] - flat.places_mm[3]) == pytest.approx(5.0)


def test_lengths_that_do_not_close_are_refused():
    with pytest.raises(ValueError, match="do not close"):
        flatten(np.array([[0, 1, 2]], dtype=np.int32), np.array([[1.0, 1.0, 3.0]]), np.zeros((3, 2)))
