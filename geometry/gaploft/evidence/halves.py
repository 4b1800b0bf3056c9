"""Does one half of the tube continue the other? A free rigid motion of one half against none."""

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from gaploft.evidence.model import Halves
from gaploft.surface.equations import assemble
from gaploft.surface.fit import Problem, Waves

#: A motion counts as real when noise alone would show one as large in less than one tube in a hundred.
_SIGNIFICANCE = 0.01
#: Directions of motion that change the fit less than this share of the strongest are not seen by the scan.
_UNSEEN = 1e-4


def halves_motion(problem: Problem, waves: Waves, gap_mm: tuple[float, float], density_mm4: float) -> Halves:
    """Rigid motion of the far half that lets one smooth surface fit both best.

    Parameters
    ----------
    problem, waves : the fit
    gap_mm : stations between which the tube is missing
    density_mm4 : noise variance times area, with the calibration of the band in it

    Notes
    -----
    The six motions enter the least-squares problem as columns beside the spline; only their part along
    the surface normal counts, since sliding along the surface shows nothing. Eliminating the spline
    leaves a 6 x 6 system. Motions that the scan can't see (turning a round tube about its axis, sliding
    a cylinder along it) are left at zero. Significance is a chi-squared test of the motions seen.
    """
    data = problem.data
    middle = (gap_mm[0] + gap_mm[1]) / 2.0
    surface = problem.solve(waves)
    section = surface.evaluate(np.full(48, middle), np.arange(48) * (2.0 * np.pi / 48))
    centre = section.mean(axis=0)
    axis = surface.derivatives(np.full(48, middle), np.arange(48) * (2.0 * np.pi / 48), 1, 0).mean(axis=0)
    axis /= np.linalg.norm(axis)
    far = data.u > middle
    normals = surface.normals(data.u[far], data.v[far])
    arms = data.points[far] - centre
    radius = np.sqrt((np.cross(arms, axis) ** 2).sum(1).mean())
    # Rotations are measured at the mean radius so that all six columns are in mm.
    motion = np.hstack([normals, np.cross(arms, normals) / radius])
    weights = data.weights[far]
    columns = [
        assemble(problem.basis, data.u[far], data.v[far], normals * motion[:, k : k + 1], weights).rhs
        for k in range(6)
    ]
    factor = problem.factor(waves)
    solved = [factor.solve(column) for column in columns]
    target = factor.solve(problem.equations.rhs)
    own = (motion * weights[:, None]).T @ motion
    information = own - np.array([[(a * b).sum() for b in solved] for a in columns])
    offsets = ((data.points[far] - problem.origin) * normals).sum(1)
    pull = (motion * weights[:, None]).T @ offsets - np.array([(column * target).sum() for column in columns])
    return _as_halves(-pull, (information + information.T) / 2.0, axis, radius, density_mm4)


def _as_halves(
    pull: NDArray[np.float64],
    information: NDArray[np.float64],
    axis: NDArray[np.float64],
    radius: float,
    density_mm4: float,
) -> Halves:
    """Solve for the motion in the directions that are seen, and test it."""
    values, vectors = np.linalg.eigh(information)
    seen = values > _UNSEEN * values[-1]
    along = (vectors.T @ pull)[seen]
    motion = vectors[:, seen] @ (along / values[seen])
    statistic = float((along**2 / values[seen]).sum() / density_mm4)
    significant = bool(chi2.sf(statistic, int(seen.sum())) < _SIGNIFICANCE)
    shift, turn = motion[:3], motion[3:] / radius
    across = shift - (shift @ axis) * axis
    tilt = turn - (turn @ axis) * axis
    return Halves(
        float(np.linalg.norm(across)),
        float(np.degrees(np.linalg.norm(tilt))),
        float(np.degrees(abs(turn @ axis))),
        significant,
    )
