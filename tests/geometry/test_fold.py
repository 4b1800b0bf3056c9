"""Room below a surface: bends, thin sections, and layers that are trimmed to it. Closed forms throughout."""

import numpy as np
import pytest

from closed_surfaces import SHAPES, elliptic_cylinder, spline_of, stacked, torus
from gaploft.errors import EvidenceError
from gaploft.target.facets import check_depth
from gaploft.target.field import grid_over, lowest_around, rising_at_most, smooth_field
from gaploft.target.fold import room_below
from gaploft.target.offset import Below
from gaploft.target.places import Places
from gaploft.target.trim import SHARE, fitting
from laid_layers import cut, fit_of, laid

CYLINDER = spline_of(SHAPES["cylinder"].point, 100.0, 8, 24)
ELLIPSE = spline_of(elliptic_cylinder().point, 100.0, 8, 96)
BLADE = spline_of(elliptic_cylinder(20.0, 5.0).point, 100.0, 8, 160)


def peanut(u, v):
    """A section with a waist: radius 10 + 5 cos 2v, so 5 mm to the centre across the waist."""
    r = 10.0 + 5.0 * np.cos(2.0 * v)
    return stacked(r * np.cos(v), r * np.sin(v), u)


PEANUT = spline_of(peanut, 100.0, 8, 96)


def even(depth):
    return lambda u, v: np.full(np.broadcast_shapes(np.shape(u), np.shape(v)), depth)


def places(n=400):
    rng = np.random.default_rng(2)
    return rng.uniform(20.0, 80.0, n), rng.uniform(0.0, 2 * np.pi, n)


def test_room_in_a_cylinder_is_its_radius():
    room = room_below(CYLINDER, *places(), most_mm=20.0)
    np.testing.assert_allclose(room.radius_mm, 16.0, rtol=1e-4)
    assert room.bends.all()


def test_room_in_a_bent_tube_is_that_of_the_tube():
    room = room_below(spline_of(torus(60.0, 16.0).point, 100.0, 20, 32), *places(), most_mm=20.0)
    np.testing.assert_allclose(room.radius_mm, 16.0, rtol=1e-4)


def test_no_ball_is_made_larger_than_asked_for():
    room = room_below(CYLINDER, *places(), most_mm=0.5)
    np.testing.assert_array_equal(room.radius_mm, 0.5)
    assert not room.bends.any()


@pytest.mark.parametrize(("a", "b", "surface"), [(20.0, 14.0, ELLIPSE), (20.0, 5.0, BLADE)])
def test_room_in_an_ellipse_reaches_to_its_medial_axis(a, b, surface):
    """The ball touches both sides with its centre on the long axis: the normal from (a cos v, b sin v) meets
    it after b sqrt(sin^2 + (b/a)^2 cos^2). At the tips that is the radius of curvature b^2/a."""
    u, v = places()
    room = room_below(surface, u, v, most_mm=30.0)
    expected = b * np.sqrt(np.sin(v) ** 2 + (b / a * np.cos(v)) ** 2)
    np.testing.assert_allclose(room.radius_mm, expected, rtol=2e-3)
    tip = room_below(surface, np.array([50.0]), np.array([0.0]), most_mm=30.0)
    assert tip.radius_mm[0] == pytest.approx(b**2 / a, rel=1e-3)
    assert tip.bends[0]


def test_room_agrees_with_every_ball_through_every_other_point():
    """Against the definition, by brute force. The tube is straight: the nearest part lies in the section."""
    u, v = places(60)
    room = room_below(PEANUT, u, v, most_mm=9.0).radius_mm
    section = PEANUT.evaluate(np.full(20_000, 50.0), np.arange(20_000) * (2 * np.pi / 20_000))
    points, normals = PEANUT.evaluate(u, v), PEANUT.normals(u, v)
    for p, n, found in zip(points, normals, room, strict=True):
        gap = (p - section)[:, :2]
        inward, squared = gap @ n[:2], (gap**2).sum(axis=1)
        other = (inward > 0.0) & (squared > 0.1**2)
        brute = min(9.0, (squared[other] / (2.0 * inward[other])).min())
        assert found == pytest.approx(brute, rel=5e-3)


def test_layers_thicker_than_a_bend_are_refused_with_its_place():
    """The tips of the ellipse bend with 5^2/20 = 1.25 mm; angles count from x, stations from 40 mm."""
    assert laid(fit_of(BLADE), cover_mm=1.2).notes == ()
    with pytest.raises(
        EvidenceError,
        match=r"layers of 1.30 mm can't be taken off at station -?[0-9.]+ mm, angle (0|180) degrees, "
        r"where the surface bends with a radius of 1.25 mm: give thinner layers, or tight = \"trim\"",
    ):
        laid(fit_of(BLADE), cover_mm=1.3)


def test_layers_thicker_than_half_a_thin_section_are_refused():
    """The waist is 10 mm thick, and hollow outside: no bend stops layers there."""
    assert laid(fit_of(PEANUT), cover_mm=2.0).notes == ()
    with pytest.raises(EvidenceError, match=r"angle (90|270) degrees, where the tube is only 10\.0"):
        fitting(
            PEANUT,
            lambda u, v: 5.5 * np.sin(v) ** 8 + 0.0 * u,
            Places(PEANUT, 40.0),
            (30.0, 70.0),
            trim=False,
        )


def test_a_last_check_catches_what_folds_between_the_places_looked_at():
    u, v = np.meshgrid(np.array([50.0]), np.array([0.0, 1.0]), indexing="ij")
    check_depth(Below(BLADE, even(1.2), even=True), u, v)
    with pytest.raises(EvidenceError, match=r"1.30 mm can't be taken off .* radius of 1.25 mm"):
        check_depth(Below(BLADE, even(1.3), even=True), u, v)


@pytest.mark.parametrize("depth", [1.3, 2.5])
def test_trimmed_layers_fit_and_leave_stock(depth):
    layers = laid(fit_of(BLADE), cover_mm=depth, tight="trim")
    u, v = places(4000)
    found, room = layers.depth(u, v), 5.0 * np.sqrt(np.sin(v) ** 2 + (np.cos(v) / 4.0) ** 2)
    assert (found < depth + 1e-12).all()  # never deeper than asked for
    assert (found < SHARE * room * 1.002).all()
    shortened = layers.shortened(u, v)
    assert shortened.any()
    np.testing.assert_array_equal(found[~shortened], depth)
    assert not shortened[SHARE * room > 2.0 * depth].any()
    tip = layers.depth(np.array([50.0]), np.array([0.0]))[0]
    assert 0.7 * SHARE * 1.25 < tip <= SHARE * 1.25 * (1.0 + 1e-6)
    # smooth: the slope over a hundredth of a millimetre never jumps
    turn = np.linspace(-0.6, 0.6, 40_001)
    slope = np.gradient(layers.depth(np.full(len(turn), 50.0), turn), turn)
    assert np.abs(np.diff(slope)).max() < 0.02 * np.abs(slope).max()


def test_trimmed_layers_are_noted_marked_and_measured():
    fit = fit_of(BLADE)
    layers = laid(fit, cover_mm=1.3, tight="trim")
    (note,) = layers.notes
    assert note.code == "layers_trimmed"
    assert "up to 0." in note.text
    assert "thinner than asked for at station" in note.text
    assert "radius of 1.25 mm: the target stands higher there" in note.text
    target = cut(fit, layers)
    assert target.trimmed.any()
    assert not target.trimmed.all()
    np.testing.assert_array_equal(target.trimmed, target.depth_mm < 1.3 - 1e-9)
    assert layers.summary.depth_least_mm == pytest.approx(target.depth_mm.min(), abs=1e-3)
    # the area of the outer surface, by the ellipse's arc where the depth is short, over the target's 48 mm
    turn = np.arange(200_000) * (2 * np.pi / 200_000)
    short = layers.shortened(np.full(len(turn), 50.0), turn)
    arc = (np.hypot(20.0 * np.sin(turn), 5.0 * np.cos(turn)) * short).sum() * (2 * np.pi / 200_000)
    assert layers.summary.trimmed_mm2 == pytest.approx(48.0 * arc, rel=0.05)


def test_trimming_leaves_what_fits_alone():
    layers = laid(fit_of(BLADE), cover_mm=0.5, tight="trim")
    assert layers.notes == ()
    assert layers.even
    assert layers.summary.trimmed_mm2 == 0.0
    assert cut(fit_of(BLADE), layers).trimmed is None


def test_a_smooth_field_is_a_mean_of_its_values():
    """A cubic B-spline reproduces straight lines, and rounds cos(v) off by 2/3 + cos(step)/3."""
    u, v = grid_over((10.0, 50.0), (41, 90))
    at_u, at_v = np.linspace(12.0, 48.0, 57), np.linspace(0.0, 7.0, 57)
    line = smooth_field(np.broadcast_to(u, (41, 90)), (10.0, 50.0))
    np.testing.assert_allclose(line(at_u, at_v), at_u, atol=1e-12)
    wave = smooth_field(np.broadcast_to(np.cos(v), (41, 90)), (10.0, 50.0))
    share = 2.0 / 3.0 + np.cos(2 * np.pi / 90) / 3.0
    np.testing.assert_allclose(wave(u, v), np.broadcast_to(share * np.cos(v), (41, 90)), atol=1e-12)
    np.testing.assert_allclose(wave(at_u, at_v + 2 * np.pi), wave(at_u, at_v), atol=1e-12)
    assert line(np.array([0.0, 99.0]), 0.0 * at_v[:2]) == pytest.approx([10.0 + 1 / 6, 50.0 - 1 / 6])


def test_what_rises_slowly_lies_below_by_brute_force():
    rng = np.random.default_rng(6)
    values = rng.uniform(1.0, 3.0, (17, 24))
    found = rising_at_most(values, (0.5, 0.3), 0.4)
    i, j = np.indices(values.shape)
    for row, column in ((0, 0), (5, 23), (16, 11), (9, 2)):
        around = np.abs(j - column)
        way = 0.5 * np.abs(i - row) + 0.3 * np.minimum(around, 24 - around)
        assert found[row, column] == pytest.approx((values + 0.4 * way).min(), rel=1e-12)
    low = lowest_around(values)
    assert low[0, 0] == values[np.ix_([0, 1, 2], [-2, -1, 0, 1, 2])].min()
