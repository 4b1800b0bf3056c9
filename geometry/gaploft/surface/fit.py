"""Fitting the tube surface to trusted points for given stiffness."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from gaploft.surface.arc import Arc
from gaploft.surface.basis import DEGREE, TURN_RAD, TubeBasis
from gaploft.surface.equations import Equations, Factor, assemble, factorised, n_around, section_rows
from gaploft.surface.fairness import Fairness, Waves
from gaploft.surface.model import TubeSurface
from gaploft.surface.raised import raised_surface
from gaploft.surface.shape import Shape
from gaploft.surface.sweep import N_MOVES, Bridge, Sweep, first_sweep, mean_section

Floats = NDArray[np.float64]

#: A surface that follows the scan closely: for foot points, residuals and as what blanked stretches are
#: compared with. Bend, section and detail, in diameters.
CLOSE_DIAMETERS = (1.4, 1.4, 1.0)
#: Points are averaged over cells of this share of a span along and around before they are assembled: far
#: below any wave that the surface can carry.
_CELLS_PER_SPAN = 2
#: No scan repeats better than this; a smaller scale would be that of rounding, mm.
_LEAST_SCALE_MM = 1e-3
#: Spans around the tube for heights at most; a tighter edge is in the mean section.
_MOST_AROUND = 64


def close_waves(diameter_mm: float, plain_mm: float) -> Waves:
    """Stiffness of a fit that follows the scan closely."""
    bend, section, detail = (share * diameter_mm for share in CLOSE_DIAMETERS)
    return Waves(bend, section, detail, plain_mm)


@dataclass(frozen=True)
class FitPoints:
    """Points that a surface is fitted to, with their foot-point parameters and weights.

    ``weights`` are areas in mm^2, times the robust weight of the point: the data term is then an
    integral over the surface, and does not depend on how finely it was scanned.
    """

    points: Floats
    u: Floats
    v: Floats
    weights: Floats

    def where(self, keep: NDArray[np.bool_]) -> "FitPoints":
        """The part of the points that a mask keeps."""
        return FitPoints(self.points[keep], self.u[keep], self.v[keep], self.weights[keep])


@dataclass(frozen=True)
class Cells:
    """Weighted means of the points of small cells: places on the sweep, their rows and their heights.

    ``above`` are heights above the sweep; ``heights`` those above the unmoved one, in its moves to first
    order.
    """

    u: Floats
    v: Floats
    rows: Floats
    above: Floats
    heights: Floats
    weights: Floats


@dataclass(frozen=True)
class Problem:
    """One least-squares problem about one sweep, assembled once and solved for many stiffnesses.

    The unknowns are the moves of the section and the heights above it, and so is what fairness is asked of.
    ``expected`` (n_u, 6 + n_v) are those of a tube that is known beforehand: fairness is then asked of the
    departure from it.
    """

    sweep: Sweep
    fairness: Fairness
    data: FitPoints
    expected: Floats | None = None

    @property
    def basis(self) -> TubeBasis:
        """Basis of moves and heights."""
        return self.sweep.basis

    @cached_property
    def cells(self) -> Cells:
        """The points, averaged."""
        data, basis = self.data, self.basis
        feet = self.sweep.feet(data.points, data.u, data.v, steps=0)
        first, last = basis.range_u
        n_u = _CELLS_PER_SPAN * (basis.n_u - DEGREE)
        n_v = _CELLS_PER_SPAN * basis.n_v
        row = np.clip(((feet.u - first) * (n_u / (last - first))).astype(int), 0, n_u - 1)
        column = (feet.v * (n_v / TURN_RAD)).astype(int) % n_v
        cell = row * n_v + column
        total = np.bincount(cell, data.weights, minlength=n_u * n_v).astype(np.float64)
        full = total > 0.0

        def mean(values: Floats) -> Floats:
            return np.asarray(
                np.bincount(cell, data.weights * values, minlength=len(total))[full] / total[full]
            )

        # The middle of a cell's points around, counted from the cell's own start: it may hold the seam.
        u = mean(feet.u)
        v = mean(np.mod(feet.v - column * (TURN_RAD / n_v) + np.pi, TURN_RAD) - np.pi)
        v += (np.flatnonzero(full) % n_v) * (TURN_RAD / n_v)
        moves = np.column_stack([mean(feet.moves[:, k]) for k in range(N_MOVES)])
        moved = BSpline(basis.knots_u, self.sweep.moved_mm, DEGREE)(u)
        above = mean(feet.height_mm)
        heights = above + (moves * moved).sum(1)
        return Cells(u, v, section_rows(basis, v, moves), above, heights, total[full])

    @cached_property
    def equations(self) -> Equations:
        """Normal equations of all points; moves that no point shows stay as they are, or are expected."""
        held = self.fairness.holding(
            self.sweep.moved_mm if self.expected is None else self.expected[:, :N_MOVES]
        )
        shown = self.assembled(np.ones(len(self.cells.u), dtype=bool))
        return Equations(shown.matrix + held.matrix, shown.rhs + held.rhs)

    def assembled(self, part: NDArray[np.bool_], sides: Floats | None = None) -> Equations:
        """Normal equations of some of the cells, for their heights or for other right-hand sides."""
        cells = self.cells
        wanted = cells.heights if sides is None else sides
        return assemble(self.basis, cells.u[part], cells.rows[part], wanted[part], cells.weights[part])

    def factor(self, waves: Waves, without: Equations | None = None) -> Factor:
        """Factor of the whole system, or of the system without some of the points."""
        matrix = self.equations.matrix + self.fairness.weighted(waves)
        return factorised(matrix if without is None else matrix - without.matrix)

    def solution(self, waves: Waves, without: Equations | None = None) -> Floats:
        """The unknowns (n_u, 6 + n_v) for one stiffness, if asked without some of the points."""
        departure = self.factor(waves, without).solve(self.shown(without).rhs)
        found = departure.reshape(self.basis.n_u, n_around(self.basis))
        return found if self.expected is None else self.expected + found

    def shown(self, without: Equations | None = None) -> Equations:
        """Normal equations of the departure from what is expected, if asked without some of the points."""
        shown = self.equations if without is None else self.equations.minus(without)
        return shown if self.expected is None else shown.about(self.expected)

    def surface(self, solution: Floats) -> TubeSurface:
        """The surface that a solution says, as one tensor spline."""
        return raised_surface(self.sweep, solution)

    def solve(self, waves: Waves) -> TubeSurface:
        """The surface for one stiffness."""
        return self.surface(self.solution(waves))

    def residuals(self, solution: Floats, points: Floats, u: Floats, v: Floats) -> Floats:
        """Distances of points (n, 3) along the normals from the surface that a solution says, mm.

        ``u`` and ``v`` are where their feet are looked for. Moves count to first order, as in the equations.
        """
        feet = self.sweep.feet(points, u, v, steps=2)
        further = BSpline(self.basis.knots_u, solution[:, :N_MOVES] - self.sweep.moved_mm, DEGREE)(feet.u)
        height = heights_at(self.basis, solution[:, N_MOVES:], feet.u, feet.v)
        return np.asarray(feet.height_mm - (feet.moves * further).sum(1) - height)

    def with_points(self, points: Floats) -> "Problem":
        """The same problem with its points elsewhere, close by; their feet are found anew."""
        feet = self.sweep.feet(points, self.data.u, self.data.v)
        return replace(self, data=replace(self.data, points=points, u=feet.u, v=feet.v))


def tube_basis(start_mm: float, stop_mm: float, radius_mm: float, n_section: int) -> TubeBasis:
    """Basis of moves and heights: spans of three tenths of a diameter along the tube."""
    span = float(np.clip(0.6 * radius_mm, 2.5, 10.0))
    n_u = max(8, round((stop_mm - start_mm) / span))
    return TubeBasis.uniform(start_mm, stop_mm, n_u, min(n_section, _MOST_AROUND))


def section_size(radius_mm: float, tightest_mm: float) -> int:
    """Coefficients of a mean section: spans of two fifths of its tightest radius, so that a quarter turn of
    the tightest edge spans four of them."""
    return int(np.clip(np.ceil(TURN_RAD * radius_mm / (0.4 * tightest_mm)), 32, 128))


def spread_out(u: Floats, n: int) -> NDArray[np.int64]:
    """Numbers of some ``n`` points, evenly from all along the tube; the same ones in whatever order they are
    given."""
    return np.argsort(u, kind="stable")[:: max(1, len(u) // n)]


def tukey_weights(residual: Floats, scale: float) -> Floats:
    """Tukey's biweight with 95 % efficiency for Gaussian noise (constant 4.685; Holland and Welsch 1977,
    cited from memory)."""
    share = np.clip(residual / (4.685 * scale), -1.0, 1.0)
    return np.asarray((1.0 - share * share) ** 2)


def robust_scale(residual: Floats) -> float:
    """Standard deviation of the bulk of the residuals: 1.4826 times their median absolute deviation."""
    return float(1.4826 * np.median(np.abs(residual - np.median(residual))))


@dataclass(frozen=True)
class Settled:
    """A fit whose sweep, foot points and robust weights no longer move."""

    problem: Problem
    surface: TubeSurface
    residual_mm: Floats


def started(
    arc: Arc,
    data: FitPoints,
    stations: tuple[float, float],
    *,
    n_section: int,
    plain_mm: float,
    bridge: Bridge | None = None,
) -> Problem:
    """A first problem: a sweep through some of the points, and the feet of all of them on it."""
    flat = arc.straightened(data.points)
    radius = float(np.linalg.norm(flat[:, 1:] - flat[:, 1:].mean(axis=0), axis=1).mean())
    basis = tube_basis(*stations, radius, n_section)
    sweep = first_sweep(basis, arc, flat, data.v, n_section=n_section, plain_mm=plain_mm, bridge=bridge)
    feet = sweep.feet(data.points, np.clip(flat[:, 0], *stations), data.v)
    return Problem(sweep, Fairness(basis, sweep.radius_mm), replace(data, u=feet.u, v=feet.v))


def started_on(shape: Shape, data: FitPoints) -> Problem:
    """A first problem that asks for the departure from a shape known beforehand."""
    sweep = replace(shape.sweep, moved_mm=shape.solution[:, :N_MOVES])
    feet = sweep.feet(data.points, data.u, data.v)
    fairness = Fairness(sweep.basis, sweep.radius_mm)
    return Problem(sweep, fairness, replace(data, u=feet.u, v=feet.v), shape.solution)


def settle(
    problem: Problem, areas: Floats, waves: Waves, *, rounds: int = 3, bridge: Bridge | None = None
) -> Settled:
    """Alternate solving, moving the sweep along, foot points and robust weights.

    Parameters
    ----------
    areas : (n,) area of each point before any robust weight
    waves : stiffness of the fits on the way
    bridge : a strip of the section that was never seen

    Notes
    -----
    A Gauss-Newton iteration on distances along the normals (tangent distance minimisation, Wang, Pottmann and
    Liu, ACM TOG 25(2), 2006): points slide along the surface as they like, so that no first guess of their
    parameters is held on to.
    """
    residual = np.zeros(len(areas))
    solution = problem.solution(waves)
    for _ in range(rounds):
        problem, residual = _moved_along(problem, solution, waves.plain_mm, bridge)
        scale = max(robust_scale(residual), _LEAST_SCALE_MM)
        weights = areas * tukey_weights(residual, scale)
        problem = replace(problem, data=replace(problem.data, weights=weights))
        solution = problem.solution(waves)
    return Settled(problem, problem.surface(solution), residual)


def _moved_along(
    problem: Problem, solution: Floats, plain_mm: float, bridge: Bridge | None
) -> tuple[Problem, Floats]:
    """The problem about the sweep that a solution says, and the residuals of its points."""
    data, basis = problem.data, problem.basis
    sweep = replace(problem.sweep, moved_mm=solution[:, :N_MOVES])
    feet = sweep.feet(data.points, data.u, data.v, steps=1)
    height = heights_at(basis, solution[:, N_MOVES:], feet.u, feet.v)
    residual = feet.height_mm - height
    placed = replace(problem, sweep=sweep, data=replace(data, u=feet.u, v=feet.v))
    if problem.expected is not None:
        # What is expected stands on the section as it is.
        return placed, residual
    # The plain part of the heights goes over into the section.
    cells, local = placed.cells, section_points(placed, solution)
    section = mean_section(local, cells.v, cells.weights, sweep, plain_mm, bridge)
    sweep = replace(sweep, section=section)
    feet = sweep.feet(data.points, feet.u, feet.v, steps=1)
    moved = replace(data, u=feet.u, v=feet.v)
    return replace(problem, sweep=sweep, data=moved), residual


def section_points(problem: Problem, solution: Floats) -> Floats:
    """Where cells lie in the mean section, (k, 2) mm: moves undone, and lowered by heights that change along
    the tube."""
    sweep, cells = problem.sweep, problem.cells
    heights = solution[:, N_MOVES:]
    rest = heights_at(problem.basis, heights - heights.mean(axis=0), cells.u, cells.v)
    lowered = sweep.raised(cells.u, cells.v, cells.above - rest)
    return sweep.unmoved(sweep.arc.straightened(lowered), cells.u)


def heights_at(basis: TubeBasis, heights: Floats, u: Floats, v: Floats) -> Floats:
    """Value of height coefficients (n_u, n_v) at n places, mm."""
    along, around = basis.local(u, v)
    reach = np.arange(DEGREE + 1)
    rows = along.first[:, None] + reach
    columns = (around.first[:, None] + reach) % basis.n_v
    local = heights[rows[:, :, None], columns[:, None, :]]
    return np.asarray(np.einsum("nij,ni,nj->n", local, along.values, around.values))
