"""Placing a donor on a broken tube: where it lies, how well that is known, and what is refused.

The truth is the motion that the donor was scanned under (``donors.py``); slide and twist, which a shape may
show only weakly, are held to their own stated uncertainty, the rest to the noise of 0.02 mm.
"""

from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import plain_tube
from donors import DonorScan, donor_of
from gaploft.donor.carried import tube_on_shape
from gaploft.donor.flanks import Flanks, flanks_of
from gaploft.donor.model import Mark
from gaploft.donor.place import place
from gaploft.errors import EvidenceError
from gaploft.evidence.assess import assess
from gaploft.evidence.intact import Intact, fit_intact
from gaploft.evidence.reseat import fit_halves
from gaploft.job import Damage, HalvesSettings
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from gaploft.surface.basis import TURN_RAD
from gaploft.tube.axes import moved
from gaploft.tube.find import find_tubes
from gaploft.tube.isolate import isolate_tube
from lofted import KINDS, BrokenTube, broken_tube
from symmetries import as_motion, symmetry_of

NOISE_MM = 0.02
SOURCE = ScanSource("donor", "", "mm", 0, 0)
#: Gap, flank and triangles, mm.
SIZES = {
    "oval": (64.0, 80.0, 1.5),
    "aerofoil": (76.0, 80.0, 1.5),
    "d_section": (50.0, 80.0, 1.5),
    "stay": (30.0, 80.0, 1.0),
}


class Case(NamedTuple):
    """A broken tube and the scan of a spare section of it, ready to be placed."""

    broken: BrokenTube
    donor: DonorScan
    flanks: Flanks
    whole: Intact


def scan_of(vertices, faces):
    return scan_from_arrays(vertices, faces, mm_per_unit=1.0, source=SOURCE)


def whole_of(vertices, faces):
    return fit_intact(find_tubes(scan_of(vertices, faces))[0])


def flanks_in(case):
    scan = scan_of(case.vertices, case.faces)
    return flanks_of(isolate_tube(scan, Damage(case.from_mm, case.to_mm)))


@lru_cache(maxsize=len(SIZES))
def case_of(kind, seed=4):
    gap, flank, edge = SIZES[kind]
    broken = broken_tube(
        kind, gap, seed, length_mm=gap + 2.0 * flank, edge_mm=edge, noise_mm=NOISE_MM, rim="crushed"
    )
    donor = donor_of(broken, seed + 100, noise_mm=NOISE_MM)
    return Case(broken, donor, flanks_in(broken), whole_of(donor.vertices, donor.faces))


@lru_cache(maxsize=len(SIZES))
def placed(kind):
    case = case_of(kind)
    return place(case.flanks, case.whole.shape)


class Off(NamedTuple):
    """How far a donor lies from where it should, at the middle of the gap: across the tube and along it, mm,
    between the axes and about them, degrees."""

    side_mm: float
    slide_mm: float
    tilt_deg: float
    twist_deg: float


def off_truth(donor, found, at_mm=None):
    """The parts of what ``donor.motion_error`` gives the size of, up to the tube's own symmetries.

    ``at_mm`` (3,) is another place to tell them at.
    """
    broken, tube = donor.broken, donor.broken.tube
    middle = float(np.mean(broken.gap_mm))
    centre = broken.turn.apply(tube.centre(middle)) + broken.shift if at_mm is None else at_mm
    axis = broken.turn.apply(tube.axis(middle))
    posed = as_motion(broken.turn.as_matrix(), broken.shift)
    parts = []
    for same in symmetry_of(tube).motions:
        off = np.asarray(found) @ np.linalg.inv(posed @ same @ np.linalg.inv(donor.from_tube))
        if np.linalg.det(off[:3, :3]) < 0.0:
            continue
        shift, turn = moved(centre[None], off)[0] - centre, Rotation.from_matrix(off[:3, :3]).as_rotvec()
        slide, twist = shift @ axis, turn @ axis
        tilt = np.linalg.norm(turn - twist * axis)
        parts.append(
            Off(np.linalg.norm(shift - slide * axis), slide, *np.rad2deg([tilt, twist]).astype(float))
        )
    return min(parts, key=lambda off: off.side_mm + abs(off.slide_mm) + off.tilt_deg + abs(off.twist_deg))


def on_each_other(one, other):
    """Largest distance, mm, between one stretch of two placed shapes, and whether stations rise alike."""
    first, last = one.range_u
    u = np.linspace(first + 10.0, last - 10.0, 30)
    points = one.surface.evaluate(u[:, None], np.arange(24) * (TURN_RAD / 24)).reshape(-1, 3)
    fine_u, fine_v = np.linspace(*other.range_u, 120), np.arange(48) * (TURN_RAD / 48)
    uu, vv = (grid.ravel() for grid in np.meshgrid(fine_u, fine_v, indexing="ij"))
    near = np.argmin(np.linalg.norm(points[:, None] - other.surface.evaluate(uu, vv)[None], axis=2), axis=1)
    feet = other.surface.project(points, uu[near], vv[near], steps=6)
    rises = np.diff(feet.u.reshape(30, 24).mean(axis=1)) > 0.0
    return float(np.abs(feet.distance_mm).max()), bool(rises.all())


@pytest.mark.parametrize("kind", SIZES)
def test_donor_in_any_pose_is_placed(kind):
    case, fit = case_of(kind), placed(kind).fit
    off = off_truth(case.donor, fit.matrix)
    whole_mm, _ = case.donor.motion_error(fit.matrix)
    assert np.hypot(off.side_mm, off.slide_mm) == pytest.approx(whole_mm, abs=1e-6)
    assert off.side_mm < 0.01
    assert off.tilt_deg < 0.02
    assert abs(off.slide_mm) < 3.0 * fit.slide_u_mm
    assert abs(off.twist_deg) < 3.0 * fit.twist_u_deg
    assert fit.free == ()
    # What is not seen is not claimed: 0.02 mm of noise don't fix a slide to a micron.
    assert 0.005 < fit.slide_u_mm < 0.2
    assert fit.misfit_mm == pytest.approx(NOISE_MM, rel=0.2)
    assert fit.share > 0.95
    assert min(fit.flank_mm) > 0.5 * SIZES[kind][1]
    assert not fit.marked


@pytest.mark.parametrize("kind", SIZES)
def test_placed_shape_runs_as_the_broken_tube_does_and_carries_the_doubt(kind):
    case, placement = case_of(kind), placed(kind)
    ends = placement.shape.sweep.arc.straightened(np.stack([case.broken.from_mm, case.broken.to_mm]))
    assert ends[0, 0] < ends[1, 0]
    points = placement.shape.surface.evaluate(ends.mean(axis=0)[0], np.arange(32) * (TURN_RAD / 32))
    # The donor's own error and that of its place, over the damage that nobody scanned.
    assert np.abs(case.broken.truth_error(points)).max() < 0.05
    assert placement.shape.spread_mm.min() > case.whole.shape.spread_mm.min()
    assert placement.shape.spread_mm.max() < 0.1


@pytest.mark.parametrize("kind", ["oval", "stay"])
def test_place_does_not_depend_on_the_pose_or_on_which_end_comes_first(kind):
    case, first = case_of(kind), placed(kind)
    carry = as_motion(Rotation.from_rotvec([2.1, 0.4, -1.0]).as_matrix(), np.array([-300.0, 40.0, 900.0]))
    again = place(case.flanks, case.whole.shape.moved(carry).reversed())
    assert again.fit.reversed != first.fit.reversed
    largest, alike = on_each_other(first.shape, again.shape)
    # A tenth of the noise: from another start the same points are laid.
    assert largest < 0.1 * NOISE_MM
    assert alike
    assert again.fit.slide_u_mm == pytest.approx(first.fit.slide_u_mm, rel=0.2)


@pytest.mark.parametrize("reverse", [False, True])
def test_donor_turned_end_for_end_is_told(reverse):
    case = case_of("stay")
    donor = donor_of(case.broken, 7, posed=False, reversed=reverse, noise_mm=NOISE_MM)
    fit = place(case.flanks, whole_of(donor.vertices, donor.faces).shape).fit
    # Stations of a tube that was found rise along z here, and so does the broken one before it is posed.
    assert fit.reversed == reverse
    off = off_truth(donor, fit.matrix)
    assert off.side_mm < 0.01
    assert abs(off.slide_mm) < 3.0 * fit.slide_u_mm


def wider(shape, times):
    """The same tube with a section so many times as large."""
    return replace(shape, sweep=replace(shape.sweep, section=times * shape.sweep.section))


@pytest.mark.parametrize(("kind", "other"), [("aerofoil", "oval"), ("oval", "d_section")])
def test_donor_of_another_tube_is_refused(kind, other):
    with pytest.raises(EvidenceError, match=r"not the same part|fits nowhere"):
        place(case_of(kind).flanks, case_of(other).whole.shape)


def test_donor_of_another_diameter_is_refused():
    with pytest.raises(EvidenceError, match="mm off the intact tube where it fits best"):
        place(case_of("oval").flanks, wider(case_of("oval").whole.shape, 1.08))


def test_donor_of_another_diameter_is_refused_though_it_tapers():
    with pytest.raises(EvidenceError):
        place(case_of("d_section").flanks, wider(case_of("d_section").whole.shape, 1.25))


def test_refusal_tells_a_number():
    with pytest.raises(EvidenceError) as refusal:
        place(case_of("stay").flanks, wider(case_of("stay").whole.shape, 1.2))
    assert "inf" not in str(refusal.value)


def test_donor_that_is_too_short_is_refused():
    shape = case_of("d_section").whole.shape
    middle = sum(shape.range_u) / 2.0
    with pytest.raises(EvidenceError, match=r"too short to cover the damage.*scan a longer spare section"):
        place(case_of("d_section").flanks, shape.restricted(middle - 25.0, middle + 25.0))


def test_donor_that_ends_within_the_damage_is_refused():
    case, placement = case_of("d_section"), placed("d_section")
    middle = placement.shape.sweep.arc.straightened(case.broken.from_mm[None])[0, 0] + 15.0
    half = replace(placement, shape=placement.shape.restricted(placement.shape.range_u[0], middle))
    with pytest.raises(EvidenceError, match="take a longer one"):
        tube_on_shape(case.flanks, half)


def test_marks_that_can_not_be_the_same_place_are_refused():
    """An oval that changes along its way fits at one place alone; the mark says another, 30 mm off."""
    case = case_of("oval")
    shape = case.whole.shape
    middle = sum(shape.range_u) / 2.0
    here, far = shape.surface.evaluate(np.array([middle - 70.0, middle - 40.0]), np.zeros(2))
    on_tube = moved(here[None], np.array(placed("oval").fit.matrix))[0]
    assert place(case.flanks, shape, mark=Mark(on_tube, here)).fit.marked
    with pytest.raises(EvidenceError, match="fits nowhere"):
        place(case.flanks, shape, mark=Mark(on_tube, far))


#: A tube of radius 16 with a waist in the middle of its length: width as a Gauss curve's, mm.
LENGTH_MM, RADIUS_MM, DEPTH_MM = 300.0, 16.0, 1.5


def waisted(width_mm):
    return lambda z: RADIUS_MM - DEPTH_MM * np.exp(-(((z - 0.5 * LENGTH_MM) / width_mm) ** 2))


def round_scan(radius, rng, *, start_mm=0.0, gap=None, edge_mm=2.0):
    """(vertices, faces) of a tube along z from ``start_mm``, with noise."""
    n_u, n_v = round((LENGTH_MM - start_mm) / edge_mm) + 1, round(TURN_RAD * RADIUS_MM / edge_mm)
    vertices, faces = plain_tube.open_tube(radius=1.0, length=LENGTH_MM - start_mm, n_u=n_u, n_v=n_v, gap=gap)
    vertices[:, 2] += start_mm
    size = radius(vertices[:, 2]) + rng.normal(0.0, NOISE_MM, len(vertices))
    return vertices * np.column_stack([size, size, np.ones(len(size))]), faces


class Round(NamedTuple):
    """Flanks and donor of a round tube, and the motion that the donor was posed by."""

    flanks: Flanks
    whole: Intact
    pose: np.ndarray


def round_pair(radius, gap):
    rng = np.random.default_rng(5)
    scan = scan_of(*round_scan(radius, rng, gap=gap))
    ends = np.array([[0.0, 0.0, at] for at in gap])
    pose = as_motion(Rotation.from_rotvec([0.8, -1.4, 0.5]).as_matrix(), np.array([210.0, -90.0, 33.0]))
    vertices, faces = round_scan(radius, rng, start_mm=20.0)
    return Round(flanks_of(isolate_tube(scan, Damage(*ends))), whole_of(moved(vertices, pose), faces), pose)


@lru_cache(maxsize=2)
def waisted_pair(width_mm, gap):
    return round_pair(waisted(width_mm), gap)


@pytest.mark.parametrize(
    ("name", "radius", "free"),
    [
        ("cylinder", lambda z: RADIUS_MM + 0.0 * z, ("twist", "slide")),
        ("cone", lambda z: 18.0 - z / 75.0, ("twist",)),
    ],
)
def test_what_flanks_leave_open_is_named_where_it_does_not_matter(name, radius, free):
    pair = round_pair(radius, (120.0, 180.0))
    fit = place(pair.flanks, pair.whole.shape).fit
    assert fit.free == free
    assert (fit.twist_u_deg is None, fit.slide_u_mm is None) == ("twist" in free, "slide" in free)
    assert fit.offset_u_mm < 0.005
    off = np.array(fit.matrix) @ pair.pose
    # Its axis lies on z again, as near as 0.02 mm of noise on thousands of points allow.
    axis = moved(np.array([[0.0, 0.0, 60.0], [0.0, 0.0, 240.0]]), off)
    assert np.abs(axis[:, :2]).max() < 0.01


def test_waist_within_the_damage_of_a_cylinder_asks_for_a_mark():
    pair = waisted_pair(22.0, (95.0, 205.0))
    with pytest.raises(EvidenceError, match="mark one place that you see on both scans"):
        place(pair.flanks, pair.whole.shape)


def test_waist_within_the_damage_is_told_as_a_slide():
    pair = waisted_pair(22.0, (95.0, 205.0))
    with pytest.raises(EvidenceError, match=r"can slide on the intact tube .* mark one place"):
        place(pair.flanks, pair.whole.shape)


def test_waist_within_the_damage_is_rebuilt_with_a_mark():
    """The mark is clicked 0.4 mm off along the tube; the waist comes to lie that far off, within its band."""
    pair, radius = waisted_pair(22.0, (95.0, 205.0)), waisted(22.0)
    on_tube = np.array([0.0, RADIUS_MM, 80.4])
    on_donor = moved(np.array([[0.0, RADIUS_MM, 80.0]]), pair.pose)[0]
    placement = place(pair.flanks, pair.whole.shape, mark=Mark(on_tube, on_donor))
    assert placement.fit.marked
    off = np.array(placement.fit.matrix) @ pair.pose
    marked = np.array([[0.0, RADIUS_MM, 80.0], [0.0, 0.0, 150.0]])
    assert np.linalg.norm(moved(marked, off) - marked, axis=1).max() < 1.0
    # Two clicks of 0.5 mm, one on each scan.
    assert placement.fit.slide_u_mm == pytest.approx(0.5 * np.sqrt(2.0), rel=0.1)
    tube, shape = tube_on_shape(pair.flanks, placement)
    fitted = fit_halves(tube, HalvesSettings(), shape=shape)
    band = assess(fitted, overlap_mm=10.0).band
    u, v = np.meshgrid(
        np.linspace(*fitted.fit.rebuilt_mm, 60), np.arange(32) * (TURN_RAD / 32), indexing="ij"
    )
    points = fitted.fit.surface.evaluate(u, v).reshape(-1, 3)
    slope = DEPTH_MM / 22.0 * np.sqrt(2.0 / np.e)
    error = np.hypot(points[:, 0], points[:, 1]) - radius(points[:, 2])
    # 0.4 mm down the steepest part of the waist, and three times the noise of a fit.
    assert np.abs(error).max() < 0.4 * slope + 0.02
    assert np.mean(np.abs(error) < band(u.ravel(), v.ravel())) > 0.85


def test_narrow_waist_of_a_donor_is_followed():
    """15 mm wide as a Gauss curve's, 1.5 mm deep all round: part of the tube, and densely scanned."""
    radius = waisted(15.0)
    vertices, faces = round_scan(radius, np.random.default_rng(5), edge_mm=1.5)
    surface = whole_of(vertices, faces).shape.surface
    points = surface.evaluate(np.linspace(*surface.range_u, 100)[:, None], np.arange(32) * (TURN_RAD / 32))
    error = np.hypot(points[..., 0], points[..., 1]) - radius(points[..., 2])
    assert np.abs(error).max() < 2.0 * NOISE_MM


@pytest.mark.slow
def test_stated_uncertainty_of_the_place_is_that_of_sixteen_donors():
    """Squared errors over stated variances, six directions each: a mean over 16 of one, within three of its
    own standard deviations, sqrt(2 / 96)."""
    squares = []
    for kind in SIZES:
        for seed in (11, 12, 13, 14):
            case = case_of(kind, seed)
            fit = place(case.flanks, case.whole.shape).fit
            # The uncertainty is told for the middle of the flanks: in a bend, that is not on the centreline.
            off = off_truth(case.donor, fit.matrix, case.flanks.points_mm.mean(axis=0))
            squares += [
                off.slide_mm**2 / fit.slide_u_mm**2,
                off.twist_deg**2 / fit.twist_u_deg**2,
                *[off.side_mm**2 / (2.0 * fit.offset_u_mm**2)] * 2,
                *[off.tilt_deg**2 / (2.0 * fit.angle_u_deg**2)] * 2,
            ]
    assert np.mean(squares) == pytest.approx(1.0, abs=3.0 * np.sqrt(2.0 / len(squares)))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_every_family_is_placed_or_asked_about(kind):
    """In the gap the placed shape meets the truth, whatever the tube leaves open; or a mark is asked for."""
    diameter = broken_tube(kind, 40.0, 1).tube.perimeter_mm / np.pi
    broken = broken_tube(kind, 2.0 * diameter, 3, edge_mm=1.0 if diameter < 20.0 else 1.5, noise_mm=NOISE_MM)
    donor = donor_of(broken, 103, noise_mm=NOISE_MM)
    placement = place(flanks_in(broken), whole_of(donor.vertices, donor.faces).shape)
    ends = placement.shape.sweep.arc.straightened(np.stack([broken.from_mm, broken.to_mm]))[:, 0]
    points = placement.shape.surface.evaluate(
        np.linspace(*ends, 20)[:, None], np.arange(48) * (TURN_RAD / 48)
    )
    error = broken.truth_error(points.reshape(-1, 3))
    assert np.sqrt(np.mean(error**2)) < NOISE_MM
    assert off_truth(donor, placement.fit.matrix).side_mm < 0.02
