"""The 95 % band: posterior spread of the fit, scaled by what the blank tests really showed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from gaploft.surface.basis import TURN_RAD, wrapped
from gaploft.surface.blank import Blanked, Grid
from gaploft.surface.equations import Factor
from gaploft.surface.fairness import Waves
from gaploft.surface.fit import Problem
from gaploft.surface.shape import Shape

_GRID_U, _GRID_V = 24, 24
#: Half width of a 95 % interval in standard deviations of a Gaussian.
HALF_WIDTH = 1.959964

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Band:
    """Half width of the 95 % band on a grid over the target; stations outside take the nearest value."""

    u: Floats
    half_width_mm: Floats

    def __call__(self, u: Floats, v: Floats) -> Floats:
        """Half width at places on the surface, mm."""
        angles = np.linspace(0.0, TURN_RAD, self.half_width_mm.shape[1] + 1)
        closed = np.concatenate([self.half_width_mm, self.half_width_mm[:, :1]], axis=1)
        places = np.stack([np.clip(u, self.u[0], self.u[-1]), wrapped(v)], axis=-1)
        return np.asarray(RegularGridInterpolator((self.u, angles), closed)(places))


def spread_per_mm2(factor: Factor, grid: Grid) -> Floats:
    """Variance of the normal position on a grid over the noise density, 1/mm^2, (n_u, n_v).

    A penalised fit is the mean of a Gaussian posterior whose covariance is the noise times the
    inverse of the system (Wahba, "Bayesian confidence intervals for the cross-validated smoothing
    spline", JRSS B 45(1), 1983).
    """
    columns = grid.columns()
    variance = (columns * factor.solve(columns)).sum(axis=0)
    return np.asarray(variance.reshape(len(grid.u), len(grid.v)))


def band_scale(
    problem: Problem,
    cases: Sequence[tuple[Blanked, Waves]],
    density_mm4: float,
    shape: Shape | None = None,
) -> float:
    """Factor by which blanked stretches were missed more than the posterior says, at least 1.

    What is not known of a shape that the fit departs from is missed as well.
    """
    if not cases:
        return 1.0
    ratios = []
    for piece, waves in cases:
        grid = Grid.on(problem, piece.grid.u[1::4], piece.grid.v[::6])
        without = spread_per_mm2(problem.factor(waves, piece.equations), grid)
        reference = spread_per_mm2(problem.factor(waves), grid)
        error = piece.error(problem, waves)[1::4, ::6]
        expected = density_mm4 * np.mean(without + reference)
        if shape is not None:
            expected += np.mean(shape.spread(*np.meshgrid(grid.u, grid.v, indexing="ij")) ** 2)
        ratios.append(np.mean(error**2) / expected)
    return float(np.sqrt(max(1.0, np.mean(ratios))))


def band_over(
    problem: Problem,
    waves: Waves,
    stations: tuple[float, float],
    density_mm4: float,
    scale: float,
    *,
    n_u: int = _GRID_U,
    shape: Shape | None = None,
) -> Band:
    """Band over a run of stations, known at ``n_u`` of them; with what is not known of a shape that the fit
    departs from."""
    u = np.linspace(*stations, n_u)
    grid = Grid.on(problem, u, np.linspace(0.0, TURN_RAD, _GRID_V, endpoint=False))
    variance = density_mm4 * spread_per_mm2(problem.factor(waves), grid)
    band = Band(u, HALF_WIDTH * scale * np.sqrt(variance))
    return band if shape is None else band_with_shape(band, shape)


def band_with_shape(band: Band, shape: Shape) -> Band:
    """The band widened by what is not known of the shape that the fit departs from."""
    v = np.linspace(0.0, TURN_RAD, band.half_width_mm.shape[1], endpoint=False)
    known = shape.spread(*np.meshgrid(band.u, v, indexing="ij"))
    return replace(band, half_width_mm=np.hypot(band.half_width_mm, HALF_WIDTH * known))
