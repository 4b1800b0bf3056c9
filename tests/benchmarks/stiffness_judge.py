"""One fitted tube with its original, to measure what any stiffness would have made of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import measuring  # noqa: F401  # isort: skip - puts the tests' folders on the path

from gaploft.evidence.band import spread_per_mm2
from gaploft.evidence.trusted_fit import TubeFit, fit_tube
from gaploft.job import Damage
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.blank import Blanked, Grid
from gaploft.surface.weights import Places
from gaploft.tube.isolate import isolate_tube
from lofted import BrokenTube

Floats = NDArray[np.float64]

_GRID_U, _GRID_V = 40, 96
#: The posterior is smooth and each place of it takes a solution: every so many places of the grid do.
_COARSE = 4


def fitted(case: BrokenTube) -> TubeFit:
    """Isolate and fit the tube of a scan."""
    source = ScanSource("benchmark", "", "mm", len(case.vertices), len(case.faces))
    scan = scan_from_arrays(case.vertices, case.faces, mm_per_unit=1.0, source=source)
    return fit_tube(isolate_tube(scan, Damage(case.from_mm, case.to_mm, case.damaged)))


@dataclass(frozen=True)
class Judge:
    """A fit beside the original, on a grid over the rebuilt zone.

    ``original`` (n_u, n_v) are heights of the original above the unmoved sweep, mm; ``inside`` says which
    grid places are rebuilt.
    """

    case: BrokenTube
    fit: TubeFit
    grid: Grid
    inside: NDArray[np.bool_]
    original: Floats

    @classmethod
    def of(cls, case: BrokenTube, fit: TubeFit) -> "Judge":
        """Find the original along the normals of the surface that was chosen, which lies close to it."""
        chosen = fit.chosen
        angles = np.arange(_GRID_V) * (TURN_RAD / _GRID_V)
        grid = Grid.on(chosen.problem, np.linspace(*fit.rebuilt_mm, _GRID_U), angles)
        uu, vv = np.meshgrid(grid.u, grid.v, indexing="ij")
        distance, rim = fit.outline.distance(uu, vv)
        solution = chosen.problem.solution(chosen.waves)
        surface = chosen.problem.surface(solution)
        points = surface.evaluate(uu.ravel(), vv.ravel())
        normals = surface.normals(uu.ravel(), vv.ravel())
        cosine = (normals * case.truth_normals(points)).sum(axis=1)
        off = (case.truth_error(points) / cosine).reshape(uu.shape)
        inside = distance < np.array(fit.margins_mm)[rim]
        return cls(case, fit, grid, inside, grid.heights(solution) - off)

    @property
    def pieces(self) -> list[Blanked]:
        """The blanked stretches of both flanks."""
        return [piece for side in self.fit.sides for piece in side]

    def solution(self, places: Places) -> Floats:
        """The fit for one stiffness."""
        chosen = self.fit.chosen
        return chosen.problem.solution(chosen.likelihood.waves(places))

    def miss(self, places: Places) -> float:
        """Mean squared height over the original, to first order: quick enough to be searched, mm2."""
        off = self.grid.heights(self.solution(places)) - self.original
        return float(np.mean(off[self.inside] ** 2))

    def blank_miss(self, places: Places) -> float:
        """Mean squared error of the rebuilt stretches, mm2."""
        chosen = self.fit.chosen
        waves = chosen.likelihood.waves(places)
        return float(np.mean([np.mean(piece.error(chosen.problem, waves) ** 2) for piece in self.pieces]))

    def errors(self, solution: Floats) -> tuple[float, float]:
        """Root mean square and largest distance of the surface to the original in the rebuilt zone, mm."""
        uu, vv = np.meshgrid(self.grid.u, self.grid.v, indexing="ij")
        surface = self.fit.chosen.problem.surface(solution)
        error = self.case.truth_error(surface.evaluate(uu[self.inside], vv[self.inside]))
        return float(np.sqrt(np.mean(error**2))), float(np.abs(error).max())

    def apart(self, solution: Floats, other: Floats) -> float:
        """Mean squared height between two solutions in the rebuilt zone, mm2."""
        return float(np.mean(self.grid.heights(solution - other)[self.inside] ** 2))

    def posterior(self, places: Places) -> float:
        """Mean variance in the rebuilt zone that the fit claims for a stiffness, mm2.

        It is noise carried through and shape that the scan leaves open, so the information bound of the fit.
        """
        chosen = self.fit.chosen
        coarse = Grid.on(chosen.problem, self.grid.u[::_COARSE], self.grid.v[::_COARSE])
        spread = spread_per_mm2(chosen.problem.factor(chosen.likelihood.waves(places)), coarse)
        return chosen.noise.density_mm4 * float(np.mean(spread[self.inside[::_COARSE, ::_COARSE]]))
