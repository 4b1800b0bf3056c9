"""Blanking intact stretches and rebuilding them: the measure by which stiffness is chosen and judged."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from gaploft.surface.basis import DEGREE, TURN_RAD, TubeBasis, wrapped
from gaploft.surface.equations import Equations
from gaploft.surface.fit import Problem, Waves
from gaploft.surface.model import TubeSurface

_GRID_U, _GRID_V = 14, 48

#: A range of stations that holds none.
NOTHING_AWAY = (1.0, 0.0)


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

    def holds(self, u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which places lie inside."""
        off = np.abs(wrapped(v - self.middle_rad + np.pi) - np.pi)
        return np.asarray((u >= self.start_mm) & (u <= self.stop_mm) & (off <= self.width_rad / 2.0))


@dataclass(frozen=True)
class Grid:
    """A regular grid on a surface whose values are two small matrix products away."""

    along: NDArray[np.float64]
    around: NDArray[np.float64]
    u: NDArray[np.float64]
    v: NDArray[np.float64]

    @classmethod
    def on(cls, basis: TubeBasis, u: NDArray[np.float64], v: NDArray[np.float64]) -> "Grid":
        """Grid at stations ``u`` and parameters ``v``."""
        along = BSpline.design_matrix(u, basis.knots_u, DEGREE).toarray()
        open_around = BSpline.design_matrix(wrapped(v), basis.knots_v, DEGREE).toarray()
        around = open_around[:, : basis.n_v].copy()
        around[:, :DEGREE] += open_around[:, basis.n_v :]
        return cls(along, around, u, v)

    def values(self, coefficients: NDArray[np.float64]) -> NDArray[np.float64]:
        """Surface points on the grid, (n_u, n_v, 3), of the surface with these coefficients."""
        rows = np.tensordot(self.along, coefficients, axes=(1, 0))
        return np.asarray(np.matmul(self.around, rows))

    def rows(self) -> NDArray[np.float64]:
        """Basis values of every grid place as columns of a dense matrix, (n_unknowns, n_u * n_v)."""
        return np.einsum("ai,bj->ijab", self.along, self.around).reshape(
            self.along.shape[1] * self.around.shape[1], -1
        )


@dataclass(frozen=True)
class Blanked:
    """A stretch with what rebuilding it takes.

    ``equations`` is the share of all that is left out: the stretch, and the stations from ``away_mm[0]`` to
    ``away_mm[1]`` as well. ``reference`` on ``grid`` is what the rebuilt stretch is compared with.
    """

    stretch: Stretch
    away_mm: tuple[float, float]
    equations: Equations
    grid: Grid
    reference: NDArray[np.float64]
    normals: NDArray[np.float64]

    def left_out(self, u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which places the rebuild does without."""
        return _left_out(self.stretch, self.away_mm, u, v)

    def error(self, problem: Problem, waves: Waves) -> NDArray[np.float64]:
        """Normal distance of the rebuilt stretch to the reference on the grid, (n_u, n_v) mm."""
        rebuilt = self.grid.values(problem.coefficients(waves, self.equations))
        return np.asarray(((rebuilt - self.reference) * self.normals).sum(-1))


def _left_out(
    stretch: Stretch, away_mm: tuple[float, float], u: NDArray[np.float64], v: NDArray[np.float64]
) -> NDArray[np.bool_]:
    return stretch.holds(u, v) | ((u >= away_mm[0]) & (u <= away_mm[1]))


def blanked(
    problem: Problem, reference: TubeSurface, stretch: Stretch, away_mm: tuple[float, float] = NOTHING_AWAY
) -> Blanked:
    """Prepare one stretch.

    Parameters
    ----------
    problem : all points
    reference : a fit to all of them that follows the scan closely
    stretch : what is blanked
    away_mm : stations that are left out too, such as the other half of a broken tube, which may have moved
    """
    data = problem.data
    u = np.linspace(stretch.start_mm, stretch.stop_mm, _GRID_U)
    half = stretch.width_rad / 2.0
    v = stretch.middle_rad + np.linspace(-half, half, _GRID_V, endpoint=stretch.width_rad < TURN_RAD - 1e-9)
    grid = Grid.on(problem.basis, u, v)
    uu, vv = np.meshgrid(u, v, indexing="ij")
    return Blanked(
        stretch,
        away_mm,
        problem.assembled(data.where(_left_out(stretch, away_mm, data.u, data.v))),
        grid,
        grid.values(reference.coefficients),
        reference.normals(uu, vv),
    )


def mean_square(problem: Problem, waves: Waves, stretches: Sequence[Blanked]) -> float:
    """Mean squared rebuilding error over stretches, mm^2."""
    return float(np.mean([np.mean(piece.error(problem, waves) ** 2) for piece in stretches]))
