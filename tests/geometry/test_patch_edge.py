"""Sheets, their edges and the fillets along these, against closed forms of cylinders that cross.

Two cylinders about axes that cross at a right angle meet where x^2 + y^2 = R^2 and y^2 + z^2 = r^2; a ball of
radius s that touches both from outside has its centre on the cylinders of R + s and r + s.
"""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.optimize import fsolve
from scipy.spatial.transform import Rotation

from gaploft.patch.meeting import Fillet, Meeting, touching_pairs
from gaploft.patch.rolling import make_track
from gaploft.patch.sheet import NOWHERE_MM, Edge, Sheet, both_ways, find_edge
from gaploft.surface.model import TubeSurface
from patch_shapes import tube

BIG, SMALL, BALL = 17.0, 12.0, 6.0


@lru_cache(maxsize=1)
def crossing():
    """A main tube about z and a branch about x."""
    return tube(BIG, 120.0, "z"), tube(SMALL, 120.0, "x")


def shifted(sheet, shift):
    """The same tube elsewhere."""
    surface = sheet.surface
    return Sheet(TubeSurface(surface.basis, surface.coefficients + shift, surface.outward))


def off_axis(points, axis):
    return np.linalg.norm(np.delete(points, "xyz".index(axis), axis=1), axis=1)


@lru_cache(maxsize=1)
def edge():
    found = find_edge(*crossing(), np.array([BIG, 0.0, 0.0]))
    assert found is not None
    return found


@lru_cache(maxsize=4)
def track(kind, radius=BALL):
    found = make_track(crossing(), edge(), np.full(len(edge().points), radius), kind)
    assert found is not None
    return found


# Feet


def test_feet_on_a_cylinder():
    rng = np.random.default_rng(0)
    sheet = crossing()[0]
    turn, out, z = rng.uniform(0, 2 * np.pi, 400), rng.uniform(-8.0, 20.0, 400), rng.uniform(-59.0, 59.0, 400)
    normal = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(400)])
    points = (BIG + out)[:, None] * normal + z[:, None] * [0.0, 0.0, 1.0]
    feet = sheet.feet(points)
    # The spline's own error on a round of 64 spans.
    assert_allclose(feet.distance, out, atol=1e-4)
    assert_allclose(feet.normal, normal, atol=1e-4)
    again = sheet.feet(points + rng.normal(0.0, 0.1, points.shape), feet)
    fresh = sheet.feet(points + rng.normal(0.0, 0.1, points.shape))
    assert np.abs(again.distance - out).max() < 0.5
    assert np.abs(fresh.distance - out).max() < 0.5
    part = out > 0.0
    assert_array_equal(feet.where(part).distance, feet.distance[part])


def test_past_its_end_a_sheet_is_nowhere():
    sheet = crossing()[0]
    points = np.array(
        [[BIG + 1.0, 0.0, 59.9], [BIG + 1.0, 0.0, 60.04], [BIG + 1.0, 0.0, 60.2], [BIG, 0, -70.0]]
    )
    assert_allclose(sheet.feet(points).distance[:2], 1.0, atol=1e-4)
    assert_array_equal(sheet.feet(points).distance[2:], NOWHERE_MM)


def test_moves_within_two_planes():
    rng = np.random.default_rng(2)
    one, two = (v / np.linalg.norm(v, axis=1, keepdims=True) for v in rng.normal(size=(2, 30, 3)))
    a, b = rng.normal(size=(2, 30))
    move = both_ways(one, two, a, b)
    assert_allclose(np.einsum("ij,ij->i", move, one), a, atol=1e-9)
    assert_allclose(np.einsum("ij,ij->i", move, two), b, atol=1e-9)
    assert_allclose(np.einsum("ij,ij->i", move, np.cross(one, two)), 0.0, atol=1e-9)


# Edges


def test_the_edge_of_crossing_cylinders_is_the_closed_form():
    found = edge()
    assert found.closed
    x, y, z = found.points.T
    assert (x > 0.0).all()
    assert_allclose(off_axis(found.points, "z"), BIG, atol=1e-4)
    assert_allclose(off_axis(found.points, "x"), SMALL, atol=1e-4)
    # All of it, evenly: each way round the branch once, and the closed form's length.
    turn = 2 * np.pi * np.arange(20000) / 20000
    line = np.column_stack(
        [np.sqrt(BIG**2 - (SMALL * np.cos(turn)) ** 2), SMALL * np.cos(turn), SMALL * np.sin(turn)]
    )
    length = np.linalg.norm(np.roll(line, -1, axis=0) - line, axis=1).sum()
    step = np.linalg.norm(np.roll(found.points, -1, axis=0) - found.points, axis=1)
    assert step.sum() == pytest.approx(length, rel=1e-3)
    assert step.max() < 1.1 * step.min()
    around = np.unwrap(np.arctan2(z, y))
    assert abs(around[-1] - around[0]) == pytest.approx(2 * np.pi, abs=0.1)
    # Tangents square to both normals, along the places.
    assert_allclose(np.linalg.norm(found.along, axis=1), 1.0, atol=1e-9)
    for foot in found.feet:
        assert_allclose(np.einsum("ij,ij->i", found.along, foot.normal), 0.0, atol=1e-6)
        assert_allclose(foot.distance, 0.0, atol=1e-4)
    ahead = np.roll(found.points, -1, axis=0) - np.roll(found.points, 1, axis=0)
    lean = np.einsum("ij,ij->i", found.along, ahead / np.linalg.norm(ahead, axis=1, keepdims=True))
    assert np.abs(lean).min() > 0.999
    assert np.unique(np.sign(lean)).size == 1


def test_the_piece_nearest_to_a_place_is_taken():
    found = find_edge(*crossing(), np.array([-BIG, 1.0, 2.0]))
    assert (found.points[:, 0] < 0.0).all()


def parallel():
    """Tubes of 10 mm side by side, their axes 12 mm apart."""
    return tube(10.0, 50.0), shifted(tube(10.0, 50.0), [12.0, 0.0, 0.0])


def test_an_edge_that_runs_off_a_tube_is_open():
    """Parallel tubes meet in two straight lines."""
    found = find_edge(*parallel(), np.array([6.0, 8.0, 0.0]))
    assert not found.closed
    assert_allclose(found.points[:, :2], np.tile([6.0, 8.0], (len(found.points), 1)), atol=1e-3)
    assert np.ptp(found.points[:, 2]) > 45.0


def test_sheets_apart_have_no_edge():
    assert find_edge(crossing()[0], shifted(tube(5.0, 50.0), [40.0, 0.0, 0.0]), np.zeros(3)) is None
    # A millimetre apart there are places near both, but none on both.
    assert find_edge(crossing()[0], shifted(tube(5.0, 50.0), [BIG + 6.0, 0.0, 0.0]), np.zeros(3)) is None


# Balls


def test_centres_of_balls_are_on_the_offset_cylinders():
    found = track("ball")
    assert found.closed
    assert_allclose(off_axis(found.centre, "z"), BIG + BALL, atol=2e-3)
    assert_allclose(off_axis(found.centre, "x"), SMALL + BALL, atol=2e-3)
    for way, axis in zip(found.ways, "zx", strict=True):
        flat = found.centre.copy()
        flat[:, "xyz".index(axis)] = 0.0
        assert_allclose(way, flat / np.linalg.norm(flat, axis=1, keepdims=True), atol=1e-3)


def on_fillet(n=400, seed=4):
    """Points of the rolling ball's fillet, and outward normals: centres, and arcs between both contacts."""
    rng = np.random.default_rng(seed)
    turn, share = rng.uniform(0, 2 * np.pi, n), rng.uniform(0.02, 0.98, n)
    y, z = (SMALL + BALL) * np.cos(turn), (SMALL + BALL) * np.sin(turn)
    centre = np.column_stack([np.sqrt((BIG + BALL) ** 2 - y**2), y, z])
    one = -centre * [1.0, 1.0, 0.0] / (BIG + BALL)
    two = -centre * [0.0, 1.0, 1.0] / (SMALL + BALL)
    whole = np.arccos(np.einsum("ij,ij->i", one, two))
    way = (np.sin((1 - share) * whole)[:, None] * one + np.sin(share * whole)[:, None] * two) / np.sin(whole)[
        :, None
    ]
    return centre + BALL * way, -way


def test_points_against_the_fillet_of_a_ball():
    points, normals = on_fillet()
    off = np.random.default_rng(1).uniform(-1.0, 1.0, len(points))
    found = track("ball").against(points + off[:, None] * normals)
    assert found.inside.all()
    assert_allclose(found.distance, off, atol=2e-3)
    assert_allclose(found.normal, normals, atol=2e-3)


def test_shares_and_growth_are_finite_differences():
    """Of the distance from fillets of other radii, and along tubes of other radii."""
    points, _ = on_fillet(120)
    now = track("ball").against(points)
    step = 0.05
    more = track("ball", BALL + step).against(points)
    both = now.inside & more.inside
    assert both.mean() > 0.9
    # What moves outward is further under: the distance falls.
    assert_allclose((now.distance - more.distance)[both] / step, now.growth[both], atol=0.05)
    thicker = tube(BIG + step, 120.0, "z"), crossing()[1]
    there = find_edge(*thicker, np.array([BIG, 0.0, 0.0]))
    moved = make_track(thicker, there, np.full(len(there.points), BALL), "ball").against(points)
    both = now.inside & moved.inside
    assert_allclose((now.distance - moved.distance)[both] / step, now.shares[both, 0], atol=0.05)


def test_away_from_the_arc_nothing_is_inside():
    points = np.array([[BIG, 0.0, 50.0], [-BIG, 0.0, 0.0], [55.0, SMALL, 0.0], [0.0, 0.0, 0.0]])
    found = track("ball").against(points)
    assert not found.inside.any()
    assert_array_equal(found.distance, NOWHERE_MM)


def test_radii_may_change_along_the_edge():
    radius = 5.0 + edge().points[:, 2] / SMALL
    found = make_track(crossing(), edge(), radius, "ball")
    assert_allclose(off_axis(found.centre, "z"), BIG + radius, atol=2e-3)
    assert_allclose(off_axis(found.centre, "x"), SMALL + radius, atol=2e-3)
    assert_array_equal(found.radius, radius)


def test_too_short_an_edge_has_no_track():
    few = edge()
    short = Edge(few.points[:5], few.along[:5], tuple(f.where(np.arange(5)) for f in few.feet), False)
    assert make_track(crossing(), short, np.full(5, 4.0), "ball") is None


# Discs


@pytest.mark.parametrize("where", [0.0, 0.13, 0.25, 0.4, 0.71])
def test_discs_touch_both_sections(where):
    """An independent solution: in the plane square to the edge, a circle that touches both implicit curves.

    Unknowns are the centre and a contact on either section; the radius at the contact is square to the
    section, whose normal is the implicit gradient within the plane.
    """
    found = track("disc")
    k = int(where * len(found.centre))
    at, along = found.anchor[k], edge().along[k]
    side = np.cross(along, [0.3, 0.5, 0.8])
    side /= np.linalg.norm(side)
    up = np.cross(along, side)
    tubes = ((np.array([1.0, 1.0, 0.0]), BIG), (np.array([0.0, 1.0, 1.0]), SMALL))

    def unmet(unknown):
        centre = unknown[:2]
        rest = []
        for (keep, radius), (a, b) in zip(tubes, (unknown[2:4], unknown[4:6]), strict=True):
            place = at + a * side + b * up
            gradient = 2.0 * keep * place
            flat = np.array([gradient @ side, gradient @ up])
            flat /= np.linalg.norm(flat)
            rest += [(keep * place) @ place - radius**2, *(np.array([a, b]) + BALL * flat - centre)]
        return rest

    offsets = [found.centre[k], *(found.centre[k] - BALL * way[k] for way in found.ways)]
    start = [x for place in offsets for x in ((place - at) @ side, (place - at) @ up)]
    solved, _, ended, _ = fsolve(unmet, np.array(start) + 0.2, full_output=True, xtol=1e-12)
    assert ended == 1
    centre = at + solved[0] * side + solved[1] * up
    # A disc's search may end within 2e-3 of its radius.
    assert_allclose(found.centre[k], centre, atol=2e-3 * BALL)
    assert abs((found.centre[k] - at) @ along) < 1e-6


@pytest.mark.parametrize("small", [5.0, 8.0, 12.0])
def test_wide_discs_go_all_round_a_thin_branch(small):
    """Searches that slid along the section as if it were straight swung about on thin tubes.

    At the crown both sections are lines, at the side one is the main tube's circle: closed forms.
    """
    radius = 15.0
    sheets = tube(BIG, 120.0, "z"), tube(small, 120.0, "x")
    line = find_edge(*sheets, np.array([BIG, 0.0, small]))
    found = make_track(sheets, line, np.full(len(line.points), radius), "disc")
    assert found.closed
    assert len(found.centre) == len(line.points)
    crown = found.centre[np.argmax(line.points[:, 2])]
    side = found.centre[np.argmax(line.points[:, 1])]
    # The nearest of the edge's places, 0.7 mm apart, is up to 0.35 mm beside either, which counts squared.
    assert_allclose(crown[[0, 2]], [BIG + radius, small + radius], atol=0.1)
    out = np.sqrt((BIG + radius) ** 2 - (small + radius) ** 2)
    assert_allclose(side[[0, 1]], [out, small + radius], atol=0.1)
    for k in (0, 1):
        contact = found.centre - radius * found.ways[k]
        assert np.abs(sheets[k].feet(contact).distance).max() < 2e-3 * radius


def test_a_disc_is_a_ball_between_parallel_tubes():
    line = find_edge(*parallel(), np.array([6.0, 8.0, 0.0]))
    radius = np.full(len(line.points), 3.0)
    tracks = [make_track(parallel(), line, radius, kind) for kind in ("ball", "disc")]
    assert not tracks[0].closed
    # 13 mm from both axes, which are 12 mm apart.
    for found in tracks:
        assert_allclose(found.centre[:, 0], 6.0, atol=0.01)
        assert_allclose(found.centre[:, 1], np.sqrt(13.0**2 - 6.0**2), atol=0.01)
        # Beyond the ends of the line there is no fillet.
        assert not found.against(np.array([[6.0, 9.0, 40.0], [6.0, 9.0, -40.0]])).inside.any()
        assert found.against(np.array([[6.0, 8.7, 3.0]])).inside.all()


# Meetings


@lru_cache(maxsize=2)
def meeting(*, rounded=True):
    fillet = Fillet((0, 1), BALL, np.zeros(3), np.zeros(3), track("ball"), 0.05, "ball")
    spreads = (lambda u, v: np.full(len(u), 0.03), lambda u, v: np.full(len(u), 0.04))
    return Meeting(crossing(), (fillet,) if rounded else (), spreads)


def test_without_fillets_it_is_the_union_of_both():
    points = np.random.default_rng(3).uniform(-25.0, 25.0, (2000, 3))
    points = points[np.minimum(off_axis(points, "z"), off_axis(points, "x")) > 2.0]
    found = meeting(rounded=False).against(points)
    z, x = off_axis(points, "z") - BIG, off_axis(points, "x") - SMALL
    assert_allclose(found.distance, np.minimum(z, x), atol=1e-3)
    assert_array_equal(found.part, np.where(x < z, 1, 0))
    assert_allclose(meeting(rounded=False).spread(points), np.where(x < z, 0.04, 0.03))


def test_the_fillet_fills_the_hollow():
    points, normals = on_fillet()
    off = np.random.default_rng(6).uniform(-0.8, 0.8, len(points))
    found = meeting().against(points + off[:, None] * normals)
    assert (found.part == 2).all()
    assert_allclose(found.distance, off, atol=2e-3)
    assert_allclose(found.normal, normals, atol=2e-3)
    # The spread goes from that of one tube to that of the other, and in between has that of the radius too.
    arc = track("ball").against(points)
    expected = np.sqrt(((arc.shares * [0.03, 0.04]) ** 2).sum(axis=1) + (arc.growth * 0.05) ** 2)
    assert_allclose(meeting().spread(points), expected, atol=1e-9)
    sharp = meeting(rounded=False).against(points)
    assert (sharp.distance > -1e-3).all()
    assert sharp.distance.max() > 0.5


def test_a_rival_widens_the_spread_where_it_lies_elsewhere():
    """A ball of another radius with odds of a quarter: half of its distance comes to the rest, squared."""
    points, _ = on_fillet()
    (plain,) = meeting().fillets
    other = replace(plain, radius_mm=BALL + 1.0, track=track("ball", BALL + 1.0), odds=0.25)
    both = meeting().with_fillets((replace(plain, odds=0.75, rivals=(other,)),))
    apart = meeting().with_fillets((other,)).against(points).distance
    assert np.abs(apart).max() > 0.3
    expected = np.hypot(meeting().spread(points), 0.5 * np.abs(apart))
    assert_allclose(both.spread(points), expected, atol=2e-3)
    assert_allclose(both.against(points).distance, 0.0, atol=2e-3)


def test_beside_the_fillet_nothing_changes():
    rng = np.random.default_rng(7)
    turn = rng.uniform(0, 2 * np.pi, 200)
    points = np.column_stack([rng.uniform(40.0, 55.0, 200), SMALL * np.cos(turn), SMALL * np.sin(turn)])
    found = meeting().against(points)
    assert_array_equal(found.part, 1)
    assert_allclose(found.distance, 0.0, atol=1e-4)


def test_points_come_onto_the_surface():
    points, normals = on_fillet()
    off = np.random.default_rng(8).uniform(-2.0, 2.0, len(points))
    moved = meeting().onto(points + off[:, None] * normals)
    assert_allclose(meeting().against(moved).distance, 0.0, atol=1e-5)
    assert_allclose(moved, points, atol=0.01)
    far = np.array([[BIG + 70.0, 0.0, 50.0], [-BIG - 1.0, 0.0, 20.0]])
    found = meeting().onto(far)
    # What is too far off stays where it is.
    assert_allclose(found[1], [-BIG, 0.0, 20.0], atol=1e-4)


def test_a_fillet_is_continuous_with_its_tubes():
    """Along straight ways just over the branch, into the hollow, the distance makes no step."""
    for turn in (0.0, 0.9, np.pi / 2):
        x = np.linspace(40.0, np.sqrt(BIG**2 - (SMALL * np.cos(turn)) ** 2) + 0.5, 3000)
        side = (SMALL + 0.3) * np.array([0.0, np.cos(turn), np.sin(turn)])
        found = meeting().against(side + x[:, None] * [1.0, 0.0, 0.0])
        assert set(found.part) == {1, 2}
        assert np.abs(np.diff(found.distance)).max() < 1.5 * (x[0] - x[1]) + 2e-3
        lean = np.einsum("ij,ij->i", found.normal[1:], found.normal[:-1])
        assert np.degrees(np.arccos(np.clip(lean.min(), -1.0, 1.0))) < 1.0


def test_rigid_motion_carries_the_meeting_along():
    pose, shift = Rotation.from_rotvec([0.4, 1.0, -0.3]), np.array([30.0, -8.0, 100.0])
    surfaces = [sheet.surface for sheet in crossing()]
    moved = tuple(
        type(crossing()[0])(
            type(s)(
                s.basis,
                pose.apply(s.coefficients.reshape(-1, 3)).reshape(s.coefficients.shape) + shift,
                s.outward,
            )
        )
        for s in surfaces
    )
    there = find_edge(*moved, pose.apply([BIG, 0.0, 0.0]) + shift)
    rolled = make_track(moved, there, np.full(len(there.points), BALL), "ball")
    points, normals = on_fillet(100)
    found = Meeting(moved, (Fillet((0, 1), BALL, np.zeros(3), np.zeros(3), rolled, 0.0, "ball"),)).against(
        pose.apply(points + 0.3 * normals) + shift
    )
    assert_allclose(found.distance, 0.3, atol=2e-3)
    assert_allclose(found.normal, pose.apply(normals), atol=2e-3)


def test_pairs_that_touch_share_hollow_nodes():
    """A row of nodes: sheet 0, a hollow, sheet 1, a gap that is not hollow, sheet 2."""
    sheet = np.array([0] * 10 + [-1] * 8 + [1] * 10 + [-1] * 8 + [2] * 10)
    hollow = np.zeros(46, bool)
    hollow[10:18] = True
    n = np.arange(46)
    near = np.stack([np.maximum(n - 1, 0), np.minimum(n + 1, 45)], axis=1)
    assert touching_pairs(sheet, near, hollow, rings=8) == [(0, 1)]
    assert touching_pairs(sheet, near, hollow, rings=3) == []
    assert touching_pairs(sheet, near, np.ones(46, bool), rings=8) == [(0, 1), (1, 2)]
