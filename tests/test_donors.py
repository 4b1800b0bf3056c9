"""The donors used by other tests: that they are what they say, and that a wrong motion is seen as wrong."""

import numpy as np
import pytest

from donors import donor_of
from lofted import KINDS, broken_tube
from symmetries import as_motion, moved, screwed, symmetry_of, turned

EDGE_MM = 1.5


def broken(kind, **more):
    return broken_tube(kind, 60.0, 3, edge_mm=EDGE_MM, **more)


def donor_and_centre(kind, **more):
    case = broken(kind)
    middle = np.mean(case.gap_mm)
    centre = case.turn.apply(case.tube.centre(middle)) + case.shift
    return donor_of(case, 5, **more), centre, case.turn.apply(case.tube.axis(middle))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("mirrored", [False, True])
def test_true_motion_lays_the_donor_onto_the_tube(kind, mirrored):
    case = broken(kind)
    donor = donor_of(case, 5, mirrored=mirrored)
    height = case.truth_error(moved(donor.motion, donor.vertices))
    # the noise is made to this rms over all vertices; its unevenness at corners is a fifth at most
    assert np.sqrt(np.mean(height**2)) == pytest.approx(0.02, rel=0.05)
    np.testing.assert_allclose(donor.truth_error(donor.vertices), height, atol=1e-9)
    assert np.linalg.det(donor.motion[:3, :3]) == pytest.approx(-1.0 if mirrored else 1.0)
    assert donor.motion_error(donor.motion) == pytest.approx((0.0, 0.0), abs=1e-4)


@pytest.mark.parametrize("mirrored", [False, True])
def test_faces_turn_outwards(mirrored):
    donor = donor_of(broken("down_tube"), 5, mirrored=mirrored)
    corner = donor.vertices[donor.faces]
    area = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    raised = corner.mean(axis=1) + 0.5 * area / np.linalg.norm(area, axis=1, keepdims=True)
    assert np.mean(donor.truth_error(raised) > 0.3) > 0.999


def test_donor_is_cut_where_it_was_asked_and_has_no_gap():
    case = broken("s_stay")
    donor = donor_of(case, 5, start_mm=40.0, length_mm=180.0)
    along = np.sort(case.tube.along(moved(np.linalg.inv(donor.from_tube), donor.vertices)))
    assert donor.span_mm == (40.0, 220.0)
    assert along[[0, -1]] == pytest.approx([40.0, 220.0], abs=1.0)
    assert np.diff(along).max() < EDGE_MM
    edges = np.sort(donor.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    _, count = np.unique(edges, axis=0, return_counts=True)
    # open only along the two cuts, rings of as many edges as there are vertices in a row
    assert (count == 1).sum() == 2 * round(case.tube.perimeter_mm / EDGE_MM)


def test_paint_lies_all_over():
    donor = donor_of(broken("d_section"), 5, paint_mm=0.08)
    height = donor.truth_error(donor.vertices)
    assert height.mean() == pytest.approx(0.08, abs=1e-3)
    assert height.std() == pytest.approx(0.02, rel=0.05)


def test_scale_grows_about_the_middle_of_the_gap():
    case = broken("round")
    donor = donor_of(case, 5, scale=1.01, noise_mm=0.001)
    back = moved(np.linalg.inv(donor.from_tube), donor.vertices)
    radius = np.hypot(back[:, 0], back[:, 1])
    assert radius.mean() == pytest.approx(1.01 * 16.0, abs=1e-3)
    # 92 % of 300 mm, a hundredth longer to both sides of the gap's middle at 150 mm; lengths along a lofted
    # tube are read off a table in steps of 0.05 mm
    assert [back[:, 2].min(), back[:, 2].max()] == pytest.approx([150 - 139.38, 150 + 139.38], abs=0.02)


def test_sag_bends_the_ends_aside():
    donor = donor_of(broken("round"), 5, sag_mm=0.5, noise_mm=0.001)
    back = moved(np.linalg.inv(donor.from_tube), donor.vertices)
    # centres of circles through slices of 6 mm: x**2 + y**2 = 2 a x + 2 b y + c
    aside = []
    for low in (12.0, 147.0, 282.0):
        here = back[(back[:, 2] > low) & (back[:, 2] < low + 6.0), :2]
        rows = np.column_stack([here, np.ones(len(here))])
        centre = 0.5 * np.linalg.lstsq(rows, np.sum(here**2, axis=1), rcond=None)[0][:2]
        aside.append(np.hypot(*centre))
    # the outer slices lie some 135 of 138 mm out; vertices in them are spread unevenly
    assert aside == pytest.approx([0.5 * (135 / 138) ** 2, 0.0, 0.5 * (135 / 138) ** 2], abs=6e-3)


def test_pose_noise_and_faults_are_its_own():
    case = broken("oval", noise_mm=0.02)
    first, again, other = donor_of(case, 3), donor_of(case, 3), donor_of(case, 4)
    assert first.vertices.tobytes() == again.vertices.tobytes()
    assert np.linalg.norm(first.motion[:3, :3] - other.motion[:3, :3]) > 0.1
    at_rest = donor_of(case, 3, posed=False)
    np.testing.assert_array_equal(at_rest.from_tube, np.eye(4))
    turned_round = donor_of(case, 3, posed=False, reversed=True)
    np.testing.assert_allclose(turned_round.vertices, at_rest.vertices * [1, -1, -1], atol=1e-12)
    stuck = donor_of(case, 3, stickers=2, sticker_mm=0.2, cable_stops=2, holes=4)
    # two stickers a quarter of the way round, a fifth and two fifths of a flank long, cover a tenth or so
    assert 0.01 < np.mean(stuck.truth_error(stuck.vertices) > 0.12) < 0.4
    with pytest.raises(ValueError, match="no gap, so no rim"):
        donor_of(case, 3, rim="crushed")


@pytest.mark.parametrize("kind", ["aerofoil", "s_stay", "down_tube", "oval"])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_motion_that_is_off_is_told(kind, mirrored):
    donor, centre, axis = donor_and_centre(kind, mirrored=mirrored)
    turn = turned(np.deg2rad(0.4), centre, axis)
    assert donor.motion_error(turn @ donor.motion) == pytest.approx((0.0, 0.4), abs=1e-4)
    side = np.cross(axis, [0.3, 0.5, -0.2])
    shift = as_motion(np.eye(3), 0.3 * side / np.linalg.norm(side) + 0.4 * axis)
    assert donor.motion_error(shift @ donor.motion) == pytest.approx((0.5, 0.0), abs=1e-4)


def test_symmetries_are_forgiven_where_a_tube_has_them():
    """A half-turn of a straight oval lays it onto itself, of a bent one it does not."""
    for kind, free in [("oval", True), ("twisted_oval", True), ("superellipse", True), ("tight_stay", False)]:
        donor, centre, axis = donor_and_centre(kind)
        mm, deg = donor.motion_error(turned(np.pi, centre, axis) @ donor.motion)
        assert mm == pytest.approx(0.0, abs=0.05), kind
        assert (deg < 0.05) == free, kind
    donor, _, _ = donor_and_centre("hourglass")
    end_for_end = turned(np.pi, np.array([0.0, 0.0, 150.0]), np.array([1.0, 0.0, 0.0]))
    found = donor.motion @ donor.from_tube @ end_for_end @ np.linalg.inv(donor.from_tube)
    assert donor.motion_error(found) == pytest.approx((0.0, 0.0), abs=1e-3)


def test_only_what_a_body_of_revolution_shows_is_told():
    for kind, slide_told in [("round", 0.0), ("tapered", 3.0)]:
        donor, centre, axis = donor_and_centre(kind)
        found = screwed(3.0, 0.2, centre, axis) @ donor.motion
        assert donor.motion_error(found) == pytest.approx((slide_told, 0.0), abs=1e-4)
        across = np.cross(axis, [0.6, -0.2, 0.4])
        across /= np.linalg.norm(across)
        lean = turned(np.deg2rad(0.2), centre, across)
        lean[:3, 3] += 0.1 * across
        assert donor.motion_error(lean @ donor.motion) == pytest.approx((0.1, 0.2), abs=1e-4)


def test_a_section_that_only_twists_may_be_screwed():
    donor, centre, axis = donor_and_centre("twisted_oval")
    # 35 degrees over the 300 mm of the nominal tube
    rate = np.deg2rad(35.0) / 300.0
    assert donor.motion_error(screwed(2.0, rate, centre, axis) @ donor.motion) == pytest.approx(
        (0.0, 0.0), abs=2e-3
    )
    plain = donor.motion_error(screwed(2.0, 0.0, centre, axis) @ donor.motion)
    assert plain == pytest.approx((0.0, np.rad2deg(2.0 * rate)), abs=2e-3)


def test_wrong_hand_is_infinitely_far_off_unless_the_tube_has_none():
    for kind, symmetric in [("d_section", True), ("oval", True)]:
        donor = donor_of(broken(kind), 5)
        found = donor.motion @ donor.from_tube @ np.diag([1.0, -1.0, 1.0, 1.0])
        found = found @ np.linalg.inv(donor.from_tube)
        assert (donor.motion_error(found)[0] < 1e-3) == symmetric
    rolled = broken("d_section", variant=1)
    donor = donor_of(rolled, 5)
    found = donor.motion @ donor.from_tube @ np.diag([1.0, -1.0, 1.0, 1.0]) @ np.linalg.inv(donor.from_tube)
    assert donor.motion_error(found) == (np.inf, 180.0)


def test_symmetries_of_the_families():
    """Counted by hand from how the families are drawn; see the docstrings of ``tube_shapes``."""
    counted = {
        "aerofoil": 2,
        "down_tube": 2,
        "hourglass": 8,
        "oval": 4,
        "s_stay": 2,
        "superellipse": 4,
        "twisted_oval": 4,
    }
    for kind, n in counted.items():
        assert len(symmetry_of(broken(kind).tube).motions) == n, kind
    free = [symmetry_of(broken(kind).tube) for kind in ("round", "tapered", "oval")]
    assert [found.turns for found in free] == [True, True, False]
    assert [found.slides for found in free] == [True, False, False]
