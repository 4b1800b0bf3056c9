"""Blanking intact stretches and rebuilding them: the measure by which a rebuild is judged."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from gaploft.surface.basis import DEGREE, TURN_RAD, wrapped
from gaploft.surface.equations import Equations, section_rows
from gaploft.surface.fairness import Waves
from gaploft.surface.fit import Problem

_GRID_U, _GRID_V = 14, 48

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Stretch:
    """Intact tube from station ``start_mm`` to ``stop_mm``, ``width_rad`` wide about ``middle_rad``."""

    start_mm: float
    stop_mm: float
    middle_rad: float = 0.0
    width_rad: float = TURN_RAD

    @property
    def length_mm(self) -> float:
        """Length along the tube."""
        return self.stop_mm - self.start_mm

    def holds(self, u: Floats, v: Floats) -> NDArray[np.bool_]:
        """Which places lie inside."""
        off = np.abs(wrapped(v - self.middle_rad + np.pi) - np.pi)
        return np.asarray((u >= self.start_mm) & (u <= self.stop_mm) & (off <= self.width_rad / 2.0))


@dataclass(frozen=True)
class Grid:
    """A regular grid on a tube; what each unknown does to the surface there is kept as two small factors.

    ``along`` (n_u, k) are basis values at the stations, ``rows`` (n_u, n_v, m) those around them.
    """

    along: Floats
    rows: Floats
    u: Floats
    v: Floats

    @classmethod
    def on(cls, problem: Problem, u: Floats, v: Floats) -> "Grid":
        """Grid at stations ``u`` and parameters ``v``."""
        along = BSpline.design_matrix(u, problem.basis.knots_u, DEGREE).toarray()
        uu, vv = (places.ravel() for places in np.meshgrid(u, v, indexing="ij"))
        rows = section_rows(problem.basis, vv, problem.sweep.moves(uu, vv))
        return cls(along, rows.reshape(len(u), len(v), -1), u, v)

    def heights(self, solution: Floats) -> Floats:
        """Heights above the unmoved sweep, (n_u, n_v) mm, of a solution (k, m)."""
        return np.asarray(np.matmul(self.rows, (self.along @ solution)[:, :, None])[:, :, 0])

    def columns(self) -> Floats:
        """What every unknown does at every grid place, (k * m, n_u * n_v)."""
        return np.asarray(
            np.einsum("ai,abj->ijab", self.along, self.rows).reshape(
                self.along.shape[1] * self.rows.shape[2], -1
            )
        )


@dataclass(frozen=True)
class Blanked:
    """A stretch with what rebuilding it takes.

    ``equations`` is the share of the points in it; ``reference`` on ``grid`` is what the rebuilt stretch is
    compared with.
    """

    stretch: Stretch
    equations: Equations
    grid: Grid
    reference: Floats

    def error(self, problem: Problem, waves: Waves) -> Floats:
        """Normal distance of the rebuilt stretch to the reference on the grid, (n_u, n_v) mm."""
        return self.grid.heights(problem.solution(waves, self.equations)) - self.reference


def blanked(problem: Problem, reference: Floats, stretch: Stretch) -> Blanked:
    """Prepare one stretch.

    Parameters
    ----------
    problem : all points
    reference : solution of a fit to all of them that follows the scan closely
    stretch : what is blanked
    """
    u = np.linspace(stretch.start_mm, stretch.stop_mm, _GRID_U)
    half = stretch.width_rad / 2.0
    v = stretch.middle_rad + np.linspace(-half, half, _GRID_V, endpoint=stretch.width_rad < TURN_RAD - 1e-9)
    grid = Grid.on(problem, u, v)
    part = stretch.holds(problem.cells.u, problem.cells.v)
    return Blanked(stretch, problem.assembled(part), grid, grid.heights(reference))
