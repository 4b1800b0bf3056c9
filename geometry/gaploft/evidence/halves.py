"""Does one half of the tube continue the other? A free rigid motion of one half against none."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_distribution

from gaploft.evidence.model import Halves
from gaploft.surface.blank import Blanked, Stretch, blanked
from gaploft.surface.equations import assemble
from gaploft.surface.fit import CLOSE_DIAMETERS, Problem, Waves
from gaploft.surface.model import TubeSurface
from gaploft.surface.weights import BlankScores, choose_waves

#: A motion counts as real when an unbroken tube would show one as large in less than one case in a thousand.
_SIGNIFICANCE = 0.001
#: Directions of motion that change the fit less than this share of the strongest are not seen by the scan.
_UNSEEN = 1e-4
#: A motion that moves the far rim by less than this says nothing a machine could follow, mm.
_FELT_MM = 0.03
#: ... nor when it is not this many times what appears across stretches where nothing has moved.
_TIMES_STILL = 6.0
#: A motion is real only when undoing it leaves the blank tests about as good as they were, within this share
#: of their squared error. A mere change of shape pulls at the motion too, but undoing that spoils them.
_NO_WORSE = 1.4
#: Share of a half that is blanked in it, so that enough is left on both sides.
_SHARE_OF_FLANK = 0.45
_AROUND = np.arange(48) * (2.0 * np.pi / 48)


@dataclass(frozen=True)
class _FreeMotion:
    """Rigid motion of all beyond a station that lets one smooth surface fit both sides best.

    ``shift_mm`` and ``turn_rad`` (3,), about the tube's axis there; ``surprise`` is its squared length
    in standard deviations per direction seen, of which there are ``seen``.
    """

    shift_mm: NDArray[np.float64]
    turn_rad: NDArray[np.float64]
    axis: NDArray[np.float64]
    surprise: float
    seen: int


def _free_motion(
    problem: Problem, waves: Waves, middle_mm: float, density_mm4: float, without: Blanked | None
) -> _FreeMotion:
    """Solve for the motion of everything beyond a station.

    The six motions enter the least-squares problem as columns beside the spline; only their part along the
    surface normal counts, since sliding along the surface shows nothing. Eliminating the spline leaves a
    6 x 6 system. Motions that the scan can't see (turning a round tube about its axis, sliding a cylinder
    along it) are left at zero.
    """
    surface = problem.solve(waves)
    stations = np.full(len(_AROUND), middle_mm)
    centre = surface.evaluate(stations, _AROUND).mean(axis=0)
    axis = surface.derivatives(stations, _AROUND, 1, 0).mean(axis=0)
    axis /= np.linalg.norm(axis)
    data = problem.data
    far = data.u > middle_mm
    if without is not None:
        far &= ~without.left_out(data.u, data.v)
    normals, weights = surface.normals(data.u[far], data.v[far]), data.weights[far]
    arms = data.points[far] - centre
    radius = float(np.sqrt((np.cross(arms, axis) ** 2).sum(1).mean()))
    # Rotations are measured at the mean radius so that all six columns are in mm.
    motion = np.hstack([normals, np.cross(arms, normals) / radius])
    columns = [
        assemble(problem.basis, data.u[far], data.v[far], normals * motion[:, k : k + 1], weights).rhs
        for k in range(6)
    ]
    equations = None if without is None else without.equations
    factor = problem.factor(waves, equations)
    rhs = problem.equations.rhs if equations is None else problem.equations.rhs - equations.rhs
    target, solved = factor.solve(rhs), [factor.solve(column) for column in columns]
    weighted = (motion * weights[:, None]).T
    information = weighted @ motion - np.array([[(a * b).sum() for b in solved] for a in columns])
    departure = data.points[far] - problem.reference.evaluate(data.u[far], data.v[far])
    offsets = (departure * normals).sum(1)
    pull = np.array([(column * target).sum() for column in columns]) - weighted @ offsets
    values, vectors = np.linalg.eigh((information + information.T) / 2.0)
    seen = values > _UNSEEN * values[-1]
    along = (vectors.T @ pull)[seen]
    solution = vectors[:, seen] @ (along / values[seen])
    n_seen = int(seen.sum())
    surprise = float((along**2 / values[seen]).sum() / density_mm4 / n_seen)
    return _FreeMotion(solution[:3], solution[3:] / radius, axis, surprise, n_seen)


def _still_stretches(
    problem: Problem, close: TubeSurface, rebuilt_mm: tuple[float, float], radius_mm: float
) -> list[Blanked]:
    """One blanked stretch within each half, rebuilt from that half alone: the other one may have moved."""
    first, last = problem.basis.range_u
    middle = sum(rebuilt_mm) / 2.0
    pieces = []
    for (start, stop), away in (
        ((first, rebuilt_mm[0]), (middle, last)),
        ((rebuilt_mm[1], last), (first, middle)),
    ):
        length = min(rebuilt_mm[1] - rebuilt_mm[0], _SHARE_OF_FLANK * (stop - start))
        if stop - start > radius_mm:
            at = (start + stop - length) / 2.0
            pieces.append(blanked(problem, close, Stretch(at, at + length), away))
    return pieces


def halves_motion(
    scores: BlankScores,
    close: TubeSurface,
    rebuilt_mm: tuple[float, float],
    density_mm4: float,
) -> Halves:
    """Rigid motion of the far half, and whether it is more than an unbroken tube would show.

    Parameters
    ----------
    scores : the blank tests on the trusted points of both halves
    close : a surface that follows them closely
    rebuilt_mm : stations between which the tube is rebuilt
    density_mm4 : noise variance times area

    Notes
    -----
    The stiffness is chosen by stretches within each half, without the other. The same motion is then fitted
    across these stretches, where nothing has moved: what appears there is the model's own error and the
    noise. The ratio of both is tested as a ratio of variances (F test), and what passes must leave the
    blank tests as good once it is undone. An even bend is free in the model, so that part of a tilt can pass
    for one: with short flanks the angle comes out too small.
    """
    problem, diameter_mm = scores.problem, scores.diameter_mm
    pieces = _still_stretches(problem, close, rebuilt_mm, diameter_mm / 2.0)
    if not pieces:
        return Halves(0.0, 0.0, 0.0, False)
    waves = choose_waves(BlankScores(problem, pieces, diameter_mm))
    found = _free_motion(problem, waves, sum(rebuilt_mm) / 2.0, density_mm4, None)
    still = [
        _free_motion(
            problem, waves, (piece.stretch.start_mm + piece.stretch.stop_mm) / 2.0, density_mm4, piece
        )
        for piece in pieces
    ]
    usual = max(1.0, float(np.mean([motion.surprise for motion in still])))
    chance = float(f_distribution.sf(found.surprise / usual, found.seen, len(still) * found.seen))
    quiet = [
        _felt_mm(close, (piece.stretch.start_mm, piece.stretch.stop_mm), motion)
        for piece, motion in zip(pieces, still, strict=True)
    ]
    least = max(_FELT_MM, _TIMES_STILL * max(quiet))
    real = chance < _SIGNIFICANCE and _felt_mm(close, rebuilt_mm, found) > least
    if real:
        real = _score(_reseated(scores, close, found, rebuilt_mm)) < _NO_WORSE * _score(scores)
    across = found.shift_mm - (found.shift_mm @ found.axis) * found.axis
    twist = float(found.turn_rad @ found.axis)
    tilt = found.turn_rad - twist * found.axis
    return Halves(
        float(np.linalg.norm(across)),
        float(np.degrees(np.linalg.norm(tilt))),
        float(np.degrees(abs(twist))),
        real,
    )


def _reseated(
    scores: BlankScores, close: TubeSurface, motion: _FreeMotion, rebuilt_mm: tuple[float, float]
) -> BlankScores:
    """The same blanked stretches on a tube whose far half has been moved."""
    problem, data = scores.problem, scores.problem.data
    middle = np.full(len(_AROUND), sum(rebuilt_mm) / 2.0)
    normals = close.normals(data.u, data.v)
    arms = data.points - close.evaluate(middle, _AROUND).mean(axis=0)
    moved = ((motion.shift_mm + np.cross(motion.turn_rad, arms)) * normals).sum(1)
    moved[data.u <= middle[0]] = 0.0
    seated = replace(problem, data=replace(data, points=data.points + moved[:, None] * normals))
    follows = seated.solve(Waves(*(share * scores.diameter_mm for share in CLOSE_DIAMETERS)))
    pieces = [blanked(seated, follows, piece.stretch) for piece in scores.pieces]
    return BlankScores(seated, pieces, scores.diameter_mm)


def _score(scores: BlankScores) -> float:
    """Mean squared error of the blanked stretches at the stiffness they choose, mm^2."""
    waves = choose_waves(scores)
    errors = [piece.error(scores.problem, waves) for piece in scores.pieces]
    return float(np.mean([np.mean(error**2) for error in errors]))


def _felt_mm(close: TubeSurface, rebuilt_mm: tuple[float, float], motion: _FreeMotion) -> float:
    """Root mean square distance by which a motion moves the far rim along its normals, mm."""
    stations = np.full(len(_AROUND), rebuilt_mm[1])
    middle = np.full(len(_AROUND), sum(rebuilt_mm) / 2.0)
    arms = close.evaluate(stations, _AROUND) - close.evaluate(middle, _AROUND).mean(axis=0)
    moved = motion.shift_mm + np.cross(motion.turn_rad, arms)
    return float(np.sqrt(((moved * close.normals(stations, _AROUND)).sum(1) ** 2).mean()))
