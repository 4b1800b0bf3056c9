"""What the benchmark of stiffness searches and measures with: on bowls, and on one tube."""

import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

from gaploft.surface.fairness import Waves
from gaploft.surface.sweep import N_MOVES
from gaploft.surface.weights import START
from lofted import broken_tube
from stiffness_judge import Judge, fitted
from stiffness_search import Score, by_stiffness, near_best, neighbours, searched

LOWEST = (6, 2, 5)


def bowl(places):
    """Twice the squared steps away from the lowest place."""
    return 2.0 * sum((at - low) ** 2 for at, low in zip(places, LOWEST, strict=True))


def two_bowls(places):
    """A shallow bowl about the start and a deeper one far off, with a wall between."""
    shallow = 1.0 + bowl([at - start + low for at, start, low in zip(places, START, LOWEST, strict=True)])
    deep = 50.0 * sum((at - far) ** 2 for at, far in zip(places, (9, 9, 7), strict=True))
    return min(shallow, deep)


@pytest.mark.parametrize("start", [START, (0, 0, 0), (10, 10, 7)])
def test_search_ends_at_the_bottom_of_a_bowl(start):
    score = Score(bowl)
    assert searched(score, (start,)) == LOWEST
    # a walk looks at a few places of each list, not at all of them together
    assert len(score.known) < 60


def test_search_takes_the_best_of_its_starts():
    assert searched(Score(two_bowls)) == START
    assert searched(Score(two_bowls), (START, (9, 8, 7))) == (9, 9, 7)


def test_each_figure_is_computed_once():
    asked = []
    score = Score(lambda places: asked.append(places) or bowl(places))
    searched(score, (START, START))
    assert len(asked) == len(set(asked)) == len(score.known)


def test_neighbours_stay_within_the_lists():
    assert sorted(neighbours((0, 0, 0))) == [(0, 0, 1), (0, 1, 0), (1, 0, 0)]
    assert sorted(neighbours((10, 10, 7))) == [(9, 10, 7), (10, 9, 7), (10, 10, 6)]
    assert len(list(neighbours(START))) == 6


def test_near_the_best_is_the_ball_about_the_bottom():
    # steps of squared length up to 3 within the lists: 1 + 6 + 12 + 8 places
    near = near_best(Score(bowl), LOWEST, 6.0)
    assert len(near) == 27
    assert near == {places: bowl(places) for places in near}


def test_near_the_best_counts_from_the_lowest_that_it_meets():
    beside = (LOWEST[0] + 1, *LOWEST[1:])
    assert near_best(Score(bowl), beside, 2.0) == near_best(Score(bowl), LOWEST, 2.0)


def test_stiffness_orders_and_names_what_is_the_same_once():
    likelihood = SimpleNamespace(waves=lambda at: Waves(min(at[0], 8) + 1.0, at[1] + 1.0, at[2] + 1.0, 3.0))
    assert by_stiffness(likelihood, [(9, 2, 2), (8, 2, 2), (1, 1, 1), (3, 0, 5)]) == [
        (1, 1, 1),
        (3, 0, 5),
        (9, 2, 2),
    ]


@pytest.fixture(scope="module")
def judge():
    case = broken_tube("stay", 20.0, 1, edge_mm=1.0)
    return Judge.of(case, fitted(case))


@pytest.mark.parametrize("places", [(2, 2, 1), (9, 9, 7)])
def test_the_quick_measure_is_the_distance_to_the_original(judge, places):
    # to first order: what is left out is the square of slopes between the two surfaces, here below 1 %
    rms, worst = judge.errors(judge.solution(places))
    assert np.sqrt(judge.miss(places)) == pytest.approx(rms, rel=0.01)
    assert rms < worst


def test_a_raised_surface_is_that_much_off(judge):
    solution = judge.solution((9, 9, 7))
    raised = solution.copy()
    raised[:, N_MOVES:] += 0.5
    assert judge.apart(raised, solution) == pytest.approx(0.25, rel=1e-9)
    rms, _ = judge.errors(raised)
    # the mean of the unraised surface's error shifts it, by no more than that error
    assert rms == pytest.approx(0.5, abs=judge.errors(solution)[1])
    assert rms > 10.0 * judge.errors(solution)[0]


def test_a_softer_fit_is_less_sure(judge):
    assert judge.posterior((2, 2, 1)) > 2.0 * judge.posterior((9, 9, 7)) > 0.0
