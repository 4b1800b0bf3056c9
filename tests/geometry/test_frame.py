"""The machine's frame: spheres and motions against closed forms, published data and another library.

Spheres stand on made-up fixtures; noise and seeds are fixed.
"""

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from gaploft.errors import InputError
from gaploft.scan.frame import Frame, moved_normals, moved_points, points_frame, rigid_motion
from gaploft.scan.sphere_fit import fit_sphere
from gaploft.scan.sphere_frame import fit_frame, place_covariance, spheres_frame
from gaploft.scan.sphere_search import near_sphere, search_sphere

RADIUS, NOISE = 10.0, 0.03
#: Where the machine has four spheres: no two distances alike, not all in one plane.
AT = np.array([[0.0, 0.0, 0.0], [150.0, 0.0, 0.0], [20.0, 90.0, 0.0], [120.0, 70.0, 35.0]])
#: From the machine's frame into that of the scan.
TURN, SHIFT = Rotation.from_rotvec([0.4, -0.7, 0.3]), np.array([210.0, -95.0, 40.0])
CENTRES = TURN.apply(AT) + SHIFT


def directions(rng, n, *, cap_deg=180.0):
    """Unit vectors even over a cap about +z."""
    z, turn = rng.uniform(np.cos(np.radians(cap_deg)), 1.0, n), rng.uniform(0.0, 2.0 * np.pi, n)
    side = np.sqrt(1.0 - z * z)
    return np.column_stack([side * np.cos(turn), side * np.sin(turn), z])


def ball(rng, centre, *, n=2500, radius=RADIUS, noise=NOISE, cap_deg=180.0):
    way = directions(rng, n, cap_deg=cap_deg)
    return centre + way * (radius + noise * rng.standard_normal(n))[:, None]


def wall(rng, *, radius=16.0, n=200_000):
    """A tube along z in the scan's frame, far denser than the spheres."""
    u, v = rng.uniform(-60.0, 60.0, n), rng.uniform(0.0, 2.0 * np.pi, n)
    off = radius + 0.02 * rng.standard_normal(n)
    return np.column_stack([off * np.cos(v), off * np.sin(v), u])


def fixture(seed=1, centres=CENTRES, **how):
    rng = np.random.default_rng(seed)
    return np.concatenate([ball(rng, centre, **how) for centre in centres])


def fitted(points, start, radius=RADIUS):
    near = near_sphere(points, start, radius)
    return fit_sphere(near, *search_sphere(near, start, radius, name="sphere 1"), name="sphere 1")


def test_errors_that_no_sphere_can_take_up_leave_the_nominal_one():
    """Null-space data after Cox and Forbes (NPL report DITC 211/92, from memory).

    A cos(3 turn) along the normal, evenly around each latitude, is orthogonal to all four derivatives of the
    distance, 1, cos, sin and height; so the least-squares sphere is the nominal one and the rms A / sqrt(2).
    """
    turn, z = np.meshgrid(np.arange(72) * np.pi / 36.0, np.linspace(-0.95, 0.95, 39), indexing="ij")
    side = np.sqrt(1.0 - z * z)
    way = np.stack([side * np.cos(turn), side * np.sin(turn), z], axis=-1).reshape(-1, 3)
    centre = np.array([3.0, -4.0, 25.0])
    points = centre + way * (RADIUS + 0.05 * np.cos(3.0 * turn.ravel()))[:, None]
    sphere = fitted(points, centre + [2.0, -3.0, 1.0])
    np.testing.assert_allclose(sphere.centre_mm, centre, atol=1e-9 * RADIUS)
    assert sphere.radius_mm == pytest.approx(RADIUS, abs=1e-9 * RADIUS)
    assert sphere.rms_mm == pytest.approx(0.05 / np.sqrt(2.0), rel=1e-9)
    assert sphere.points == len(points)


@pytest.mark.parametrize(
    ("cap_deg", "along", "sideways", "radius"),
    [(180.0, 3.0, 3.0, 1.0), (90.0, 12.0, 3.0, 4.0)],
    ids=["sphere", "half"],
)
def test_uncertainty_is_that_of_the_closed_form(cap_deg, along, sideways, radius):
    """Variances times n / noise^2 from the inverse of the normal equations, heights even over the cap.

    Whole sphere: means of squared directions are 1/3, so 3 and 1. Half: heights have mean 1/2 and variance
    1/12, so along its axis 1 / (1/12) = 12, radius (1/3) / (1/12) = 4, sideways 1 / (1/3) = 3.
    """
    found = []
    for seed in range(12):
        points = ball(np.random.default_rng(seed), np.zeros(3), n=3000, cap_deg=cap_deg)
        sphere = fit_sphere(points, np.array([0.2, 0.1, -0.2]), 10.2, name="sphere 1")
        found.append([*np.diag(sphere.covariance_mm2), sphere.radius_u_mm**2])
    wanted = NOISE**2 / 3000 * np.array([sideways, sideways, along, radius])
    # Tukey's weights have an efficiency of 95 %, correlation that isn't there may add some more.
    assert (np.mean(found, axis=0) > 0.95 * wanted).all()
    assert (np.mean(found, axis=0) < 1.25 * wanted).all()


@pytest.mark.parametrize("blur_mm", [0.0, 1.0], ids=["independent", "correlated"])
def test_95_percent_intervals_hold_the_centre(blur_mm):
    inside = []
    for seed in range(70):
        rng = np.random.default_rng(seed)
        way = directions(rng, 900, cap_deg=100.0)
        noise = rng.standard_normal(len(way))
        if blur_mm:
            pairs = cKDTree(way * RADIUS).sparse_distance_matrix(cKDTree(way * RADIUS), 3.0 * blur_mm)
            blur = pairs.tocsr()
            blur.data = np.exp(-0.5 * (blur.data / blur_mm) ** 2)
            blur.setdiag(1.0)
            noise = blur @ noise / np.sqrt(np.asarray(blur.multiply(blur).sum(axis=1)).ravel())
        points = way * (RADIUS + NOISE * noise)[:, None]
        sphere = fit_sphere(points, np.array([0.1, -0.2, 0.1]), 10.1, name="sphere 1")
        inside.append(np.abs(sphere.centre_mm) < 1.96 * np.sqrt(np.diag(sphere.covariance_mm2)))
    # Three coordinates of 70 spheres: three standard deviations of a count of 210 at 95 % are 4.5 %.
    assert 0.905 <= np.mean(inside) <= 0.995


def test_walls_close_by_are_left_out():
    """The sphere touches a tube ten times as dense, stands on a stem and has spikes about it."""
    rng = np.random.default_rng(3)
    centre = np.array([26.0, 0.0, 8.0])
    turn, along = rng.uniform(0.0, 2.0 * np.pi, 4000), rng.uniform(9.0, 35.0, 4000)
    stem = centre + np.column_stack([3.0 * np.cos(turn), along, 3.0 * np.sin(turn)])
    own = ball(rng, centre, n=4000)
    own = own[(np.hypot(*(own - centre)[:, ::2].T) > 3.0) | (own[:, 1] < 0.0)]
    spikes = centre + directions(rng, 120) * rng.uniform(8.5, 12.0, 120)[:, None]
    scan = np.concatenate([wall(rng), stem, own, spikes])
    for start in (centre, centre + [0.0, 0.0, 10.0], centre + [6.0, -6.0, 5.0]):
        sphere = fitted(scan, start)
        away = np.linalg.solve(sphere.covariance_mm2, sphere.centre_mm - centre) @ (sphere.centre_mm - centre)
        assert away < 16.3, "chi squared of three has 99.9 % below 16.27, by the tables"
        assert sphere.u_mm < 0.002
        assert sphere.radius_mm == pytest.approx(RADIUS, abs=4.0 * sphere.radius_u_mm)
        assert sphere.rms_mm == pytest.approx(NOISE, rel=0.1)


def test_sphere_follows_the_scan_wherever_it_lies_and_in_any_order():
    points = fixture(centres=CENTRES[:1])
    one = fitted(points, CENTRES[0])
    order = np.random.default_rng(0).permutation(len(points))
    turn, shift = Rotation.from_rotvec([1.0, 0.2, -2.0]), np.array([-300.0, 20.0, 70.0])
    two = fitted(turn.apply(points[order]) + shift, turn.apply(CENTRES[0]) + shift + [0.0, 4.0, -3.0])
    np.testing.assert_allclose(two.centre_mm, turn.apply(one.centre_mm) + shift, atol=0.2 * one.u_mm)
    np.testing.assert_array_equal(fitted(points, CENTRES[0]).centre_mm, one.centre_mm)


def test_radius_need_not_be_known():
    points = np.concatenate([fixture(radius=6.5), wall(np.random.default_rng(5))])
    frame = spheres_frame(points, CENTRES[:3] + [2.0, 1.0, -2.0])
    for sphere, centre in zip(frame.spheres, CENTRES, strict=False):
        assert sphere.radius_mm == pytest.approx(6.5, abs=4.0 * sphere.radius_u_mm)
        assert np.linalg.norm(sphere.centre_mm - centre) < 4.0 * sphere.u_mm


def test_single_precision_is_taken_as_it_is():
    points = fixture()
    frame = spheres_frame(points.astype(np.float32), CENTRES, radius_mm=RADIUS, at_mm=AT)
    exact = spheres_frame(points, CENTRES, radius_mm=RADIUS, at_mm=AT)
    # float32 has steps of 1.5e-5 up to 256 mm; a centre is a mean of many.
    np.testing.assert_allclose(frame.matrix, exact.matrix, atol=1.6e-5)


def test_three_points_make_the_frame():
    matrix = points_frame(CENTRES[:3]).matrix
    np.testing.assert_allclose(matrix[:3, :3], TURN.inv().as_matrix(), atol=1e-12)
    assert np.linalg.det(matrix[:3, :3]) == pytest.approx(1.0, abs=1e-12)
    frame = fit_frame(np.zeros((0, 3)), points_mm=CENTRES[:3])
    np.testing.assert_allclose(moved_points(frame, CENTRES), AT, atol=1e-9 * 300.0)
    np.testing.assert_allclose(moved_normals(frame, TURN.apply(np.eye(3))), np.eye(3), atol=1e-12)
    assert frame.largest_mm == 0.0
    assert frame.words == "machine frame by three points"


def test_without_anything_asked_the_frame_is_that_of_the_scan():
    frame = fit_frame(np.zeros((0, 3)))
    np.testing.assert_array_equal(frame.matrix, np.eye(4))
    assert (frame.kind, frame.owner, frame.words) == ("scan", "scan", "frame of the scan")


def test_motion_is_that_of_the_published_example():
    """Umeyama 1991, points as in the paper; without scale t and the mean squared error were recomputed.

    Without the sign term a reflection would bring the error to nothing.
    """
    one, two = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]]), np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]])
    matrix = rigid_motion(one, two)
    np.testing.assert_allclose(matrix[:2, :2], [[0.8320503, 0.5547002], [-0.5547002, 0.8320503]], atol=5e-8)
    np.testing.assert_allclose(matrix[:2, 2], [-0.9804836, 0.2968665], atol=5e-8)
    error = ((one @ matrix[:2, :2].T + matrix[:2, 2] - two) ** 2).sum(axis=1).mean()
    assert error == pytest.approx(0.6197550, abs=5e-8)


@pytest.mark.parametrize("mirror", [1.0, -1.0])
def test_motion_is_that_of_another_library(mirror):
    aim = AT + np.random.default_rng(7).normal(0.0, 0.5, AT.shape)
    aim[:, 2] *= mirror
    ours = rigid_motion(CENTRES, aim)
    theirs, _ = Rotation.align_vectors(aim - aim.mean(axis=0), CENTRES - CENTRES.mean(axis=0))
    np.testing.assert_allclose(ours[:3, :3], theirs.as_matrix(), atol=1e-9)
    np.testing.assert_allclose(ours[:3, :3] @ CENTRES.mean(axis=0) + ours[:3, 3], aim.mean(axis=0), atol=1e-9)


@pytest.mark.parametrize("n", [3, 4])
def test_spheres_bring_the_scan_to_where_the_machine_has_it(n):
    rng = np.random.default_rng(11)
    starts = CENTRES[:n] + 9.0 * directions(rng, n)
    frame = spheres_frame(fixture(), starts, radius_mm=RADIUS, at_mm=AT[:n])
    assert (frame.owner, frame.words) == ("machine", "machine frame by fixture spheres")
    spread = np.sqrt(np.trace(place_covariance(frame, CENTRES), axis1=1, axis2=2))
    assert (np.linalg.norm(moved_points(frame, CENTRES) - AT, axis=1) < 3.0 * spread).all()
    assert (spread < 0.01).all()
    left = moved_points(frame, np.array([s.centre_mm for s in frame.spheres])) - AT[:n]
    np.testing.assert_array_equal(frame.residuals_mm, left)
    assert frame.largest_mm == np.linalg.norm(left, axis=1).max() < 0.01


def test_three_spheres_without_places_are_like_three_points():
    frame = spheres_frame(fixture(), CENTRES[:3], radius_mm=RADIUS)
    centres = np.array([sphere.centre_mm for sphere in frame.spheres])
    np.testing.assert_array_equal(frame.matrix, points_frame(centres).matrix)
    assert frame.residuals_mm.shape == (0, 3)
    assert np.abs(moved_points(frame, CENTRES) - AT).max() < 0.01
    more = spheres_frame(fixture(), CENTRES, radius_mm=RADIUS)
    np.testing.assert_array_equal(more.matrix, frame.matrix)
    assert len(more.spheres) == 4
    spread = place_covariance(frame, CENTRES)
    np.testing.assert_allclose(place_covariance(more, CENTRES), spread, rtol=1e-6, atol=1e-15)


def test_a_wrong_place_shows_in_the_residuals():
    """0.06 mm put into one place: what is left over at all spheres adds up to nothing."""
    at = AT + [[0.0, 0.0, 0.0], [0.06, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]]
    frame = spheres_frame(fixture(), CENTRES, radius_mm=RADIUS, at_mm=at)
    np.testing.assert_allclose(frame.residuals_mm.sum(axis=0), 0.0, atol=1e-9)
    assert 0.02 < frame.largest_mm < 0.06


def test_spread_of_places_grows_with_the_lever():
    """The law of propagation, by hand: on the line through the first two centres, at s times their distance,
    a place moves sideways by (1 - s) times the first one's error and s times the second's, and along the line
    by the first one's."""
    frame = spheres_frame(fixture(n=6000), CENTRES[:3], radius_mm=RADIUS)
    first, second = (sphere.centre_mm for sphere in frame.spheres[:2])
    own = [moved_normals(frame, moved_normals(frame, s.covariance_mm2).T) for s in frame.spheres]
    for s in (0.0, 0.5, 1.0, 3.0):
        spread = place_covariance(frame, (first + s * (second - first))[None])[0]
        sideways = (1.0 - s) ** 2 * own[0] + s**2 * own[1]
        assert spread[1, 1] == pytest.approx(sideways[1, 1], rel=1e-6)
        assert spread[0, 0] == pytest.approx(own[0][0, 0], rel=1e-6)


def test_95_percent_ellipsoids_hold_what_was_moved():
    """Chi squared of three has 95 % below 7.815, by the tables; 60 scans, one place far from the spheres."""
    place, held = np.array([[300.0, 40.0, 80.0]]), []
    for seed in range(60):
        points = fixture(seed, CENTRES[:3], n=500, cap_deg=110.0)
        frame = spheres_frame(points, CENTRES[:3], radius_mm=RADIUS, at_mm=AT[:3])
        off = (moved_points(frame, TURN.apply(place) + SHIFT) - place)[0]
        spread = place_covariance(frame, TURN.apply(place) + SHIFT)[0]
        held.append(off @ np.linalg.solve(spread, off) < 7.815)
    # Three standard deviations of a count of 60 at 95 % are 8.4 %.
    assert np.mean(held) >= 0.86


def refused(match, points, starts=CENTRES[:3], **how):
    with pytest.raises(InputError, match=match) as caught:
        spheres_frame(points, starts, **how)
    assert "\n" not in str(caught.value)


def test_points_that_set_no_directions_are_refused():
    for points in (
        [[0, 0, 0], [50, 0, 0], [100, 0.1, 0]],
        [[0, 0, 0], [0.1, 0, 0], [0, 90, 0]],
        [[0, 0, 0], [0, 0.1, 0], [0.1, 0, 0]],
    ):
        with pytest.raises(InputError, match="too close together or nearly on a line"):
            points_frame(points)
    line = CENTRES[0] + np.array([[0.0], [60.0], [130.0]]) * [1.0, 0.0, 0.0]
    refused("the spheres that set the frame lie", fixture(centres=line), line, radius_mm=RADIUS)
    flat = AT[:3] * [1.0, 0.0, 0.0]
    refused("places of the spheres in the machine's frame lie", fixture(), radius_mm=RADIUS, at_mm=flat)


def test_number_of_spheres_that_sets_no_frame_is_refused():
    refused("at least 3 spheres, 2 are given", fixture(), CENTRES[:2], radius_mm=RADIUS)
    refused("at least 3 spheres, 1 is given", fixture(), CENTRES[:1], radius_mm=RADIUS)


@pytest.mark.parametrize("radius_mm", [RADIUS, None])
def test_centres_far_from_the_scan_are_refused(radius_mm):
    starts = CENTRES[:3] + [[0.0, 0.0, 0.0], [0.0, 300.0, 0.0], [0.0, 0.0, 0.0]]
    refused(r"no scan points lie near sphere 2 at \(", fixture(), starts, radius_mm=radius_mm)


@pytest.mark.parametrize(("radius_mm", "advice"), [(RADIUS, "or the radius"), (None, "or give the radius")])
def test_walls_without_a_sphere_are_refused(radius_mm, advice):
    points = wall(np.random.default_rng(1))
    starts = np.array([[20.0, 0.0, -30.0], [0.0, 22.0, 0.0], [-21.0, 0.0, 30.0]])
    refused(f"no sphere.* stands out of the scan at sphere 1.*{advice}", points, starts, radius_mm=radius_mm)


def test_a_handful_of_points_is_refused():
    refused("no sphere of radius 10 mm stands out", fixture(n=8), radius_mm=RADIUS)
    few = ball(np.random.default_rng(1), np.zeros(3), n=25)
    with pytest.raises(InputError, match="only 25 scan points lie on sphere 2, at least 30"):
        fit_sphere(few, np.zeros(3), RADIUS, name="sphere 2")


def test_too_little_of_a_sphere_is_refused():
    """A cap of 20 degrees, 400 points, noise 0.03 mm. Heights even over h = 1 - cos 20 have a variance of
    h^2 / 12, so the centre is known to 0.03 sqrt(12 / 400) / h = 0.086 mm along the axis, 95 % to 0.17 mm."""
    refused("too little of sphere 1 was scanned", fixture(n=400, cap_deg=20.0), radius_mm=RADIUS)
    flat = np.random.default_rng(1).uniform(-3.0, 3.0, (500, 3)) * [1.0, 1.0, 0.0] + [0.0, 0.0, RADIUS]
    with pytest.raises(InputError, match="too little of sphere 3 was scanned to know its centre: scan more"):
        fit_sphere(flat, np.zeros(3), RADIUS, name="sphere 3")


def test_radius_that_is_another_is_refused():
    refused(
        r"sphere 1 has a radius of 10\.30\d mm in the scan, 10\.000", fixture(radius=10.3), radius_mm=RADIUS
    )
    refused("no sphere of radius 5 mm stands out", fixture(), radius_mm=5.0)


def test_one_sphere_for_two_centres_is_refused():
    starts = CENTRES[[0, 1, 0]] + [[0.0, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 3.0, 0.0]]
    refused("spheres 1 and 3 lead to the same sphere", fixture(), starts, radius_mm=RADIUS)


def test_places_that_are_not_those_of_the_fixture_are_refused():
    at = AT[:3] + [[0.0, 0.0, 0.0], [0.5, 0.0, 0.0], [0.0, 0.0, 0.0]]
    refused(r"spheres 1 and 2 are 1\d\d\.\d{3} mm apart .* 150\.500", fixture(), radius_mm=RADIUS, at_mm=at)
    mirrored = AT * [1.0, 1.0, -1.0]
    refused("may be left-handed", fixture(), CENTRES, radius_mm=RADIUS, at_mm=mirrored)


def test_wrong_calls_are_bugs():
    points = fixture(n=50)
    with pytest.raises(ValueError, match="3 points"):
        points_frame(CENTRES)
    with pytest.raises(ValueError, match="not by both"):
        fit_frame(points, points_mm=AT[:3], spheres_mm=AT)
    with pytest.raises(ValueError, match="4 places"):
        spheres_frame(points, CENTRES, at_mm=AT[:3])
    with pytest.raises(ValueError, match="radius_mm"):
        spheres_frame(points, CENTRES[:3], radius_mm=0.0)
    with pytest.raises(ValueError, match="no covariance"):
        place_covariance(Frame("scan", np.eye(4)), AT)
