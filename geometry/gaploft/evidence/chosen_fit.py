"""A fit to the trusted points of one tube, as stiff as blanked stretches ask for."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError
from gaploft.evidence.noise import Noise, scan_noise
from gaploft.evidence.stretches import flank_stretches
from gaploft.surface.basis import TURN_RAD, TubeBasis
from gaploft.surface.blank import blanked
from gaploft.surface.equations import PLAIN_DIAMETERS, Fairness
from gaploft.surface.fit import CLOSE_DIAMETERS, FitPoints, Problem, Settled, Waves, settle, tube_basis
from gaploft.surface.model import TubeSurface
from gaploft.surface.reference import arc_through, swept_reference
from gaploft.surface.weights import BlankScores, choose_waves
from gaploft.tube.model import TubePoints
from gaploft.tube.outline import Outline

#: More points than this carry no more: they lie closer than the noise is correlated.
_MOST_POINTS = 50_000


def thinned(tube: TubePoints) -> TubePoints:
    """Every k-th point where there are more than carry information; always the same ones."""
    step = -(-len(tube.u) // _MOST_POINTS)
    if step == 1:
        return tube
    part = slice(None, None, step)
    return replace(
        tube,
        points_mm=tube.points_mm[part],
        normals=tube.normals[part],
        u=tube.u[part],
        v=tube.v[part],
        damaged=tube.damaged[part],
    )


def point_areas(u: NDArray[np.float64], v: NDArray[np.float64], radius_mm: float) -> NDArray[np.float64]:
    """Area that each point stands for: that of its patch of some mm over the number of points in it."""
    side = 4.0
    per_turn = max(6, round(2.0 * np.pi * radius_mm / side))
    column = np.floor(np.mod(v, 2.0 * np.pi) / (2.0 * np.pi) * per_turn).astype(int) % per_turn
    patch = np.floor((u - u.min()) / side).astype(int) * per_turn + column
    count = np.bincount(patch)
    area = side * 2.0 * np.pi * radius_mm / per_turn
    # A patch at the edge of a hole is not all there: it counts as thinly as the typical one is dense.
    typical = float(np.median(count[count > 0]))
    return np.asarray(area / np.maximum(count, 0.7 * typical)[patch])


def _settled(tube: TubePoints, trusted: NDArray[np.bool_], close: Waves) -> Settled:
    """Close fit to the trusted points."""
    u, v = tube.u[trusted], tube.v[trusted]
    if len(u) < 500:
        raise EvidenceError(
            f"only {len(u)} scan points of the tube can be trusted, at least 500 are needed: scan more of it"
        )
    areas = point_areas(u, v, tube.radius_mm)
    basis = tube_basis(*tube.flank_mm, tube.radius_mm, tube.tightest_mm)
    data = FitPoints(tube.points_mm[trusted], u, v, areas)
    plain = _plain_wave(data.v, tube.radius_mm)
    reference = _reference(tube, basis, data, plain)
    problem = Problem(basis, Fairness.of(basis, tube.radius_mm, plain), data, reference)
    return settle(problem, areas, close)


def _plain_wave(v: NDArray[np.float64], radius_mm: float) -> float:
    """Cut-off of the plain term, mm: as long as the widest strip along the tube that was never seen.

    A shorter one would draw the strip from the noise of its very edges.
    """
    n = 180
    count = np.bincount(np.floor(np.mod(v, TURN_RAD) * (n / TURN_RAD)).astype(int) % n, minlength=n)
    seen = np.flatnonzero(count > 0.1 * np.median(count))
    unseen = int((np.diff(np.append(seen, seen[0] + n)) - 1).max())
    strip = unseen * TURN_RAD * radius_mm / n
    return max(PLAIN_DIAMETERS * 2.0 * radius_mm, strip)


def _reference(tube: TubePoints, basis: TubeBasis, data: FitPoints, plain_mm: float) -> TubeSurface:
    """Mean section swept along the arc that lies closest to the spine where there is a tube to see."""
    stations = np.concatenate(
        [np.linspace(tube.flank_mm[0], tube.gap_mm[0], 40), np.linspace(tube.gap_mm[1], tube.flank_mm[1], 40)]
    )
    arc = arc_through(stations, tube.spine.points(stations))
    return swept_reference(basis, arc, data.points, data.u, data.v, plain_mm)


@dataclass(frozen=True)
class ChosenFit:
    """A close fit with the stretches blanked on it, the stiffness they chose and its surface.

    ``close`` follows the scan closely; ``sides`` are the numbers of the stretches on each flank.
    """

    problem: Problem
    close: TubeSurface
    scores: BlankScores
    sides: tuple[tuple[int, ...], tuple[int, ...]]
    waves: Waves
    noise: Noise
    surface: TubeSurface


def chosen_fit(
    tube: TubePoints,
    outline: Outline,
    margins: NDArray[np.float64],
    tick: Callable[[float], None],
    *,
    rough: bool = False,
) -> ChosenFit:
    """Fit to what lies further from the damage than the margins, as stiff as blanked stretches ask for.

    ``rough`` blanks one stretch a flank only: enough to find the margins with.
    """
    distance, rim = outline.distance(tube.u, tube.v)
    trusted = ~tube.damaged & (distance >= margins[rim])
    diameter = 2.0 * tube.radius_mm
    settled = _settled(tube, trusted, Waves(CLOSE_DIAMETERS[0] * diameter, CLOSE_DIAMETERS[1] * diameter))
    tick(0.3)
    problem = settled.problem
    rebuilt = (tube.gap_mm[0] - margins[0], tube.gap_mm[1] + margins[-1])
    middle, width = _middle_and_width(tube)
    spans = ((tube.flank_mm[0], rebuilt[0]), (rebuilt[1], tube.flank_mm[1]))
    sides = [
        flank_stretches(span, rebuilt[1] - rebuilt[0], tube.radius_mm, middle_rad=middle, width_rad=width)
        for span in spans
    ]
    if rough:
        sides = [side[len(side) // 2 : len(side) // 2 + 1] for side in sides]
    pieces = [blanked(problem, settled.surface, stretch) for side in sides for stretch in side]
    if not pieces:
        raise EvidenceError(
            "no intact stretch beside the damage is long enough to test a rebuild of "
            f"{rebuilt[1] - rebuilt[0]:.1f} mm on: scan more of the tube"
        )
    scores = BlankScores(problem, pieces, diameter)
    waves = choose_waves(scores, tick=lambda share: tick(0.3 + 0.7 * share))
    surface = problem.solve(waves)
    data = problem.data
    feet = surface.project(data.points, data.u, data.v, steps=1, second_order=False)
    noise = scan_noise(data.u, data.v, feet.distance_mm, data.weights, tube.radius_mm)
    n = len(sides[0])
    return ChosenFit(
        settled.problem,
        settled.surface,
        scores,
        (tuple(range(n)), tuple(range(n, len(pieces)))),
        waves,
        replace(noise, scale_mm=settled.scale_mm),
        surface,
    )


def _middle_and_width(tube: TubePoints) -> tuple[float, float]:
    """Angular middle and width of the damage, from the largest part of the turn that it leaves free."""
    turn = 2.0 * np.pi
    if tube.patch is None:
        return 0.0, turn
    angles = np.sort(np.mod(tube.patch[:, 1], turn))
    free = np.diff(np.append(angles, angles[0] + turn))
    widest = int(np.argmax(free))
    width = turn - float(free[widest]) + 4.0 / tube.radius_mm
    middle = float(angles[(widest + 1) % len(angles)]) + (turn - float(free[widest])) / 2.0
    return middle, min(width, turn)
