"""Tubes, radii, noise and creases told from points whose surface is a closed form."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.spatial.transform import Rotation

from gaploft.errors import EvidenceError, InputError
from gaploft.job_patch import Crease
from gaploft.patch.joined import with_creases
from gaploft.patch.meeting import Meeting
from gaploft.patch.noise import noise_of
from gaploft.patch.radii import fillet_again, given_fillet, with_fillets
from gaploft.patch.rolling import make_track
from gaploft.patch.sheet import Sheet, find_edge
from gaploft.patch.tubes import fit_tube, tube_points
from irregular import correlated_noise
from patch_shapes import tube

BIG, SMALL, BALL = 17.0, 12.0, 8.0
NOISE = 0.02


# Tubes


def around_cylinder(radius=16.0, length=70.0, seen=2 * np.pi, n=9000, seed=0):
    """Points on a cylinder about z, evenly by area, and their normals."""
    rng = np.random.default_rng(seed)
    turn, z = rng.uniform(-seen / 2, seen / 2, n), rng.uniform(-length / 2, length / 2, n)
    normals = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(n)])
    return radius * normals + z[:, None] * [0.0, 0.0, 1.0], normals


def holed(points, normals, radius=8.0):
    keep = np.linalg.norm(points - [16.0, 0.0, 0.0], axis=1) > radius
    return points[keep], normals[keep]


@pytest.mark.parametrize("pose", [[0.0, 0.0, 0.0], [0.7, -0.4, 1.9]])
def test_points_of_a_tube_with_a_hole_are_laid_out(pose):
    points, normals = holed(*around_cylinder(seen=4.0))
    turn = Rotation.from_rotvec(pose)
    found = tube_points(turn.apply(points) + [20.0, -5.0, 60.0], turn.apply(normals), 12.0)
    assert found.radius_mm == pytest.approx(16.0, rel=1e-3)
    # Stations are lengths along the axis, from some place and in one of its two directions.
    z = points[:, 2]
    sign = np.sign(np.corrcoef(found.u, z)[0, 1])
    assert_allclose(found.u - sign * z, (found.u - sign * z).mean(), atol=0.01)
    angle = np.arctan2(points[:, 1], points[:, 0])
    # Turns are angles about it from some place and in one of two directions: one difference stays the same.
    assert max(np.abs(np.exp(1j * (found.v - way * angle)).mean()) for way in (1, -1)) > 0.999
    assert found.flank_mm == pytest.approx((found.u.min() - 12.0, found.u.max() + 12.0))
    assert not found.damaged.any()


def test_order_of_points_does_not_matter():
    points, normals = holed(*around_cylinder())
    order = np.random.default_rng(3).permutation(len(points))
    one, two = tube_points(points, normals, 12.0), tube_points(points[order], normals[order], 12.0)
    assert_allclose(two.u, one.u[order], atol=1e-6)
    assert two.radius_mm == pytest.approx(one.radius_mm)


def test_a_tube_is_fitted_over_its_hole():
    points, normals = holed(*around_cylinder(length=50.0, n=2500))
    noise = np.random.default_rng(1).normal(0.0, NOISE, len(points))
    found = fit_tube(points + noise[:, None] * normals, normals, 12.0)
    assert found.intact.noise_mm == pytest.approx(NOISE, rel=0.1)
    turn = np.linspace(-0.4, 0.4, 30)
    hole = np.column_stack([16.0 * np.cos(turn), 16.0 * np.sin(turn), np.linspace(-5.0, 5.0, 30)])
    feet = Sheet(found.surface).feet(hole)
    assert np.abs(feet.distance).max() < NOISE


def on_arc(angle, along, bend_mm):
    """Points of a tube of radius 10 about an arc of this radius in the xz plane, and normals."""
    s = along / bend_mm
    out = np.column_stack([np.cos(s), np.zeros(len(s)), np.sin(s)])
    normals = np.cos(angle)[:, None] * out + np.sin(angle)[:, None] * [0.0, 1.0, 0.0]
    return bend_mm * out + 10.0 * normals, normals


@pytest.mark.parametrize(
    ("bend_mm", "seen_mm", "curved", "most"),
    [(1e6, 20.0, False, 0.025), (1e6, 60.0, False, 0.01), (300.0, 60.0, True, 0.01)],
)
def test_a_tube_is_carried_on_as_straight_as_it_is_seen(bend_mm, seen_mm, curved, most):
    """15 mm past what was seen; with cubics free the shortest was 0.1 mm off, the others 0.02."""
    off = []
    for seed in (0, 2):
        rng = np.random.default_rng(seed)
        n = int(150 * seen_mm)
        points, normals = on_arc(rng.uniform(0.0, 2.0 * np.pi, n), rng.uniform(-seen_mm, 0.0, n), bend_mm)
        noise = correlated_noise(points, rms_mm=NOISE, correlation_mm=1.0, rng=rng, white_share=0.5)
        scan = points + noise[:, None] * normals
        found = fit_tube(scan, normals, 22.0, density_mm4=0.0014)
        assert found.curved == curved
        ring = on_arc(np.linspace(0.0, 6.2, 60), np.full(60, 15.0), bend_mm)[0]
        off.append(Sheet(found.surface).feet(ring).distance)
        again = fit_tube(scan, normals, 22.0, found, 0.0014)
        assert_array_equal(Sheet(again.surface).feet(ring).distance, off[-1])
    assert np.sqrt(np.mean(np.square(off))) < most


def test_half_a_tube_is_too_little():
    with pytest.raises(EvidenceError, match="180 degrees of this sheet's turn are not seen"):
        tube_points(*around_cylinder(seen=np.pi), 12.0)


def test_a_saddle_is_no_tube():
    rng = np.random.default_rng(2)
    x, y = rng.uniform(-30.0, 30.0, (2, 6000))
    normals = np.column_stack([-2 * x / 70.0, 2 * y / 50.0, np.ones(6000)])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    with pytest.raises(EvidenceError, match="sheet"):
        fit_tube(np.column_stack([x, y, x**2 / 70.0 - y**2 / 50.0]), normals, 12.0)


def test_a_plane_shows_no_centres():
    rng = np.random.default_rng(2)
    flat = np.column_stack([*rng.uniform(-30.0, 30.0, (2, 4000)), rng.normal(0.0, 0.01, 4000)])
    normals = np.tile([0.0, 0.0, 1.0], (4000, 1))
    with pytest.raises(EvidenceError, match="sections of this sheet show a centre"):
        tube_points(flat, normals, 12.0)


def test_a_ball_leans():
    """All the turn is seen, and circles fit: but the normals of a ball lean along every axis."""
    k = np.arange(8000) + 0.5
    z, turn = 0.9 * (1.0 - 2.0 * k / 8000), np.pi * (1.0 + 5.0**0.5) * k
    normals = np.column_stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z])
    with pytest.raises(EvidenceError, match="lean along its axis"):
        tube_points(20.0 * normals, normals, 12.0)


# Radii


@lru_cache(maxsize=1)
def meeting():
    return Meeting((tube(BIG, 120.0, "z"), tube(SMALL, 120.0, "x")))


@lru_cache(maxsize=1)
def edge():
    return find_edge(*meeting().sheets, np.array([BIG, 0.0, 0.0]))


def arcs(one, two, share):
    """Unit vectors from one to another at shares of the angle between them."""
    whole = np.arccos(np.einsum("ij,ij->i", one, two))
    ways = np.sin((1 - share) * whole)[:, None] * one + np.sin(share * whole)[:, None] * two
    return ways / np.sin(whole)[:, None]


def ball_points(radius=BALL, n=1200, seed=4, part=(0.0, 2 * np.pi)):
    """On the fillet that a rolling ball leaves; closed form. Radius a number, or of the turn."""
    rng = np.random.default_rng(seed)
    turn, share = rng.uniform(*part, n), rng.uniform(0.0, 1.0, n)
    r = radius(turn) if callable(radius) else np.full(n, radius)
    y, z = (SMALL + r) * np.cos(turn), (SMALL + r) * np.sin(turn)
    centre = np.column_stack([np.sqrt((BIG + r) ** 2 - y**2), y, z])
    one = -centre * [1.0, 1.0, 0.0] / (BIG + r)[:, None]
    two = -centre * [0.0, 1.0, 1.0] / (SMALL + r)[:, None]
    ways = arcs(one, two, share)
    return centre + r[:, None] * ways, -ways


def disc_points(radius=BALL, n=1200, seed=5):
    """On arcs in the planes square to the edge."""
    rng = np.random.default_rng(seed)
    track = make_track(meeting().sheets, edge(), np.full(len(edge().points), radius), "disc")
    k = rng.integers(0, len(track.centre), n)
    ways = arcs(-track.ways[0][k], -track.ways[1][k], rng.uniform(0.0, 1.0, n))
    return track.centre[k] + radius * ways, -ways


@pytest.mark.parametrize("start", [5.0, 12.0])
@pytest.mark.parametrize(("kind", "points"), [("ball", ball_points), ("disc", disc_points)])
def test_a_radius_is_told_from_exact_points(kind, points, start):
    (found,) = with_fillets(meeting(), points()[0], {(0, 1): start}, 1e-3).fillets
    assert found.kind == kind
    assert found.pair == (0, 1)
    assert_array_equal(found.slope, 0.0)
    # Of a disc's circles each may be off by 2e-3 of its radius.
    assert found.radius_mm == pytest.approx(BALL, abs=1e-3 if kind == "ball" else 5e-3)


@pytest.mark.parametrize("seed", range(3))
def test_a_radius_keeps_within_its_spread_under_noise(seed):
    """On half of the fillet, with a tenth of points far off."""
    points, normals = ball_points(seed=seed, n=1500, part=(0.3, 3.4))
    rng = np.random.default_rng(100 + seed)
    noise = rng.normal(0.0, NOISE, len(points))
    noise[::10] += 0.4
    (found,) = with_fillets(meeting(), points + noise[:, None] * normals, {(0, 1): 6.0}, NOISE).fillets
    at = found.radius_mm + (points.mean(axis=0) - found.centre_mm) @ found.slope
    assert abs(at - BALL) < 4.0 * found.spread_mm
    # The spread is that of a mean of points that noise goes together over, divided by what a radius moves.
    assert 0.001 < found.spread_mm < 0.02


def test_what_the_scan_rules_out_is_no_rival():
    (found,) = with_fillets(meeting(), disc_points()[0], {(0, 1): 6.0}, 1e-3).fillets
    assert (found.kind, found.rivals) == ("disc", ())
    assert found.odds == pytest.approx(1.0, abs=1e-3)


def test_on_a_short_piece_both_kinds_stay_possible():
    """Balls and discs of one radius are alike where both sections are straight: at the crown."""
    points, normals = ball_points(n=300, part=(1.45, 1.69))
    noise = np.random.default_rng(2).normal(0.0, NOISE, len(points))
    (found,) = with_fillets(meeting(), points + noise[:, None] * normals, {(0, 1): 6.0}, NOISE).fillets
    assert {found.kind, *(one.kind for one in found.rivals)} == {"ball", "disc"}
    assert found.odds + sum(one.odds for one in found.rivals) == pytest.approx(1.0, abs=0.03)
    assert found.odds >= max(one.odds for one in found.rivals)
    again = fillet_again(meeting(), points, found, NOISE)
    assert len(again.rivals) >= 1


def test_sheets_that_are_not_certain_make_a_radius_less_certain():
    """Their errors go together along the edge, so that no number of points takes them away."""
    points, normals = ball_points()
    noise = np.random.default_rng(2).normal(0.0, NOISE, len(points))
    points = points + noise[:, None] * normals
    loose = replace(meeting(), spreads=(lambda u, v: np.full(len(u), 0.01),) * 2)
    (sure,) = with_fillets(meeting(), points, {(0, 1): 6.0}, NOISE).fillets
    (unsure,) = with_fillets(loose, points, {(0, 1): 6.0}, NOISE).fillets
    assert unsure.radius_mm == pytest.approx(sure.radius_mm, abs=1e-3)
    assert unsure.spread_mm > 2.0 * sure.spread_mm


def test_a_radius_that_changes_is_told_to():
    """By 0.08 mm per mm along z: from 7 to 9 mm around the branch."""

    def radius(turn):
        return BALL + 0.08 * SMALL * np.sin(turn)

    points, _ = ball_points(radius)
    (found,) = with_fillets(meeting(), points, {(0, 1): 6.0}, NOISE).fillets
    assert found.kind == "ball"
    assert found.slope[2] == pytest.approx(0.08, rel=0.1)
    assert_allclose(found.slope[:2], 0.0, atol=0.01)
    assert found.track.radius.mean() == pytest.approx(BALL, abs=0.05)
    assert np.abs(meeting().with_fillets((found,)).against(points).distance).max() < 0.05


def test_without_points_a_pair_is_left_sharp():
    few = ball_points(n=20)[0]
    assert with_fillets(meeting(), few, {(0, 1): BALL}, NOISE).fillets == ()
    far = np.array([60.0, 0.0, 60.0]) + ball_points(n=200)[0]
    assert with_fillets(meeting(), far, {(0, 1): BALL}, NOISE).fillets == ()
    assert with_fillets(meeting(), few, {}, NOISE).fillets == ()


def test_a_fillet_is_told_again_from_other_points():
    (first,) = with_fillets(meeting(), ball_points(n=800)[0], {(0, 1): 7.0}, 1e-3).fillets
    again = fillet_again(meeting(), ball_points(n=500, seed=9)[0], first, 1e-3)
    assert again.kind == "ball"
    assert again.radius_mm == pytest.approx(BALL, abs=1e-3)
    assert fillet_again(meeting(), ball_points(n=20)[0], first, 1e-3) is None
    assert fillet_again(meeting(), ball_points(n=300)[0] + [90.0, 0.0, 0.0], first, 1e-3) is None


def test_a_given_radius_is_taken_as_it_is():
    found = given_fillet(meeting(), (0, 1), 5.0, np.array([BIG, 0.0, SMALL]))
    assert (found.radius_mm, found.kind, found.typed) == (5.0, "ball", True)
    assert found.spread_mm == pytest.approx(0.02 * 5.0)  # what is typed is known to a fiftieth
    # Nobody said whether it is that of balls or of circles square to the edge.
    assert [(one.kind, one.radius_mm) for one in found.rivals] == [("disc", 5.0)]
    assert (found.odds, found.rivals[0].odds) == (0.5, 0.5)
    assert np.abs(meeting().with_fillets((found,)).against(ball_points(5.0)[0]).distance).max() < 0.01
    apart = Meeting((tube(5.0, 30.0, "z"), tube(20.0, 30.0, "z")))
    assert given_fillet(apart, (0, 1), 5.0, np.zeros(3)) is None


# Noise


def patch_of_points(n=20000, side=60.0, seed=0):
    rng = np.random.default_rng(seed)
    points = np.column_stack([*rng.uniform(0.0, side, (2, n)), np.zeros(n)])
    return points, np.full(n, side**2 / n), rng


def test_white_noise_counts_per_point():
    found = []
    for seed in range(4):
        points, areas, rng = patch_of_points(seed=seed)
        scale, density = noise_of(points, rng.normal(0.0, NOISE, len(points)), areas)
        assert scale == pytest.approx(NOISE, rel=0.03)
        found.append(density)
    # 100 blocks each: the mean of 400 squares is off by 7 %, one standard deviation; some are half empty.
    assert np.mean(found) == pytest.approx(NOISE**2 * areas[0], rel=0.2)


def test_noise_that_goes_together_counts_for_more():
    """2 pi l^2 times the variance, less what a block of 6 mm does not see of it."""
    found = []
    for seed in range(4):
        points, areas, rng = patch_of_points(seed=seed)
        noise = correlated_noise(points, rms_mm=NOISE, correlation_mm=1.0, rng=rng)
        found.append(noise_of(points, noise, areas)[1])
    line = np.exp(-0.5 * (np.arange(600)[:, None] - np.arange(600)) ** 2 / 100.0**2).mean()
    expected = NOISE**2 * (36.0 * line**2 + areas[0])
    assert np.mean(found) == pytest.approx(expected, rel=0.25)


def test_outliers_hardly_count():
    points, areas, rng = patch_of_points()
    noise = rng.normal(0.0, NOISE, len(points))
    plain = noise_of(points, noise, areas)
    noise[rng.choice(len(points), 300, replace=False)] += 2.0
    scale, density = noise_of(points, noise, areas)
    assert scale == pytest.approx(plain[0], rel=0.05)
    # 300 of 20000, clipped to four times the noise: each block has 3 in 200, whose mean is then off.
    assert density < 30.0 * plain[1]


def test_noise_of_a_small_place_is_taken_as_going_together():
    points, areas, rng = patch_of_points(n=300, side=8.0)
    scale, density = noise_of(points, rng.normal(0.0, NOISE, 300), areas)
    assert density == pytest.approx(2.0 * scale**2 * areas[0])


def test_noise_scales_and_does_not_depend_on_order():
    points, areas, rng = patch_of_points()
    noise = rng.normal(0.0, NOISE, len(points))
    scale, density = noise_of(points, noise, areas)
    assert noise_of(points, 3.0 * noise, areas) == pytest.approx((3.0 * scale, 9.0 * density))
    order = rng.permutation(len(points))
    assert noise_of(points[order], noise[order], areas[order]) == pytest.approx((scale, density))


# Creases


def along_edge(n=12):
    """Places along the closed form of the edge."""
    turn = np.linspace(0.2, 2.5, n)
    y, z = SMALL * np.cos(turn), SMALL * np.sin(turn)
    return np.column_stack([np.sqrt(BIG**2 - y**2), y, z])


def test_a_typed_radius_goes_before_that_of_the_scan():
    seen = with_fillets(meeting(), ball_points()[0], {(0, 1): 7.0}, 1e-3)
    (found,) = with_creases(seen, (Crease(along_edge(), 5.0),)).fillets
    assert found.radius_mm == 5.0
    points, normals = ball_points(5.0)
    against = with_creases(seen, (Crease(along_edge() + 0.5, 5.0),)).against(points + 0.2 * normals)
    assert_allclose(against.distance, 0.2, atol=0.01)
    (kept,) = with_creases(seen, ()).fillets
    assert kept is seen.fillets[0]


def test_a_sharp_crease_leaves_no_fillet():
    seen = with_fillets(meeting(), ball_points()[0], {(0, 1): 7.0}, 1e-3)
    sharp = with_creases(seen, (Crease(along_edge()),))
    assert sharp.fillets == ()
    assert_allclose(sharp.against(along_edge()).distance, 0.0, atol=1e-3)


def test_a_crease_where_no_fillet_is_seen_makes_one():
    (found,) = with_creases(meeting(), (Crease(along_edge(), 6.0),)).fillets
    assert found.pair == (0, 1)
    assert found.typed


@pytest.mark.parametrize("radius", [0.0, 5.0])
def test_a_crease_along_no_edge_is_refused(radius):
    """On the main tube alone, far from the branch."""
    off = np.column_stack([np.full(5, -BIG), np.zeros(5), np.linspace(30.0, 50.0, 5)])
    with pytest.raises(InputError, match="no edge of two tubes"):
        with_creases(meeting(), (Crease(off, radius),))
    with pytest.raises(InputError, match="no edge of two tubes"):
        with_creases(Meeting(meeting().sheets[:1]), (Crease(along_edge(), radius),))


def test_a_ball_that_does_not_fit_is_refused():
    """Between tubes that come near to each other and don't meet."""
    near = Meeting((tube(10.0, 60.0, "z"), tube(12.0, 60.0, "z")))
    line = np.column_stack([np.full(5, 11.0), np.zeros(5), np.linspace(-8.0, 8.0, 5)])
    with pytest.raises(InputError, match="no ball of 3 mm fits"):
        with_creases(near, (Crease(line, 3.0),))
