"""Mirror planes of scans that were made symmetric: two stays and a cross tube, one stay broken.

The plane is known exactly; each side has its own triangles and its own noise of 0.02 mm. The limits of
0.05 mm and 0.02 degrees are aims of this project (no source).
"""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from gaploft.errors import InputError
from gaploft.job import Damage
from gaploft.scan.mirrored import reflected
from gaploft.scan.model import Scan
from gaploft.tube.find import find_tubes
from gaploft.tube.follow import length_of
from gaploft.tube.guessed import _planes
from gaploft.tube.isolate import isolate_tube
from gaploft.tube.symmetry import find_plane, guess_planes
from intact_scans import intact_scan, together

POINT = np.array([31.0, -17.0, 55.0])
NORMAL = np.array([0.8, 0.5, -0.33]) / np.linalg.norm([0.8, 0.5, -0.33])
AIM_MM, AIM_DEG = 0.05, 0.02
GAP_MM, LENGTH_MM = (90.0, 130.0), 220.0


@dataclass(frozen=True)
class Frame:
    """A scan with its mirror plane at ``POINT``, what is broken, and which vertices are the far side's."""

    scan: Scan
    damage: Damage
    far: NDArray[np.bool_]


def along_plane():
    """A direction within the plane and one that leaves it slowly, for tubes."""
    level = np.cross(NORMAL, (0.2, 1.0, 0.5))
    level /= np.linalg.norm(level)
    slanted = level + 0.18 * NORMAL
    return level, slanted / np.linalg.norm(slanted)


def turned_to(axis):
    """A rotation that lays a tube's z along an axis."""
    across = np.cross((0.3, 0.2, 1.0), axis)
    across /= np.linalg.norm(across)
    return Rotation.from_matrix(np.column_stack([across, np.cross(axis, across), axis]))


def frame(kind, seed, *, far_mm=LENGTH_MM, cross=True, more=()):
    """Two stays some 50 mm off the plane, the near one broken; ``far_mm`` of the other one are scanned."""
    _, axis = along_plane()
    turn = turned_to(axis)
    start = POINT + 50.0 * NORMAL - 110.0 * axis + 20.0 * turn.apply((1.0, 0.0, 0.0))
    pose = {"turn": turn, "shift": start, "length_mm": LENGTH_MM}
    near = intact_scan(kind, seed, gap_mm=GAP_MM, rim="mixed", **pose)
    cut = {} if far_mm == LENGTH_MM else {"cut_mm": LENGTH_MM - far_mm}
    far = intact_scan(kind, seed + 50, **cut, **pose)
    assert ((near.vertices - POINT) @ NORMAL).min() > 5.0
    parts = [(near.vertices, near.faces), (reflected(far.vertices, POINT, NORMAL), far.faces[:, ::-1])]
    if cross:
        middle = POINT - 140.0 * axis + (140.0 * axis @ NORMAL) * NORMAL
        shift = middle - 86.0 * NORMAL
        bar = intact_scan("round", seed + 90, length_mm=160.0, turn=turned_to(NORMAL), shift=shift)
        parts.append((bar.vertices, bar.faces))
    scan = together(*parts, *more)
    ends = near.posed(np.array([near.tube.centre(at) for at in GAP_MM]))
    side = np.zeros(len(scan.vertices_mm), dtype=bool)
    side[len(near.vertices) : len(near.vertices) + len(far.vertices)] = True
    return Frame(scan, Damage(*ends), side)


def off(plane, point=POINT, normal=NORMAL):
    """Distance and angle of a found plane from where it should be, mm and degrees."""
    tilt = np.linalg.norm(np.cross(plane.normal, normal))
    return abs(float((plane.point_mm - point) @ normal)), float(np.degrees(np.arcsin(tilt)))


@pytest.fixture(scope="module")
def stays():
    return frame("stay", 1)


@pytest.mark.parametrize("cross", [True, False])
@pytest.mark.parametrize("kind", ["stay", "s_stay", "tight_stay"])
def test_plane_from_the_broken_tube_alone(kind, cross):
    """No guess by hand: the broken tube, all others, the best plane between them, refined."""
    made = frame(kind, 2, cross=cross)
    broken = isolate_tube(made.scan, made.damage)
    guesses = guess_planes(made.scan, broken, find_tubes(made.scan, apart_from=broken))
    point, normal = guesses[0]
    assert abs((point - POINT) @ NORMAL) < 0.5
    assert np.degrees(np.arcsin(np.linalg.norm(np.cross(normal, NORMAL)))) < 0.5
    plane = find_plane(made.scan, point, normal)
    away_mm, away_deg = off(plane)
    assert away_mm < AIM_MM
    assert away_deg < AIM_DEG
    # Noise of 0.02 mm on both, across points 0.9 mm apart whose normals are rough by as much.
    assert 0.02 * 2**0.5 * 0.8 < plane.rms_mm < 0.02 * 2**0.5 * 1.4
    assert plane.share > 0.8
    assert plane.u_mm < AIM_MM
    assert plane.u_deg < AIM_DEG
    assert plane.normal[np.argmax(np.abs(plane.normal))] > 0.0


def test_uncertainty_is_that_of_the_plane():
    """Over 8 scans that differ in noise and triangles, errors are as large as told to a factor of 2.5."""
    ratios = []
    for seed in range(8):
        plane = find_plane(frame("stay", 10 + seed, cross=False).scan, POINT, NORMAL)
        away_mm, away_deg = off(plane)
        ratios += [away_mm / plane.u_mm, away_deg / plane.u_deg]
        assert plane.u_mm > 0.0
    assert 0.4 < np.sqrt(np.mean(np.square(ratios))) < 2.5


@pytest.mark.parametrize(("shift_mm", "tilt_deg"), [(5.0, 0.0), (-4.0, 1.0), (2.0, -2.0)])
def test_where_it_begins_makes_no_difference(stays, shift_mm, tilt_deg):
    """The cross tube fits wherever the plane is shifted to, and must not settle it."""
    way, _ = along_plane()
    begun = Rotation.from_rotvec(np.radians(tilt_deg) * way).apply(NORMAL)
    plane, straight = (
        find_plane(stays.scan, POINT + shift_mm * NORMAL, -3.0 * begun),
        find_plane(stays.scan, POINT, NORMAL),
    )
    # Partners are the nearest points, which change by steps: a small part of the uncertainty.
    away_mm, away_deg = off(plane, straight.point_mm, straight.normal)
    assert away_mm < 0.25 * plane.u_mm
    assert away_deg < 0.25 * plane.u_deg
    assert off(plane)[0] < AIM_MM


def test_plane_moves_with_the_scan(stays):
    turn, shift = Rotation.from_rotvec([0.7, -1.1, 0.4]), np.array([250.0, -90.0, 30.0])
    moved = replace(
        stays.scan,
        vertices_mm=turn.apply(stays.scan.vertices_mm) + shift,
        normals=turn.apply(stays.scan.normals),
    )
    there = find_plane(moved, turn.apply(POINT) + shift, turn.apply(NORMAL))
    here = find_plane(stays.scan, POINT, NORMAL)
    away_mm, away_deg = off(there, turn.apply(here.point_mm) + shift, turn.apply(here.normal))
    assert away_mm < 1e-4
    assert away_deg < 1e-4


def test_a_side_that_sits_off_pulls_the_plane_by_half(stays):
    """0.3 mm along the normal: a plane half way fits exactly. Across it, no plane does, and it stays near."""
    scan, level = stays.scan, along_plane()[0]
    shifted = frame("stay", 1, cross=False).scan
    far = (shifted.vertices_mm - POINT) @ NORMAL < 0.0
    for way, expected in ((NORMAL, 0.15), (level, 0.0), (np.cross(level, NORMAL), 0.0)):
        plane = find_plane(
            replace(shifted, vertices_mm=shifted.vertices_mm + 0.3 * far[:, None] * way), POINT, NORMAL
        )
        assert float((plane.point_mm - POINT) @ NORMAL) == pytest.approx(expected, abs=0.05)
        assert off(plane)[1] < 0.2
    moved = scan.vertices_mm + 0.3 * stays.far[:, None] * level
    plane = find_plane(replace(scan, vertices_mm=moved), POINT, NORMAL)
    assert off(plane)[0] < 0.1
    assert off(plane)[1] < 0.2
    assert plane.rms_mm > find_plane(scan, POINT, NORMAL).rms_mm


def test_what_one_side_has_alone_drops_out(stays):
    """A cable along the near stay and a tube of the drive side: the plane stays, the share falls."""
    _, axis = along_plane()
    start = POINT + 35.0 * NORMAL - 90.0 * axis
    cable = intact_scan("round", 7, length_mm=180.0, turn=turned_to(axis), shift=start)
    thin = start + (cable.vertices - start) * 0.12 + ((cable.vertices - start) @ axis)[:, None] * 0.88 * axis
    other = intact_scan("oval", 8, length_mm=120.0, shift=POINT + 120.0 * NORMAL)
    made = frame("stay", 1, more=[(thin, cable.faces), (other.vertices, other.faces)])
    plane, alone = find_plane(made.scan, POINT, NORMAL), find_plane(stays.scan, POINT, NORMAL)
    assert off(plane)[0] < AIM_MM
    assert off(plane)[1] < AIM_DEG
    assert plane.share < alone.share - 0.2


def test_a_scan_without_another_side_is_refused():
    lone = intact_scan("stay", 3)
    beside = lone.vertices.mean(axis=0) + 200.0
    with pytest.raises(InputError, match="of the scan has a partner on the other side of the mirror plane"):
        find_plane(lone.scan, beside, (1.0, 1.0, 1.0))
    with pytest.raises(ValueError, match="normal"):
        find_plane(lone.scan, beside, (0.0, 0.0, 0.0))


@pytest.mark.parametrize("far_mm", [110.0, 170.0])
def test_partners_of_other_length_and_sense(far_mm):
    """Half of the opposite stay is enough, whichever way it is followed."""
    made = frame("s_stay", 3, far_mm=far_mm)
    broken = isolate_tube(made.scan, made.damage)
    turned = isolate_tube(made.scan, Damage(made.damage.to_mm, made.damage.from_mm))
    others = find_tubes(made.scan, apart_from=broken)
    assert min(length_of(tube) for tube in others) < far_mm + 5.0
    for tube in (broken, turned):
        point, normal = guess_planes(made.scan, tube, others)[0]
        assert abs((point - POINT) @ NORMAL) < 1.0
        assert np.degrees(np.arcsin(np.linalg.norm(np.cross(normal, NORMAL)))) < 1.0
        plane = find_plane(made.scan, point, normal)
        assert off(plane)[0] < AIM_MM
        assert off(plane)[1] < AIM_DEG


def test_no_guess_where_nothing_is_alike():
    """A stay bent to 400 mm and a straight bar are not each other's mirror image."""
    made = frame("tight_stay", 4)
    broken = isolate_tube(made.scan, made.damage)
    bar = [tube for tube in find_tubes(made.scan, apart_from=broken) if tube.radius_mm > 12.0]
    assert len(bar) == 1
    assert guess_planes(made.scan, broken, []) == []
    for point, normal in guess_planes(made.scan, broken, bar):
        # Two tubes that cross have planes between them; they can't be the frame's.
        assert abs((point - POINT) @ NORMAL) > 1.0 or abs(normal @ NORMAL) < 0.99


def test_plane_between_two_curves_in_closed_form(stays):
    """A space curve and its exact reflection: the plane comes back, and slides off it fit worse."""
    broken = isolate_tube(stays.scan, stays.damage)
    u = np.linspace(*broken.flank_mm, num=50)
    there = reflected(broken.spine.points(u), POINT, NORMAL)
    other = replace(
        broken.spine, curve=replace_curve(broken.spine.curve, lambda c: reflected(c, POINT, NORMAL))
    )
    np.testing.assert_allclose(other.points(u), there, atol=1e-9)
    stations = u[None, :] + np.array([-4.0, 0.0, 4.0])[:, None]
    points, normals, rms, share = _planes(broken.spine.points(u), other, stations, broken.flank_mm)
    assert abs((points[1] - POINT) @ NORMAL) < 1e-9
    assert abs(normals[1] @ NORMAL) == pytest.approx(1.0, abs=1e-9)
    assert rms[1] < 1e-5
    assert (rms[[0, 2]] > 0.05).all()
    assert share[1] == 1.0
    assert (share[[0, 2]] < 1.0).all()


def replace_curve(curve, change):
    """The spline whose coefficients were changed by an affine map, and so its points."""
    return type(curve)(curve.t, change(curve.c), curve.k)


def test_same_input_same_bytes(stays):
    one, two = (find_plane(stays.scan, POINT, NORMAL) for _ in range(2))
    assert one.point_mm.tobytes() == two.point_mm.tobytes()
    assert one.normal.tobytes() == two.normal.tobytes()
