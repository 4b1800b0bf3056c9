"""The motion of one half from traces along the tube: laws, closed forms and its uncertainty by simulation."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad

from gaploft.evidence.free_motion import measure_motion
from gaploft.evidence.motion import SLIDE, TWIST, Motion, moved
from gaploft.evidence.roughness import roughness_of, wandering
from gaploft.evidence.traces import Traces

Floats = NDArray[np.float64]
NOISE_MM, RADIUS_MM, MIDDLE_MM = 0.004, 16.0, 150.0
AXIS = np.array([0.0, 0.0, 1.0])


def traces(values: Floats | None = None) -> Traces:
    """Two traces of a round tube along z, sideways in x and in y, between 4 and 296 mm with a gap of 60."""
    u = np.concatenate([np.arange(4.0, 120.0, 8.0), np.arange(184.0, 300.0, 8.0)])
    centre = np.array([0.0, 0.0, MIDDLE_MM])
    columns = np.zeros((len(u), 2, 6))
    columns[:, 0, 0] = columns[:, 1, 1] = 1.0
    # A turn about y carries what lies ahead along z towards x; one about x carries it towards -y.
    columns[:, 0, 4], columns[:, 1, 3] = (u - MIDDLE_MM) / RADIUS_MM, -(u - MIDDLE_MM) / RADIUS_MM
    shown = np.zeros((len(u), 2)) if values is None else values
    noise = np.full((len(u), 2), NOISE_MM**2)
    return Traces(u, shown, columns, noise, centre, AXIS, MIDDLE_MM, RADIUS_MM)


def measured(values: Floats) -> Motion:
    found = traces(values)
    roughness = roughness_of(found, found.u > MIDDLE_MM)
    return measure_motion(found, roughness, np.ones(len(found.u), dtype=bool), MIDDLE_MM)


def motion(steps: list[float]) -> Motion:
    directions = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    seen = np.ones(6, dtype=bool)
    return Motion(np.array(steps), np.eye(6), seen, directions, np.array([1.0, 2.0, 3.0]), RADIUS_MM)


def test_wandering_is_white_noise_integrated_three_times() -> None:
    x = np.array([0.1, 0.35, 0.8])
    found = wandering(x)
    for i, a in enumerate(x):
        for j, b in enumerate(x):
            known = quad(lambda t, a=a, b=b: (a - t) ** 2 * (b - t) ** 2 / 4.0, 0.0, min(a, b))[0]
            assert found[i, j] == pytest.approx(known, rel=1e-9)


def test_matrix_of_a_motion_in_closed_form() -> None:
    quarter = motion([0.0, 0.0, 0.0, 0.0, np.pi / 2 * RADIUS_MM, 5.0]).matrix()
    np.testing.assert_allclose(moved(np.array([[2.0, 2.0, 3.0]]), quarter), [[1.0, 3.0, 8.0]], atol=1e-12)


def test_steps_come_back_from_the_matrix() -> None:
    steps = [0.3, -0.2, 0.1, 0.4, -0.2, 0.6]
    known = motion(steps)
    np.testing.assert_allclose(known.at(known.matrix(), known.centre).steps, steps, atol=1e-12)
    elsewhere = known.at(known.matrix(), known.centre + [0.0, 0.0, 40.0])
    np.testing.assert_allclose(elsewhere.matrix(), known.matrix(), atol=1e-12)


def test_twist_that_does_not_stand_out_is_held_at_zero() -> None:
    settled = motion([1.0, 1.0, 1.0, 1.0, 2.9, 3.1]).settled()
    assert settled.steps[TWIST] == 0.0
    assert settled.steps[SLIDE] == pytest.approx(3.1)
    assert not settled.seen[TWIST]


def test_surprise_is_the_mean_square_in_standard_uncertainties() -> None:
    assert motion([3.0, 0.0, 0.0, 0.0, 0.0, 0.0]).surprise == pytest.approx(9.0 / 6.0)


def test_even_bend_is_no_motion() -> None:
    """A polynomial of second degree costs nothing, whatever its size."""
    u = traces().u
    bend = np.column_stack([1e-4 * (u - 100.0) ** 2, 0.3 + 0.01 * u])
    assert np.abs(measured(bend).steps[:4]).max() < 1e-3


def test_uncertainty_of_the_motion_holds_in_simulation() -> None:
    """White noise and a wandering of known strength; the estimate lies within its uncertainty as often as a
    Gaussian with four unknowns does."""
    rng = np.random.default_rng(3)
    plain = traces()
    x = (plain.u - plain.u[0]) / np.ptp(plain.u)
    lower = np.linalg.cholesky(wandering(x) + 1e-15 * np.eye(len(x)))
    known = np.array([0.3, -0.1, 0.0, 0.0])  # along the directions that the answer names
    squares = []
    for _ in range(200):
        values = 0.5 * lower @ rng.normal(size=(len(x), 2)) + NOISE_MM * rng.normal(size=(len(x), 2))
        still = measured(values)
        step = known[:2] @ still.directions[:2]
        values += (plain.u > MIDDLE_MM)[:, None] * step[:2]
        found = measured(values)
        miss = found.steps[:4] - known
        squares.append(float(miss @ np.linalg.solve(found.covariance[:4, :4], miss)))
    # 95 % point of chi-squared with four degrees of freedom: 9.49 (any table).
    assert 0.92 <= np.mean(np.array(squares) < 9.49) <= 0.99


def test_twist_and_slide_of_a_round_tube_are_not_seen() -> None:
    found = measured(np.zeros((len(traces().u), 2)))
    assert not found.seen[[TWIST, SLIDE]].any()
    assert found.seen[:TWIST].all()
