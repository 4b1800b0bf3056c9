"""Fitting the tube surface to trusted points for given stiffness."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.basis import TubeBasis
from gaploft.surface.equations import Equations, Factor, Fairness, assemble, factorised
from gaploft.surface.model import TubeSurface

#: A surface that follows the scan closely: for foot points, residuals and as what blanked stretches are
#: compared with. In diameters along and around.
CLOSE_DIAMETERS = (1.0, 0.07)


@dataclass(frozen=True)
class Waves:
    """Stiffness of the fit as cut-off wavelengths along and around the tube, mm."""

    along_mm: float
    around_mm: float


@dataclass(frozen=True)
class FitPoints:
    """Points that a surface is fitted to, with their foot-point parameters and weights.

    ``weights`` are areas in mm^2, times the robust weight of the point: the data term is then an
    integral over the surface, and does not depend on how finely it was scanned.
    """

    points: NDArray[np.float64]
    u: NDArray[np.float64]
    v: NDArray[np.float64]
    weights: NDArray[np.float64]

    def where(self, keep: NDArray[np.bool_]) -> "FitPoints":
        """The part of the points that a mask keeps."""
        return FitPoints(self.points[keep], self.u[keep], self.v[keep], self.weights[keep])


@dataclass(frozen=True)
class Problem:
    """One least-squares problem, assembled once and solved for many stiffnesses.

    The unknowns are the departure from ``reference``, and so is what the fairness is asked of.
    """

    basis: TubeBasis
    fairness: Fairness
    data: FitPoints
    reference: TubeSurface

    @cached_property
    def equations(self) -> Equations:
        """Normal equations of all points."""
        return self.assembled(self.data)

    def assembled(self, part: FitPoints) -> Equations:
        """Normal equations of some of the points, for the departure from the reference."""
        departure = part.points - self.reference.evaluate(part.u, part.v)
        return assemble(self.basis, part.u, part.v, departure, part.weights)

    def factor(self, waves: Waves, without: Equations | None = None) -> Factor:
        """Factor of the whole system, or of the system without some of the points."""
        matrix = self.equations.matrix + self.fairness.weighted(waves.along_mm, waves.around_mm)
        return factorised(matrix if without is None else matrix - without.matrix)

    def coefficients(self, waves: Waves, without: Equations | None = None) -> NDArray[np.float64]:
        """Spline coefficients (n_u, n_v, 3) for one stiffness, if asked without some of the points."""
        rhs = self.equations.rhs if without is None else self.equations.rhs - without.rhs
        solution = self.factor(waves, without).solve(rhs)
        return solution.reshape(self.basis.n_u, self.basis.n_v, 3) + self.reference.coefficients

    def solve(self, waves: Waves) -> TubeSurface:
        """The surface for one stiffness."""
        return TubeSurface(self.basis, self.coefficients(waves)).turned_outward()


def tube_basis(start_mm: float, stop_mm: float, radius_mm: float, tightest_mm: float) -> TubeBasis:
    """Basis fine enough for a tube of this mean radius and tightest radius of its section.

    Spans are a fifth of a diameter along the tube. Around it they are two fifths of the tightest radius, so
    that a quarter turn of the tightest edge spans four of them.
    """
    span = float(np.clip(0.4 * radius_mm, 2.5, 8.0))
    n_u = max(8, round((stop_mm - start_mm) / span))
    n_v = int(np.clip(np.ceil(2.0 * np.pi * radius_mm / (0.4 * tightest_mm)), 32, 128))
    return TubeBasis.uniform(start_mm, stop_mm, n_u, n_v)


def tukey_weights(residual: NDArray[np.float64], scale: float) -> NDArray[np.float64]:
    """Tukey's biweight with 95 % efficiency for Gaussian noise (constant 4.685; Holland and Welsch 1977,
    cited from memory)."""
    share = np.clip(residual / (4.685 * scale), -1.0, 1.0)
    return np.asarray((1.0 - share * share) ** 2)


def robust_scale(residual: NDArray[np.float64]) -> float:
    """Standard deviation of the bulk of the residuals: 1.4826 times their median absolute deviation."""
    return float(1.4826 * np.median(np.abs(residual - np.median(residual))))


@dataclass(frozen=True)
class Settled:
    """A fit whose foot points and robust weights no longer move."""

    problem: Problem
    surface: TubeSurface
    residual_mm: NDArray[np.float64]
    scale_mm: float


def settle(
    problem: Problem, areas: NDArray[np.float64], waves: Waves, *, rounds: int = 3, tuned: bool = True
) -> Settled:
    """Alternate solving, foot-point correction and robust weights.

    Parameters
    ----------
    problem : start parameters and weights
    areas : (n,) area of each point before any robust weight
    waves : stiffness of the fits on the way
    rounds : number of alternations
    tuned : set robust weights; else keep the problem's weights

    Notes
    -----
    Foot-point (parameter) correction after Hoschek 1988, with the Newton step of Wang, Pottmann and
    Liu 2006.
    """
    surface = problem.solve(waves)
    residual = np.zeros(len(areas))
    scale = 0.0
    for _ in range(rounds):
        data = problem.data
        feet = surface.project(data.points, data.u, data.v, steps=2, second_order=False)
        residual = feet.distance_mm
        scale = max(robust_scale(residual), 1e-6)
        weights = areas * tukey_weights(residual, scale) if tuned else data.weights
        moved = FitPoints(data.points, feet.u, feet.v, weights)
        problem = replace_data(problem, moved)
        surface = problem.solve(waves)
    return Settled(problem, surface, residual, scale)


def replace_data(problem: Problem, data: FitPoints) -> Problem:
    """The same problem with other points."""
    return replace(problem, data=data)
