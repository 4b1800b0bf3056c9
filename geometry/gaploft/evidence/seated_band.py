"""The band of a re-seated tube: what is not known of the motion moves the surface, too."""

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.band import HALF_WIDTH, Band
from gaploft.evidence.motion import Motion
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.blank import Grid
from gaploft.surface.equations import assemble
from gaploft.surface.fit import Problem, Waves


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
    pulls = _response(problem, waves, motion, move)
    surface = problem.solve(waves)
    grid = Grid.on(problem.basis, u, v)
    uu, vv = np.meshgrid(u, v, indexing="ij")
    normals = surface.normals(uu, vv)
    shown = np.stack([(grid.values(pull) * normals).sum(-1) for pull in pulls], axis=-1)
    variance = np.einsum("ijk,kl,ijl->ij", shown, motion.covariance, shown)
    return replace(band, half_width_mm=np.hypot(band.half_width_mm, HALF_WIDTH * np.sqrt(variance)))


def _response(
    problem: Problem, waves: Waves, motion: Motion, move: Literal["from", "to"]
) -> list[NDArray[np.float64]]:
    """Change of the coefficients, (n_u, n_v, 3) each, when the half takes each of the six steps."""
    data = problem.data
    beyond = (data.points - motion.centre) @ motion.directions[2] > 0.0
    part = data.where(beyond if move == "to" else ~beyond)
    first, second, axis = motion.directions
    arms = (part.points - motion.centre) / motion.radius_mm
    moves = [np.broadcast_to(step, arms.shape) for step in (first, second)]
    moves += [np.cross(turn, arms) for turn in (first, second, axis)]
    moves.append(np.broadcast_to(axis, arms.shape))
    pull = assemble(problem.basis, part.u, part.v, np.hstack(moves), part.weights).rhs
    solved = problem.factor(waves).solve(pull).reshape(problem.basis.n_u, problem.basis.n_v, 6, 3)
    return list(np.moveaxis(solved, 2, 0))
