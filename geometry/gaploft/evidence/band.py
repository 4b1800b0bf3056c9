"""The 95 % band: posterior spread of the fit, scaled by what the blank tests really showed."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from gaploft.surface.basis import TURN_RAD, wrapped
from gaploft.surface.blank import Blanked, Grid
from gaploft.surface.fit import Problem, Waves

_GRID_U, _GRID_V = 40, 24
#: Half width of a 95 % interval in standard deviations of a Gaussian.
HALF_WIDTH = 1.959964


@dataclass(frozen=True)
class Band:
    """Half width of the 95 % band on a grid over the target; stations outside take the nearest value."""

    u: NDArray[np.float64]
    half_width_mm: NDArray[np.float64]

    def __call__(self, u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
        """Half width at places on the surface, mm."""
        angles = np.linspace(0.0, TURN_RAD, self.half_width_mm.shape[1] + 1)
        closed = np.concatenate([self.half_width_mm, self.half_width_mm[:, :1]], axis=1)
        places = np.stack([np.clip(u, self.u[0], self.u[-1]), wrapped(v)], axis=-1)
        return np.asarray(RegularGridInterpolator((self.u, angles), closed)(places))


def posterior_sd(
    problem: Problem, waves: Waves, grid: Grid, density_mm4: float, without: Blanked | None = None
) -> NDArray[np.float64]:
    """Posterior standard deviation of the normal position on a grid, mm.

    A penalised fit is the mean of a Gaussian posterior whose covariance is the noise times the
    inverse of the system (Wahba, "Bayesian confidence intervals for the cross-validated smoothing
    spline", JRSS B 45(1), 1983).
    """
    factor = problem.factor(waves, None if without is None else without.equations)
    rows = grid.rows()
    variance = (rows * factor.solve(rows)).sum(axis=0)
    return np.asarray(np.sqrt(density_mm4 * variance).reshape(len(grid.u), len(grid.v)))


def band_scale(problem: Problem, cases: Sequence[tuple[Blanked, Waves]], density_mm4: float) -> float:
    """Factor by which blanked stretches were missed more than the posterior says, at least 1."""
    if not cases:
        return 1.0
    ratios = []
    for piece, waves in cases:
        grid = Grid.on(problem.basis, piece.grid.u[1::3], piece.grid.v[::4])
        spread = posterior_sd(problem, waves, grid, density_mm4, piece)
        reference = posterior_sd(problem, waves, grid, density_mm4)
        error = piece.error(problem, waves)[1::3, ::4]
        ratios.append(np.mean(error**2) / np.mean(spread**2 + reference**2))
    return float(np.sqrt(max(1.0, np.mean(ratios))))


def band_over(
    problem: Problem,
    waves: Waves,
    stations: tuple[float, float],
    density_mm4: float,
    scale: float,
    *,
    n_u: int = _GRID_U,
) -> Band:
    """Band over a run of stations, known at ``n_u`` of them."""
    u = np.linspace(*stations, n_u)
    grid = Grid.on(problem.basis, u, np.linspace(0.0, TURN_RAD, _GRID_V, endpoint=False))
    return Band(u, HALF_WIDTH * scale * posterior_sd(problem, waves, grid, density_mm4))
