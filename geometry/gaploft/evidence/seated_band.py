"""The band of a re-seated tube: what is not known of the motion moves the surface, too."""

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.band import HALF_WIDTH, Band
from gaploft.evidence.motion import Motion
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.blank import Grid
from gaploft.surface.fairness import Waves
from gaploft.surface.fit import Problem


def band_with_motion(
    band: Band, problem: Problem, waves: Waves, motion: Motion, move: Literal["from", "to"]
) -> Band:
    """Band widened by the uncertainty of the motion that one half was re-seated by.

    Parameters
    ----------
    band : of the fit to the re-seated scan
    problem, waves : that fit
    motion : what is known of how the half lies, about a point between the halves
    move : the half that was re-seated
    """
    u, n_v = band.u, band.half_width_mm.shape[1]
    v = np.linspace(0.0, TURN_RAD, n_v, endpoint=False)
    grid = Grid.on(problem, u, v)
    pulls = _response(problem, waves, motion, move)
    shown = np.stack([grid.heights(pull) for pull in pulls], axis=-1)
    variance = np.einsum("ijk,kl,ijl->ij", shown, motion.covariance, shown)
    return replace(band, half_width_mm=np.hypot(band.half_width_mm, HALF_WIDTH * np.sqrt(variance)))


def _response(
    problem: Problem, waves: Waves, motion: Motion, move: Literal["from", "to"]
) -> list[NDArray[np.float64]]:
    """Change of the solution, (n_u, m) each, when the half takes each of the six steps."""
    cells = problem.cells
    surface = problem.solve(waves)
    points, normals = surface.evaluate(cells.u, cells.v), surface.normals(cells.u, cells.v)
    beyond = (points - motion.centre) @ motion.directions[2] > 0.0
    part = beyond if move == "to" else ~beyond
    first, second, axis = motion.directions
    arms = (points - motion.centre) / motion.radius_mm
    moves = [np.broadcast_to(step, arms.shape) for step in (first, second)]
    moves += [np.cross(turn, arms) for turn in (first, second, axis)]
    moves.append(np.broadcast_to(axis, arms.shape))
    sides = np.column_stack([(step * normals).sum(1) for step in moves])
    solved = problem.factor(waves).solve(problem.assembled(part, sides).rhs)
    return list(solved.reshape(problem.basis.n_u, -1, 6).transpose(2, 0, 1))
