"""The swept section and the fit about it, against closed forms and finite differences."""

from dataclasses import replace

import numpy as np
import pytest

from gaploft.surface.arc import Arc, arc_through
from gaploft.surface.basis import TURN_RAD, TubeBasis
from gaploft.surface.blank import Grid
from gaploft.surface.fit import FitPoints, Problem, close_waves, settle, started
from gaploft.surface.sweep import Sweep, first_sweep

RADIUS, BEND = 16.0, 400.0


def torus(u: np.ndarray, v: np.ndarray, radius: np.ndarray | float = RADIUS) -> np.ndarray:
    """Points of a torus of bend radius BEND, by arc length and angle."""
    out = BEND - radius * np.cos(v)
    return np.column_stack([BEND - out * np.cos(u / BEND), radius * np.sin(v), out * np.sin(u / BEND)])


def places(n: int, seed: int, gap: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    u, v = rng.uniform(0.0, 240.0, n), rng.uniform(0.0, TURN_RAD, n)
    seen = (u < gap[0]) | (u > gap[1])
    return u[seen], v[seen]


def problem_of(points: np.ndarray, u: np.ndarray, v: np.ndarray) -> tuple[Problem, np.ndarray]:
    line = np.linspace(0.0, 240.0, 50)
    arc = arc_through(line, torus(line, np.zeros(50), 0.0))
    areas = np.full(len(u), 240.0 * TURN_RAD * RADIUS / len(u))
    data = FitPoints(points, u, v, areas)
    return started(arc, data, (0.0, 240.0), n_section=32, plain_mm=10.0), areas


def dense(banded: np.ndarray) -> np.ndarray:
    """A symmetric matrix from its upper banded form."""
    depth, n = banded.shape
    whole = np.zeros((n, n))
    for gap in range(depth):
        along = np.arange(n - gap)
        whole[along, along + gap] = whole[along + gap, along] = banded[depth - 1 - gap, gap:]
    return whole


def ellipse_sweep() -> Sweep:
    u, v = places(6000, 1, (-1.0, -1.0))
    line = np.linspace(0.0, 240.0, 50)
    arc = arc_through(line, torus(line, np.zeros(50), 0.0))
    rng = np.random.default_rng(3)
    basis = TubeBasis.uniform(0.0, 240.0, 24, 32)
    flat = arc.straightened(torus(u, v, 14.0 + 3.0 * np.cos(v) ** 2))
    sweep = first_sweep(basis, arc, flat, v, n_section=32, plain_mm=2.0)
    return replace(sweep, moved_mm=sweep.moved_mm + rng.normal(0.0, 0.3, sweep.moved_mm.shape))


def test_feet_are_the_nearest_places() -> None:
    """Points raised along the normals come back with their place and height."""
    sweep, (u, v) = ellipse_sweep(), places(500, 7, (-1.0, -1.0))
    u = np.clip(u, 10.0, 230.0)
    height = np.random.default_rng(5).uniform(-0.5, 0.5, len(u))
    points = sweep.raised(u, v, height)
    feet = sweep.feet(points, u + 0.8, v + 0.05, steps=8)
    assert np.abs(feet.height_mm - height).max() < 1e-6
    assert np.abs(feet.u - u).max() < 1e-4


@pytest.mark.parametrize("move", range(6))
def test_moves_are_the_derivatives_of_the_surface(move: int) -> None:
    """Shifting a move by a little raises the surface by that times its row, along the normal."""
    sweep, (u, v) = ellipse_sweep(), places(200, 8, (-1.0, -1.0))
    step = np.zeros(6)
    step[move] = 1e-4
    shifted = replace(sweep, moved_mm=sweep.moved_mm + step)
    rise = -shifted.feet(sweep.raised(u, v, np.zeros(len(u))), u, v, steps=6).height_mm
    assert np.abs(rise / 1e-4 - sweep.moves(u, v)[:, move]).max() < 1e-3


def test_torus_across_a_gap_is_a_torus() -> None:
    u, v = places(8000, 2, (90.0, 150.0))
    problem, areas = problem_of(torus(u, v), u, v)
    surface = settle(problem, areas, close_waves(2.0 * RADIUS, 10.0)).surface
    uu, vv = np.meshgrid(np.linspace(95.0, 145.0, 20), np.linspace(0.0, 6.0, 40))
    found = surface.evaluate(uu, vv).reshape(-1, 3)
    ring = np.hypot(BEND - found[:, 0], found[:, 2])
    off = np.hypot(ring - BEND, found[:, 1]) - RADIUS
    assert np.abs(off).max() < 1e-3


def test_even_taper_across_a_gap_goes_free() -> None:
    """A cone is in the null space of every penalty, however stiff."""
    u, v = places(8000, 2, (90.0, 150.0))
    points = np.column_stack([(20.0 - 0.02 * u) * np.cos(v), (20.0 - 0.02 * u) * np.sin(v), u])
    arc = Arc(np.zeros(3), np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]), 0.0, 0.0)
    areas = np.full(len(u), 1.0)
    problem = started(arc, FitPoints(points, u, v, areas), (0.0, 240.0), n_section=32, plain_mm=5.0)
    stiff = replace(close_waves(34.0, 5.0), bend_mm=300.0, section_mm=300.0, detail_mm=300.0)
    settled = settle(problem, areas, stiff)
    uu, vv = np.meshgrid(np.linspace(95.0, 145.0, 20), np.linspace(0.0, 6.0, 40))
    found = settled.surface.evaluate(uu, vv).reshape(-1, 3)
    off = np.hypot(found[:, 0], found[:, 1]) - (20.0 - 0.02 * found[:, 2])
    assert np.abs(off).max() < 1e-3


def test_solution_is_that_of_the_dense_system() -> None:
    u, v = places(3000, 6, (90.0, 150.0))
    problem, _ = problem_of(torus(u, v), u, v)
    waves = close_waves(2.0 * RADIUS, 10.0)
    whole = dense(problem.equations.matrix + problem.fairness.weighted(waves))
    x = np.linalg.solve(whole, problem.equations.rhs)
    assert np.abs(problem.solution(waves).ravel() - x).max() < 1e-6
    determinant = problem.factor(waves).log_determinant
    assert determinant == pytest.approx(np.linalg.slogdet(whole)[1], abs=1e-5)


def test_equations_sum_over_their_parts() -> None:
    u, v = places(3000, 6, (90.0, 150.0))
    problem, _ = problem_of(torus(u, v), u, v)
    left = problem.cells.u < 90.0
    parts = problem.assembled(left), problem.assembled(~left)
    held = problem.fairness.holding(problem.sweep.moved_mm)
    rest = problem.equations.minus(parts[0]).minus(parts[1])
    assert np.abs(rest.matrix - held.matrix).max() < 1e-9
    assert np.abs(rest.rhs - held.rhs).max() < 1e-9


def test_moves_are_held_where_they_are() -> None:
    """What no point shows stays: the equations of holding alone give the moves back."""
    u, v = places(3000, 6, (90.0, 150.0))
    fairness = problem_of(torus(u, v), u, v)[0].fairness
    moved = np.random.default_rng(1).normal(size=(fairness.basis.n_u, 6))
    held = dense(fairness.holding(moved).matrix)
    found = np.linalg.lstsq(held, fairness.holding(moved).rhs, rcond=None)[0].reshape(fairness.basis.n_u, -1)
    assert np.abs(found[:, :6] - moved).max() < 1e-6
    assert np.abs(found[:, 6:]).max() < 1e-9


def test_determinant_of_the_penalties_wave_by_wave() -> None:
    """Against the eigenvalues of the whole matrix, but for the cubics of the six moves, which go free."""
    u, v = places(3000, 6, (90.0, 150.0))
    fairness = replace(problem_of(torus(u, v), u, v)[0].fairness, basis=TubeBasis.uniform(0.0, 60.0, 9, 32))
    stiffnesses = close_waves(8.0, 4.0), close_waves(12.0, 5.0)
    said = [fairness.log_determinant(waves) for waves in stiffnesses]
    values = [np.linalg.eigvalsh(dense(fairness.weighted(waves)))[24:] for waves in stiffnesses]
    told = [np.log(each).sum() for each in values]
    assert said[1] - said[0] == pytest.approx(told[1] - told[0], rel=1e-6)


@pytest.mark.parametrize("straight_mm", [(8.0, 14.0), (12.0, 12.0)])
def test_determinant_where_bending_costs(straight_mm: tuple[float, float]) -> None:
    """Then only the lines of the six moves go free."""
    u, v = places(3000, 6, (90.0, 150.0))
    fairness = replace(problem_of(torus(u, v), u, v)[0].fairness, basis=TubeBasis.uniform(0.0, 60.0, 9, 32))
    stiffnesses = [
        replace(close_waves(close, 5.0), straight_mm=straight)
        for close, straight in zip((8.0, 12.0), straight_mm, strict=True)
    ]
    said = [fairness.log_determinant(waves) for waves in stiffnesses]
    values = [np.linalg.eigvalsh(dense(fairness.weighted(waves)))[12:] for waves in stiffnesses]
    told = [np.log(each).sum() for each in values]
    assert said[1] - said[0] == pytest.approx(told[1] - told[0], rel=1e-6)


def test_determinant_of_a_stiff_penalty_does_not_drown_what_cubics_cost() -> None:
    """Four times the cost of bending is four times that of both ways to bend in a cubic, six moves each."""
    u, v = places(3000, 6, (90.0, 150.0))
    fairness = replace(problem_of(torus(u, v), u, v)[0].fairness, basis=TubeBasis.uniform(0.0, 80.0, 13, 32))
    said = [
        fairness.log_determinant(replace(close_waves(8.0, 4.0), bend_mm=5e2, section_mm=5e2, straight_mm=at))
        for at in (1.0, 2.0**0.5)
    ]
    assert said[1] - said[0] == pytest.approx(6 * 2 * np.log(4.0), rel=1e-3)


def test_a_line_costs_nothing_where_bending_costs() -> None:
    u, v = places(3000, 6, (90.0, 150.0))
    fairness = problem_of(torus(u, v), u, v)[0].fairness
    waves = replace(close_waves(8.0, 4.0), straight_mm=40.0)
    at = fairness.basis.abscissae_u
    solution = np.zeros((len(at), 6 + fairness.basis.n_v))
    solution[:, :6] = np.array([0.02, -0.01, 0.03, 0.0, 0.01, -0.02]) * at[:, None] + 1.0
    bent = solution + 0.0
    bent[:, 0] += 1e-3 * (at - at.mean()) ** 2
    assert abs(fairness.roughness(waves, solution)) < 1e-6 * fairness.roughness(waves, bent)


def test_grid_heights_are_those_of_the_points() -> None:
    """What the grid says of a solution is where the surface really stands over the unmoved sweep."""
    u, v = places(8000, 2, (-1.0, -1.0))
    problem, areas = problem_of(torus(u, v, RADIUS + 0.2 * np.sin(3 * v) * np.sin(u / 40.0)), u, v)
    waves = close_waves(2.0 * RADIUS, 5.0)
    problem = settle(problem, areas, waves).problem
    solution = problem.solution(waves)
    grid = Grid.on(problem, np.linspace(30.0, 210.0, 15), np.linspace(0.0, 6.0, 20))
    moved = replace(problem.sweep, moved_mm=np.zeros_like(problem.sweep.moved_mm))
    at = [places.ravel() for places in np.meshgrid(grid.u, grid.v, indexing="ij")]
    zero = np.zeros_like(solution)
    zero[:, :6] = problem.sweep.moved_mm
    lifted = grid.heights(solution) - grid.heights(zero)
    points = problem.sweep.raised(at[0], at[1], lifted.ravel())
    surface = problem.surface(solution)
    assert moved.moved_mm.shape == problem.sweep.moved_mm.shape
    assert np.abs(surface.project(points, at[0], at[1]).distance_mm).max() < 1e-3


def test_residuals_are_the_distances_to_the_surface() -> None:
    u, v = places(8000, 2, (90.0, 150.0))
    problem, areas = problem_of(torus(u, v, RADIUS + 0.2 * np.sin(3 * v) * np.sin(u / 40.0)), u, v)
    waves = close_waves(2.0 * RADIUS, 5.0)
    problem = settle(problem, areas, waves).problem
    solution = problem.solution(waves)
    off = np.random.default_rng(9).normal(0.0, 0.2, len(u))
    points = torus(u, v, RADIUS + off)
    found = problem.residuals(solution, points, problem.data.u, problem.data.v)
    feet = problem.surface(solution).project(points, problem.data.u, problem.data.v, steps=4)
    assert np.abs(found - feet.distance_mm).max() < 0.002
