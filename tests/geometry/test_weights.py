"""The likelihood of a stiffness against dense algebra, and where rounding would drown it."""

from dataclasses import replace

import numpy as np
import pytest

from gaploft.surface.arc import Arc
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.fairness import Fairness
from gaploft.surface.fit import FitPoints, started
from gaploft.surface.weights import Likelihood

RADIUS, LENGTH, NOISE = 12.0, 240.0, 0.02


def straight_arc():
    return Arc(np.zeros(3), np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]), 0.0, 0.0)


@pytest.fixture(scope="module")
def bent():
    """An oval tube that bends by some millimetres, more at one end than at the other."""
    rng = np.random.default_rng(4)
    u, v = rng.uniform(0.0, LENGTH, 6000), rng.uniform(0.0, TURN_RAD, 6000)
    x = 8.0 * np.sin(1.5 * u / LENGTH) ** 2 + 1.1 * RADIUS * np.cos(v)
    points = np.column_stack([x, RADIUS * np.sin(v), u]) + NOISE * rng.standard_normal((6000, 3))
    areas = np.full(6000, TURN_RAD * RADIUS * LENGTH / 6000)
    problem = started(
        straight_arc(), FitPoints(points, u, v, areas), (0.0, LENGTH), n_section=32, plain_mm=8.0
    )
    return Likelihood(problem, NOISE**2 * float(areas[0]), 2.0 * RADIUS, 8.0)


def dense(banded):
    """The whole symmetric matrix."""
    n = banded.shape[1]
    full = np.zeros((n, n))
    for row, values in enumerate(banded):
        gap = len(banded) - 1 - row
        full += np.diag(values[gap:], gap) + (np.diag(values[gap:], -gap) if gap else 0.0)
    return full


def test_misfit_and_roughness_are_the_quadratic_forms(bent):
    problem, waves = bent.problem, replace(bent, straight_mm=20.0).waves((3, 4, 2))
    x = np.random.default_rng(0).standard_normal(problem.equations.rhs.shape)
    matrix, rhs = dense(problem.equations.matrix), problem.equations.rhs
    assert problem.equations.misfit(x) == pytest.approx(x @ matrix @ x - 2.0 * x @ rhs, rel=1e-10)
    solution = x.reshape(problem.basis.n_u, -1)
    penalty = x @ dense(problem.fairness.weighted(waves)) @ x
    assert problem.fairness.roughness(waves, solution) == pytest.approx(penalty, rel=1e-9)


def test_deviance_is_that_of_dense_algebra_where_penalties_are_soft(bent):
    def by_dense_algebra(places):
        waves, problem = bent.waves(places), bent.problem
        system = dense(problem.equations.matrix + problem.fairness.weighted(waves))
        explained = problem.equations.rhs @ np.linalg.solve(system, problem.equations.rhs)
        determinants = np.linalg.slogdet(system)[1] - problem.fairness.log_determinant(waves)
        return determinants - explained / bent.density_mm4

    soft, other = (2, 3, 4), (3, 2, 3)
    apart = by_dense_algebra(soft) - by_dense_algebra(other)
    assert bent.deviance(soft) - bent.deviance(other) == pytest.approx(apart, abs=1e-3)


@pytest.mark.parametrize("places", [(8, 8, 7), (9, 9, 7)])
def test_rounding_does_not_drown_the_likelihood_of_a_stiff_tube(bent, places, monkeypatch):
    plain, rng = Fairness.weighted, np.random.default_rng(1)

    def rounded(self, waves):
        matrix = plain(self, waves)
        return matrix * (1.0 + np.finfo(float).eps * rng.uniform(-0.5, 0.5, matrix.shape))

    monkeypatch.setattr(Fairness, "weighted", rounded)
    found = [replace(bent, known={}).deviance(places) for _ in range(6)]
    # likelier by a factor of e is a deviance of 2: a choice must not hang on less than a tenth of that
    assert np.ptp(found) < 0.2
