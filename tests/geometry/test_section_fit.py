"""Circle and ellipse of a section against published examples, exact answers, statistics and laws."""

import numpy as np
import pytest

from gaploft.errors import EvidenceError
from gaploft.tube.ellipse_foot import ellipse_foot
from gaploft.tube.section_fit import fit_section_circle, fit_section_ellipse

# W. Gander, G. H. Golub, R. Strebel, "Least-squares fitting of circles and ellipses", BIT 34 (1994)
# 558-578. The points and the printed four decimals are from memory; the further digits were computed
# independently and agree with the four.
GANDER_CIRCLE = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], dtype=float)
GANDER_ELLIPSE = np.vstack([GANDER_CIRCLE, [(6, 2), (8, 4)]])
PRINTED = 1e-6  # relative; those digits come from searches that stop a little short of the optimum


def ellipse_points(theta, *, centre=(0.0, 0.0), half_axes=(17.0, 15.0), angle=0.0):
    """Points and unit normals of an ellipse at eccentric angles."""
    a, b = half_axes
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    points = np.column_stack([a * np.cos(theta), b * np.sin(theta)])
    normals = np.column_stack([b * np.cos(theta), a * np.sin(theta)])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return points @ turn.T + np.asarray(centre), normals @ turn.T


def even_angles(n):
    return 2 * np.pi * np.arange(n) / n


def angle_between_axes(one_rad, other_rad):
    """Difference of two directions without sense."""
    return abs((one_rad - other_rad + np.pi / 2) % np.pi - np.pi / 2)


def distances_by_search(points, ellipse, n=20_000):
    """Distances to an ellipse by looking at many of its points: the naive way."""
    curve, _ = ellipse_points(
        even_angles(n), centre=ellipse[:2], half_axes=(ellipse[2], ellipse[3]), angle=ellipse[4]
    )
    return np.linalg.norm(points[:, None] - curve, axis=2).min(axis=1)


# --- published worked example -------------------------------------------------------------------


def test_circle_of_gander_golub_and_strebel():
    circle = fit_section_circle(GANDER_CIRCLE)
    np.testing.assert_allclose(circle.centre_mm, [4.7397824, 2.9835328], rtol=PRINTED)
    assert circle.radius_mm == pytest.approx(4.7142259, rel=PRINTED)
    assert 6 * circle.rms_mm**2 == pytest.approx(1.2275991, rel=PRINTED)


def test_ellipse_of_gander_golub_and_strebel():
    ellipse = fit_section_ellipse(GANDER_ELLIPSE)
    np.testing.assert_allclose(ellipse.centre_mm, [2.6996122, 3.8159567], rtol=PRINTED)
    np.testing.assert_allclose(ellipse.half_axes_mm, [6.5187222, 3.0318860], rtol=PRINTED)
    assert ellipse.angle_rad == pytest.approx(0.3596243, rel=PRINTED)
    # the other stationary point of these data, a huge thin ellipse, has 2.7706
    assert 8 * ellipse.rms_mm**2 == pytest.approx(1.3733055, rel=PRINTED)


def test_ellipse_is_the_lowest_of_all_around_it_by_naive_distances():
    fit = fit_section_ellipse(GANDER_ELLIPSE)
    best = np.array([*fit.centre_mm, *fit.half_axes_mm, fit.angle_rad])
    least = np.sum(distances_by_search(GANDER_ELLIPSE, best) ** 2)
    assert least == pytest.approx(
        8 * fit.rms_mm**2, abs=8 * 1.5 * 0.001**2
    )  # half a step of the curve's points
    rng = np.random.default_rng(1)
    for size in (0.01, 0.1, 1.0):
        for step in rng.normal(0.0, size, (40, 5)):
            other = best + step
            other[2:4] = np.abs(other[2:4]) + 0.1
            assert np.sum(distances_by_search(GANDER_ELLIPSE, other, 4_000) ** 2) > least


# --- data with an exactly known answer ----------------------------------------------------------
# A residual orthogonal to every column of the Jacobian leaves the nominal shape the least-squares answer.
# Idea: M. G. Cox, A. B. Forbes, "Strategies for testing assessment software", NPL report DITC 211/92
# (title seen in a reference list, content from memory).


@pytest.mark.parametrize("k", [2, 3, 5])
def test_lobes_leave_the_circle_where_it_is(k):
    theta, lobe_mm = even_angles(72), 0.3
    radius = 16.0 + lobe_mm * np.cos(k * theta)
    circle = fit_section_circle(np.array([3.0, -4.0]) + (radius * [np.cos(theta), np.sin(theta)]).T)
    np.testing.assert_allclose(circle.centre_mm, [3.0, -4.0], atol=1e-9 * 16)
    assert circle.radius_mm == pytest.approx(16.0, rel=1e-9)
    # for k = 2 an oval section: a circle fit shows it in the rms only
    assert circle.rms_mm == pytest.approx(lobe_mm / np.sqrt(2), rel=1e-9)


@pytest.mark.parametrize(
    ("half_axes", "angle"),
    [((17.0, 15.0), 0.4), ((20.0, 10.0), -1.3), ((16.0, 16.0), 0.0), ((16.0, 15.999), 0.7)],
)
def test_null_space_residuals_leave_the_ellipse_where_it_is(half_axes, angle):
    centre = np.array([31.0, -12.0])
    theta = even_angles(90)
    points, normals = ellipse_points(theta, centre=centre, half_axes=half_axes, angle=angle)
    # the ellipse as centre + M (cos, sin) with M symmetric: its five derivatives along the normal
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    unit = np.column_stack([np.cos(theta), np.sin(theta)]) @ turn.T
    (nx, ny), (ex, ey) = normals.T, unit.T
    jacobian = np.column_stack([nx, ny, nx * ex, nx * ey + ny * ex, ny * ey])
    noise = np.random.default_rng(2).normal(0.0, 0.05, len(theta))
    residual = noise - jacobian @ np.linalg.lstsq(jacobian, noise, rcond=None)[0]

    ellipse = fit_section_ellipse(points + residual[:, None] * normals)
    np.testing.assert_allclose(ellipse.centre_mm, centre, atol=1e-9 * half_axes[0])
    np.testing.assert_allclose(ellipse.half_axes_mm, half_axes, rtol=1e-9)
    assert ellipse.rms_mm == pytest.approx(np.sqrt(np.mean(residual**2)), rel=1e-9)
    if half_axes[0] != half_axes[1]:
        ovality = 1.0 - half_axes[1] / half_axes[0]
        assert angle_between_axes(ellipse.angle_rad, angle) < 1e-9 / ovality


# --- what noise does ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arc_deg", "sd_ratio"), [(360, 0.03162), (180, 0.07250), (90, 0.32446), (60, 0.75264), (30, 3.06883)]
)
def test_radius_scatters_as_the_arc_allows(arc_deg, sd_ratio):
    """Standard deviation of R over that of the noise, 1000 even points: closed form, from the inverse of
    the normal matrix of the circle's distances."""
    n, runs, noise_mm = 1000, 300, 0.005
    theta = np.radians(np.linspace(0.0, arc_deg, n, endpoint=arc_deg < 360))
    away = np.column_stack([np.cos(theta), np.sin(theta), np.ones(n)])
    assert np.sqrt(np.linalg.inv(away.T @ away)[2, 2]) == pytest.approx(sd_ratio, abs=1e-5)

    rng = np.random.default_rng(arc_deg)
    fits = [
        fit_section_circle(
            (16.0 + rng.normal(0.0, noise_mm, (n, 1))) * away[:, :2], min_arc_deg=0.9 * arc_deg
        ).radius_mm
        for _ in range(runs)
    ]
    # the sample sd of so many runs scatters by 1/sqrt(2 (runs - 1)); four of those
    assert np.std(fits, ddof=1) / noise_mm == pytest.approx(sd_ratio, rel=4 / np.sqrt(2 * (runs - 1)))
    # and there is no pull on the mean beyond its own scatter plus the bias of second order, sd²/R
    sd = sd_ratio * noise_mm
    assert abs(np.mean(fits) - 16.0) < 4 * sd / np.sqrt(runs) + sd**2 / 16.0


def test_ellipse_half_axes_scatter_as_the_normal_matrix_says():
    n, runs, noise_mm = 360, 200, 0.02
    points, normals = ellipse_points(even_angles(n), half_axes=(20.0, 14.0))
    cos, sin = np.cos(even_angles(n)), np.sin(even_angles(n))
    # along the axes of this ellipse the matrix entries are the half axes themselves
    jacobian = np.column_stack(
        [normals, normals[:, 0] * cos, normals[:, 0] * sin + normals[:, 1] * cos, normals[:, 1] * sin]
    )
    expected = noise_mm * np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian))[[2, 4]])
    rng = np.random.default_rng(5)
    fits = [
        fit_section_ellipse(points + rng.normal(0.0, noise_mm, (n, 1)) * normals).half_axes_mm
        for _ in range(runs)
    ]
    np.testing.assert_allclose(np.std(fits, axis=0, ddof=1), expected, rtol=4 / np.sqrt(2 * (runs - 1)))


# --- laws ---------------------------------------------------------------------------------------


@pytest.fixture
def noisy_section():
    rng = np.random.default_rng(7)
    points, normals = ellipse_points(
        even_angles(200)[20:170], centre=(4.0, 9.0), half_axes=(20.0, 14.0), angle=0.6
    )
    return points + rng.normal(0.0, 0.05, (len(points), 1)) * normals


def test_fits_move_with_the_points(noisy_section):
    angle, shift, centre = 2.1, np.array([900.0, -350.0]), np.array([4.0, 9.0])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    moved = (noisy_section - centre) @ turn.T + shift
    tolerance = 1e-9 * np.ptp(moved)  # coordinates of 900 mm carry the rounding
    before, after = fit_section_circle(noisy_section), fit_section_circle(moved)
    np.testing.assert_allclose(after.centre_mm, turn @ (before.centre_mm - centre) + shift, atol=tolerance)
    assert after.radius_mm == pytest.approx(before.radius_mm, abs=tolerance)
    before, after = fit_section_ellipse(noisy_section), fit_section_ellipse(moved)
    np.testing.assert_allclose(after.centre_mm, turn @ (before.centre_mm - centre) + shift, atol=tolerance)
    np.testing.assert_allclose(after.half_axes_mm, before.half_axes_mm, atol=tolerance)
    assert angle_between_axes(after.angle_rad, before.angle_rad + angle) < tolerance


def test_mirrored_points_give_the_mirrored_ellipse(noisy_section):
    before, after = fit_section_ellipse(noisy_section), fit_section_ellipse(noisy_section * [-1.0, 1.0])
    np.testing.assert_allclose(after.centre_mm, before.centre_mm * [-1.0, 1.0], atol=1e-9 * 20)
    assert angle_between_axes(after.angle_rad, -before.angle_rad) < 1e-9


@pytest.mark.parametrize("factor", [1e-3, 25.4, 1e4])
def test_fits_scale_with_the_points(noisy_section, factor):
    before, after = fit_section_circle(noisy_section), fit_section_circle(factor * noisy_section)
    assert after.radius_mm == pytest.approx(factor * before.radius_mm, rel=1e-9)
    assert after.rms_mm == pytest.approx(factor * before.rms_mm, rel=1e-9)
    before, after = fit_section_ellipse(noisy_section), fit_section_ellipse(factor * noisy_section)
    np.testing.assert_allclose(after.half_axes_mm, factor * before.half_axes_mm, rtol=1e-9)
    assert after.rms_mm == pytest.approx(factor * before.rms_mm, rel=1e-9)


def test_order_of_the_points_does_not_count(noisy_section):
    shuffled = np.random.default_rng(3).permutation(noisy_section)
    one, other = fit_section_circle(noisy_section), fit_section_circle(shuffled)
    np.testing.assert_allclose(one.centre_mm, other.centre_mm, atol=1e-9 * 20)
    one, other = fit_section_ellipse(noisy_section), fit_section_ellipse(shuffled)
    np.testing.assert_allclose(one.half_axes_mm, other.half_axes_mm, atol=1e-9 * 20)


def test_five_points_of_an_ellipse_give_it_back():
    points, _ = ellipse_points(
        np.array([0.1, 1.2, 2.7, 3.9, 5.3]), centre=(1.0, 2.0), half_axes=(20.0, 10.0), angle=1.2
    )
    ellipse = fit_section_ellipse(points)
    np.testing.assert_allclose(ellipse.half_axes_mm, [20.0, 10.0], rtol=1e-9)
    assert ellipse.angle_rad == pytest.approx(1.2, abs=1e-9)


@pytest.mark.parametrize("angle", [0.0, np.pi / 2])
def test_angle_of_ellipses_along_the_axes(angle):
    points, _ = ellipse_points(even_angles(60), half_axes=(20.0, 10.0), angle=angle)
    assert angle_between_axes(fit_section_ellipse(points).angle_rad, angle) < 1e-9


# --- nearest point on an ellipse ----------------------------------------------------------------


def test_ellipse_foot_agrees_with_looking_at_many_points():
    points = np.random.default_rng(11).uniform(-25.0, 25.0, (200, 2))
    foot, distance = ellipse_foot(points, np.array([9.0, 17.0]))
    np.testing.assert_allclose((foot[:, 0] / 9) ** 2 + (foot[:, 1] / 17) ** 2, 1.0, rtol=1e-13)
    # the nearest of 20,000 points is at most half a step, 0.003 mm, aside of the foot; the parallel part of
    # that adds aside²/2 (1/d + curvature)
    naive = distances_by_search(points, (0.0, 0.0, 9.0, 17.0, 0.0))
    np.testing.assert_allclose(np.abs(distance), naive, atol=0.003**2 / np.abs(distance).min())
    inside = (points[:, 0] / 9) ** 2 + (points[:, 1] / 17) ** 2 < 1.0
    assert np.array_equal(distance < 0.0, inside)


def test_ellipse_foot_on_the_axes_and_at_the_centre():
    """Closed forms: inside the evolute the nearest points of the long axis are not its ends."""
    a, b = 20.0, 14.0
    points = np.array([[0.0, 0.0], [30.0, 0.0], [0.0, -20.0], [5.0, 0.0], [15.0, 0.0], [a, 0.0]])
    foot, distance = ellipse_foot(points, np.array([a, b]))
    x = a**2 * 5.0 / (a**2 - b**2)
    y = b * np.sqrt(1.0 - (x / a) ** 2)
    expected = [[0.0, b], [a, 0.0], [0.0, -b], [x, y], [a, 0.0], [a, 0.0]]
    # a point on the axis is taken 1e-12 b off it, which the square root at the end of the axis makes 1e-6
    np.testing.assert_allclose(foot, expected, atol=1e-9 * a)
    np.testing.assert_allclose(distance, [-b, 10.0, 6.0, -np.hypot(x - 5.0, y), -5.0, 0.0], atol=1e-10 * a)


# --- refusals -----------------------------------------------------------------------------------

FITS = pytest.mark.parametrize("fit", [fit_section_circle, fit_section_ellipse])


@FITS
@pytest.mark.parametrize("points", [np.zeros((5, 3)), np.zeros(10)])
def test_wrong_shape_is_a_wrong_call(fit, points):
    with pytest.raises(ValueError, match=r"shape \(n, 2\)"):
        fit(points)


@FITS
def test_not_a_number_is_a_wrong_call(fit):
    points, _ = ellipse_points(even_angles(20))
    points[3, 1] = np.nan
    with pytest.raises(ValueError, match="finite"):
        fit(points)


@pytest.mark.parametrize(("fit", "n"), [(fit_section_circle, 2), (fit_section_ellipse, 4)])
def test_too_few_points(fit, n):
    with pytest.raises(EvidenceError, match=f"this section has {n}"):
        fit(ellipse_points(even_angles(n))[0])


@FITS
@pytest.mark.parametrize("direction", [(1.0, 0.0), (0.3, -0.7), (0.0, 0.0)])
def test_points_on_one_line_or_one_spot(fit, direction):
    with pytest.raises(EvidenceError, match="on one line"):
        fit(np.array([500.0, 80.0]) + np.arange(30)[:, None] * np.asarray(direction))


def test_short_arc_of_a_circle():
    points, _ = ellipse_points(np.radians(np.linspace(10, 55, 30)), half_axes=(16.0, 16.0))
    with pytest.raises(EvidenceError, match="cover 45 degrees of its circle, at least 60"):
        fit_section_circle(points)
    assert fit_section_circle(points, min_arc_deg=40.0).radius_mm == pytest.approx(16.0, rel=1e-9)


def test_short_arc_of_an_ellipse():
    points, _ = ellipse_points(np.radians(np.linspace(10, 100, 30)))
    with pytest.raises(EvidenceError, match="cover 90 degrees of its ellipse, at least 120"):
        fit_section_ellipse(points)


def test_points_of_a_hyperbola_have_no_ellipse():
    x = np.linspace(-5.0, 5.0, 41)
    with pytest.raises(EvidenceError, match="degrees of its ellipse"):
        fit_section_ellipse(np.column_stack([x, np.sqrt(4.0 + x**2)]))
