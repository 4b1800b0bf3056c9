"""Laying one tube onto another: against plain loops, another library, known motions and its own uncertainty.

The closed form of a single rigid motion is held against its published example in ``test_frame.py``.
"""

from itertools import product

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from gaploft.donor.coarse import starts
from gaploft.donor.laid import Ground, lay
from gaploft.donor.rings import N_ANGLES, STEP_MM, rings_of
from gaploft.errors import EvidenceError
from gaploft.scan.frame import rigid_motion
from gaploft.surface.arc import Arc
from gaploft.surface.basis import DEGREE, TURN_RAD, TubeBasis
from gaploft.surface.shape import Shape
from gaploft.surface.sweep import N_MOVES, Sweep
from gaploft.tube.axes import SIDE, SLIDE, TILT, TWIST, Axes, moved

LENGTH_MM, RADIUS_MM, NOISE_MM = 240.0, 16.0, 0.02
FLANKS_MM = ((20.0, 85.0), (145.0, 220.0))
N_SECTION, N_AROUND, N_SPANS = 64, 24, 24
#: Half axes at the start and shares of them at the end, and the directions that such a tube does not show.
TUBES = {
    "cylinder": (16.0, 16.0, 1.0, {TWIST, SLIDE}),
    "cone": (16.0, 16.0, 0.75, {TWIST}),
    "oval": (19.0, 14.0, 1.0, {SLIDE}),
    "oval cone": (19.0, 14.0, 0.75, set()),
}


def tapered(a_mm, b_mm, share, *, curvature=0.0):
    """An elliptical tube that grows or shrinks evenly: exact along it, within 1e-6 mm around."""
    basis = TubeBasis.uniform(0.0, LENGTH_MM, N_SPANS, N_AROUND)
    step = TURN_RAD / N_SECTION
    angle = (np.arange(N_SECTION) - 1.5) * step
    # What a spline of degree four leaves of one wave a turn, at its knots.
    damped = np.array([1.0, 11.0, 11.0, 1.0]) / 24.0 @ np.cos(np.array([-1.5, -0.5, 0.5, 1.5]) * step)
    section = np.column_stack([a_mm * np.cos(angle), b_mm * np.sin(angle)]) / damped
    middle = np.array([basis.knots_u[i + 1 : i + DEGREE + 1].mean() for i in range(basis.n_u)])
    moves = np.zeros((basis.n_u, N_MOVES))
    moves[:, [2, 5]] = (RADIUS_MM * (share - 1.0) * middle / LENGTH_MM)[:, None]
    arc = Arc(np.zeros(3), np.eye(3)[2], np.eye(3)[0], curvature, 0.0)
    solution = np.hstack([moves, np.zeros((basis.n_u, N_AROUND))])
    ends = np.array([0.0, LENGTH_MM])
    return Shape(Sweep(arc, basis, section, moves, RADIUS_MM), solution, ends, np.full((2, 8), 0.005))


def flank_points(name, rng, *, count=2400, noise_mm=NOISE_MM):
    """Points (n, 3) of both flanks by the closed form, with white noise along the normals."""
    a, b, share, _ = TUBES[name]
    z = np.concatenate([rng.uniform(*flank, count // 2) for flank in FLANKS_MM])
    t = rng.uniform(0.0, TURN_RAD, len(z))
    slope = (share - 1.0) / LENGTH_MM
    grown = 1.0 + slope * z
    points = np.column_stack([a * grown * np.cos(t), b * grown * np.sin(t), z])
    # Gradient of (x / a)^2 + (y / b)^2 - grown(z)^2.
    normals = np.column_stack([points[:, 0] / a**2, points[:, 1] / b**2, -slope * grown])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return points + rng.normal(0.0, noise_mm, (len(z), 1)) * normals


def motion(turn_rad, shift_mm):
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec(turn_rad).as_matrix()
    matrix[:3, 3] = shift_mm
    return matrix


POSE = motion([0.8, -1.4, 0.5], [210.0, -90.0, 33.0])
#: Sideways, tilt, twist and slide about the middle of the tube's own axis.
OWN = Axes(np.array([0.0, 0.0, 0.5 * LENGTH_MM]), np.eye(3), RADIUS_MM)
#: Where the search starts, in the frame of the whole tube: a millimetre and a degree off.
OFF = motion([0.01, -0.012, 0.02], [0.5, -0.7, 0.6])


def in_own_axes(laid):
    """(6, 6) that takes steps as a laying tells them to steps about the tube's own axis, to first order."""
    tiny = 1e-4
    return np.stack([OWN.steps(laid.axes.matrix(tiny * way)) / tiny for way in np.eye(6)], axis=1)


def error_of(laid):
    """Six steps, about the tube's own axis, from where a tube was laid to where it should lie."""
    return OWN.steps(np.linalg.inv(laid.matrix) @ POSE)


@pytest.mark.parametrize("count", [4, 12, 200])
@pytest.mark.parametrize("mirror", [1.0, -1.0])
def test_rigid_motion_is_that_of_another_library_and_never_a_reflection(count, mirror):
    """scipy.spatial.transform.Rotation.align_vectors, on points that no motion brings together."""
    rng = np.random.default_rng(count)
    points, onto = rng.normal(0.0, 30.0, (count, 3)), rng.normal(0.0, 4.0, (count, 3))
    turn = Rotation.random(random_state=rng)
    onto += turn.apply(points * [1.0, 1.0, mirror]) + [80.0, -200.0, 4.0]
    ours = rigid_motion(points, onto)
    theirs, _ = Rotation.align_vectors(onto - onto.mean(axis=0), points - points.mean(axis=0))
    np.testing.assert_allclose(ours[:3, :3], theirs.as_matrix(), atol=1e-9)
    np.testing.assert_allclose(moved(points, ours).mean(axis=0), onto.mean(axis=0), atol=1e-9)
    assert np.linalg.det(ours[:3, :3]) == pytest.approx(1.0)


def all_ways(tube, donor):
    """Every slide, turn and direction one by one: (reversed, slide, turn) -> what is off, and the motion."""
    hidden = [i for i, seen in enumerate(tube.seen) if not seen]
    # 12 mm of each flank, more than 0.7 radii here.
    spare = int(np.ceil(12.0 / STEP_MM))
    count = len(donor.at_mm)
    found = {}
    for reverse, slide in product((False, True), range(-len(tube.at_mm), count)):
        if hidden[0] - spare + slide < 0 or hidden[-1] + spare + slide >= count:
            continue
        pairs = [(i, i + slide) for i in range(len(tube.at_mm)) if tube.seen[i] and 0 <= i + slide < count]
        mine = np.concatenate([tube.points_mm[i] for i, _ in pairs])
        for turn in range(N_ANGLES):
            at = (np.arange(N_ANGLES) + turn) % N_ANGLES
            if reverse:
                theirs = np.concatenate([donor.points_mm[count - 1 - j][-at % N_ANGLES] for _, j in pairs])
            else:
                theirs = np.concatenate([donor.points_mm[j][at] for _, j in pairs])
            matrix = rigid_motion(theirs, mine)
            off = np.sqrt(np.mean(np.sum((moved(theirs, matrix) - mine) ** 2, axis=1)))
            found[reverse, slide, turn] = off, matrix
    return found


@pytest.fixture(scope="module", params=[False, True], ids=["along", "against"])
def rings(request):
    """Sections of a bent oval cone with a gap, and of a longer piece of it in another pose."""
    shape = tapered(19.0, 14.0, 0.75, curvature=1.0 / 700.0)
    tube = rings_of(shape.surface, (90.0, 156.0), gap_mm=(114.0, 132.0))
    carried = shape.moved(POSE)
    donor = rings_of(carried.surface, (70.0, 190.0))
    if request.param:
        carried = carried.reversed()
        donor = rings_of(carried.surface, (-190.0, -70.0))
    return tube, donor, request.param


def test_starts_are_those_of_plain_loops(rings):
    tube, donor, _ = rings
    found = starts(tube, donor, most=4)
    ways = all_ways(tube, donor)
    expected = []
    for reverse in (False, True):
        left = {way: off for way, (off, _) in ways.items() if way[0] == reverse}
        while left and sum(way[0] == reverse for way in expected) < 4:
            best = min(left, key=left.get)
            expected.append(best)
            left = {
                way: off
                for way, off in left.items()
                if abs(way[1] - best[1]) > 4
                or abs((way[2] - best[2] + N_ANGLES // 2) % N_ANGLES - N_ANGLES // 2) > 5
            }
    expected.sort(key=lambda way: ways[way][0])
    least = ways[expected[0]][0]
    expected = [way for way in expected[:4] if ways[way][0] <= max(3.0 * least, least + 0.3)]
    assert [start.reversed for start in found] == [way[0] for way in expected]
    np.testing.assert_allclose([start.off_mm for start in found], [ways[way][0] for way in expected])
    for start, way in zip(found, expected, strict=True):
        np.testing.assert_allclose(start.matrix, ways[way][1], atol=1e-7)


def test_best_start_lies_near_the_true_place_and_knows_its_direction(rings):
    tube, donor, reverse = rings
    best = starts(tube, donor)[0]
    assert best.reversed == reverse
    off = best.matrix @ POSE
    # Slides are tried by whole sections, turns by whole directions.
    middle = np.array([[0.0, 0.0, 123.0]])
    assert np.linalg.norm(moved(middle, off) - middle) < STEP_MM
    assert np.rad2deg(Rotation.from_matrix(off[:3, :3]).magnitude()) < 360.0 / N_ANGLES


def test_a_donor_that_covers_too_little_of_the_flanks_has_no_start():
    shape = tapered(19.0, 14.0, 0.75)
    tube = rings_of(shape.surface, (60.0, 180.0), gap_mm=(100.0, 140.0))
    # 13 sections of the gap are hidden, and 12 mm of each flank are four more: 21 of them, or 60 mm.
    assert starts(tube, rings_of(shape.surface, (90.0, 150.0)))
    with pytest.raises(EvidenceError, match="57 mm long, too short to cover the damage"):
        starts(tube, rings_of(shape.surface, (90.0, 147.0)))


@pytest.mark.parametrize("name", TUBES)
def test_known_motion_is_found_again(name):
    """Without noise, to a thousandth of it; what the tube does not show stays where it began."""
    a, b, share, unseen = TUBES[name]
    points = flank_points(name, np.random.default_rng(3), noise_mm=0.0)
    laid = lay(Ground.of(tapered(a, b, share)), moved(points, POSE), POSE @ OFF)
    steps, begun = error_of(laid), OWN.steps(np.linalg.inv(OFF))
    for way in range(6):
        if way in unseen:
            assert steps[way] == pytest.approx(begun[way], abs=0.1)
        else:
            assert abs(steps[way]) < 1e-3 * NOISE_MM


@pytest.mark.parametrize("name", TUBES)
def test_directions_that_flanks_do_not_show_are_held(name):
    a, b, share, unseen = TUBES[name]
    points = moved(flank_points(name, np.random.default_rng(4)), POSE)
    laid = lay(Ground.of(tapered(a, b, share)), points, POSE @ OFF)
    assert laid.held.shape == (6, len(unseen))
    # How much of each named step lies in the space of those that are held.
    held = np.linalg.qr(in_own_axes(laid) @ laid.held)[0]
    inside = (held**2).sum(axis=1)
    np.testing.assert_allclose(inside, [float(way in unseen) for way in range(6)], atol=1e-3)
    assert np.abs(laid.held.T @ laid.covariance @ laid.held).max(initial=0.0) < 1e-12
    assert laid.scale_mm == pytest.approx(NOISE_MM, rel=0.06)


@pytest.mark.parametrize("name", ["oval cone", "cone"])
def test_stated_uncertainty_is_that_of_forty_scans(name):
    """Squared errors over their stated variances add up to the number of directions that are seen: chi
    squared, whose mean of 40 scatters by sqrt(2 / (40 k)), 9 % for six of them."""
    a, b, share, unseen = TUBES[name]
    ground = Ground.of(tapered(a, b, share))
    surprises, axial = [], []
    for seed in range(40):
        points = moved(flank_points(name, np.random.default_rng([seed, 12])), POSE)
        laid = lay(ground, points, POSE @ OFF)
        steps = laid.axes.steps(np.linalg.inv(laid.matrix) @ POSE)
        size, ways = np.linalg.eigh(laid.covariance)
        known = size > 1e-12
        assert known.sum() == 6 - len(unseen)
        surprises.append(np.sum((ways[:, known].T @ steps) ** 2 / size[known]))
        axial.append(steps[SLIDE] ** 2 / laid.covariance[SLIDE, SLIDE])
    seen = 6 - len(unseen)
    assert np.mean(surprises) == pytest.approx(seen, rel=0.3)
    # The slide alone, the one that is known worst: 3 standard deviations of a mean of 40.
    assert np.mean(axial) == pytest.approx(1.0, abs=3.0 * np.sqrt(2.0 / 40.0))


def test_points_that_do_not_belong_are_left_out():
    """A tenth of the points lies half a millimetre up, on one side: least squares would be pulled
    aside by some 0.05 mm."""
    a, b, share, _ = TUBES["oval cone"]
    points = flank_points("oval cone", np.random.default_rng(6))
    stuck = (points[:, 0] > 10.0) & (points[:, 2] < 60.0)
    assert 0.05 < stuck.mean() < 0.15
    points[stuck, 0] += 0.5
    laid = lay(Ground.of(tapered(a, b, share)), moved(points, POSE), POSE @ OFF)
    steps = error_of(laid)
    assert np.abs(steps[SIDE]).max() < 0.005
    assert np.abs(steps[TILT]).max() < 0.005
    assert not laid.counted[stuck].any()


def test_a_place_seen_on_both_decides_what_is_open():
    """A cylinder is to be shifted by 7 mm and turned by a fifth: the mark brings it there;
    sideways it gives way to the scan."""
    a, b, share, _ = TUBES["cylinder"]
    points = moved(flank_points("cylinder", np.random.default_rng(8)), POSE)
    ground = Ground.of(tapered(a, b, share))
    here = np.array([RADIUS_MM, 0.0, 100.0])
    there = np.array([RADIUS_MM * np.cos(0.2), RADIUS_MM * np.sin(0.2), 107.0])
    laid = lay(ground, points, POSE @ OFF, pinned=(moved(there[None], POSE)[0], here, 0.5))
    assert laid.held.shape == (6, 0)
    found = np.linalg.inv(POSE) @ laid.matrix
    np.testing.assert_allclose(moved(here[None], found)[0], there, atol=0.01)
    carried = in_own_axes(laid)
    doubt = np.sqrt(np.diag(carried @ laid.covariance @ carried.T))
    assert doubt[[TWIST, SLIDE]] == pytest.approx(0.5, rel=0.01)
    assert doubt[SIDE].max() < 0.005


def coated(name, coat_mm):
    """A tube, and points of it under so much paint, without noise."""
    a, b, share, _ = TUBES[name]
    ground = Ground.of(tapered(a, b, share))
    points = flank_points(name, np.random.default_rng(10), noise_mm=0.0)
    return ground, moved(points + coat_mm * ground.feet(points).normals, POSE)


@pytest.mark.parametrize("coat_mm", [-0.08, 0.15])
def test_coat_of_paint_is_found(coat_mm):
    ground, points = coated("oval", coat_mm)
    laid = lay(ground, points, POSE @ OFF, coat=True)
    assert laid.coat_mm == pytest.approx(coat_mm, abs=1e-3 * NOISE_MM)
    assert np.abs(error_of(laid)[:SLIDE]).max() < 1e-3 * NOISE_MM
    assert laid.rms_mm < 1e-3 * NOISE_MM
    assert lay(ground, points, POSE @ OFF).coat_mm == 0.0


def test_coat_of_paint_and_slide_can_not_be_told_apart_on_a_cone():
    """Either brings its surface out evenly: the slide is left alone, and no uncertainty claimed for it."""
    laid = lay(*coated("oval cone", 0.15), POSE @ OFF, coat=True)
    held = in_own_axes(laid) @ laid.held
    assert held.shape == (6, 1)
    assert abs(held[SLIDE, 0]) == pytest.approx(1.0, abs=1e-3)
    # What the start slid is what the coat makes up for: by the slope of the sides.
    steps, slope = error_of(laid), (1.0 - TUBES["oval cone"][2]) * RADIUS_MM / LENGTH_MM
    assert np.abs(steps[:SLIDE]).max() < 0.05 * NOISE_MM
    assert laid.coat_mm - 0.15 == pytest.approx(steps[SLIDE] * slope, rel=0.1)


def test_points_far_from_the_tube_are_not_laid():
    points = flank_points("cone", np.random.default_rng(9))
    a, b, share, _ = TUBES["cone"]
    assert lay(Ground.of(tapered(a, b, share)), points + [60.0, 0.0, 0.0], np.eye(4)) is None
