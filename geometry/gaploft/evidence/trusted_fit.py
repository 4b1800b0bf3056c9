"""The fit of one tube: who is trusted, how stiff, and the final surface."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError
from gaploft.evidence.band import HALF_WIDTH, band_over
from gaploft.evidence.noise import Noise, scan_noise
from gaploft.evidence.stretches import check_flanks, flank_stretches
from gaploft.evidence.trust import CONTROL_REACHES, rim_margin
from gaploft.surface.blank import Blanked, blanked
from gaploft.surface.equations import Fairness
from gaploft.surface.fit import FitPoints, Problem, Settled, Waves, settle, tube_basis
from gaploft.surface.model import TubeSurface
from gaploft.surface.weights import choose_waves
from gaploft.tube.model import TubePoints
from gaploft.tube.outline import Outline, damage_outline

#: A surface that follows the scan closely: for foot points, residuals and as what blanked stretches are
#: compared with. In diameters along and around.
_CLOSE = (1.0, 0.07)
#: Points near the damage that are kept out at first, mm, and the most that is ever kept out.
_FIRST_REACH_MM, _WIDEST_REACH_MM = 12.0, 40.0
#: More points than this carry no more: they lie closer than the noise is correlated.
_MOST_POINTS = 50_000


@dataclass(frozen=True)
class TubeFit:
    """Everything the evidence is drawn from.

    ``margins_mm`` is the distrusted distance beyond each rim, ``rebuilt_mm`` the stations between
    which the surface is rebuilt, ``flanks_mm`` the trusted length on both sides, ``pieces`` the
    blanked stretches of both flanks, which belong to ``blank_problem``: the points as they stood
    when the weights were chosen.
    """

    outline: Outline
    margins_mm: tuple[float, ...]
    rebuilt_mm: tuple[float, float]
    flanks_mm: tuple[float, float]
    noise: Noise
    blank_problem: Problem
    problem: Problem
    residual_mm: NDArray[np.float64]
    surface: TubeSurface
    waves: Waves
    pieces: tuple[tuple[Blanked, ...], tuple[Blanked, ...]]
    radius_mm: float


def _thinned(tube: TubePoints) -> TubePoints:
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


def _areas(u: NDArray[np.float64], v: NDArray[np.float64], radius_mm: float) -> NDArray[np.float64]:
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
    areas = _areas(u, v, tube.radius_mm)
    basis = tube_basis(*tube.flank_mm, tube.radius_mm, tube.tightest_mm)
    data = FitPoints(tube.points_mm[trusted], u, v, areas)
    try:
        return settle(Problem(basis, Fairness.of(basis, tube.radius_mm), data), areas, close)
    except np.linalg.LinAlgError as error:
        raise EvidenceError(
            "the intact scan does not determine the tube's surface: scan more of the tube beside the damage"
        ) from error


@dataclass(frozen=True)
class _Chosen:
    """A close fit with the stretches blanked on it, the stiffness they chose and its surface."""

    settled: Settled
    pieces: tuple[tuple[Blanked, ...], tuple[Blanked, ...]]
    waves: Waves
    noise: Noise
    surface: TubeSurface


def _chosen(
    tube: TubePoints,
    outline: Outline,
    margins: NDArray[np.float64],
    tick: Callable[[float], None],
) -> _Chosen:
    """Fit to what lies further from the damage than the margins, as stiff as blanked stretches ask for."""
    distance, rim = outline.distance(tube.u, tube.v)
    trusted = ~tube.damaged & (distance >= margins[rim])
    diameter = 2.0 * tube.radius_mm
    settled = _settled(tube, trusted, Waves(_CLOSE[0] * diameter, _CLOSE[1] * diameter))
    tick(0.3)
    problem = settled.problem
    rebuilt = (tube.gap_mm[0] - margins[0], tube.gap_mm[1] + margins[-1])
    middle, width = _middle_and_width(tube)
    pieces = [
        tuple(
            blanked(problem, settled.surface, stretch)
            for stretch in flank_stretches(
                side, rebuilt[1] - rebuilt[0], tube.radius_mm, middle_rad=middle, width_rad=width
            )
        )
        for side in ((tube.flank_mm[0], rebuilt[0]), (rebuilt[1], tube.flank_mm[1]))
    ]
    if not any(pieces):
        raise EvidenceError(
            "no intact stretch beside the damage is long enough to test a rebuild of "
            f"{rebuilt[1] - rebuilt[0]:.1f} mm on: scan more of the tube"
        )
    waves = choose_waves(
        problem, [*pieces[0], *pieces[1]], diameter, tick=lambda share: tick(0.3 + 0.7 * share)
    )
    surface = problem.solve(waves)
    data = problem.data
    feet = surface.project(data.points, data.u, data.v, steps=1, second_order=False)
    noise = scan_noise(data.u, data.v, feet.distance_mm, data.weights, tube.radius_mm)
    return _Chosen(settled, (pieces[0], pieces[1]), waves, replace(noise, scale_mm=settled.scale_mm), surface)


def _margins(tube: TubePoints, outline: Outline, chosen: _Chosen, reaches: list[float]) -> list[float]:
    """Distrusted distance of each rim, measured on the points that were kept out."""
    distance, rim = outline.distance(tube.u, tube.v)
    found = []
    for number, reach in enumerate(reaches):
        near = np.flatnonzero(~tube.damaged & (rim == number) & (distance < CONTROL_REACHES * reach))
        feet = chosen.surface.project(tube.points_mm[near], tube.u[near], tube.v[near], steps=2)
        stations = (float(tube.u[near].min()), float(tube.u[near].max())) if len(near) else tube.gap_mm
        band = band_over(
            chosen.settled.problem, chosen.waves, stations, chosen.noise.density_mm4, 1.0, n_u=12
        )
        found.append(
            rim_margin(
                distance[near],
                tube.v[near],
                feet.distance_mm,
                band(tube.u[near], tube.v[near]) / HALF_WIDTH,
                scale_mm=chosen.noise.scale_mm,
                correlated_mm2=chosen.noise.correlated_mm2,
                radius_mm=tube.radius_mm,
                reach_mm=reach,
            )
        )
    return found


def _trusted_margins(
    tube: TubePoints, outline: Outline, tick: Callable[[float], None]
) -> NDArray[np.float64]:
    """Walk outward from the damage until the residuals are noise; look further where they never are."""
    beyond = (tube.gap_mm[0] - tube.flank_mm[0], tube.flank_mm[1] - tube.gap_mm[1])
    widest = [
        min(_WIDEST_REACH_MM, 0.4 * flank) for flank in (beyond if outline.n_rims == 2 else (min(beyond),))
    ]
    reaches = [max(1.0, min(_FIRST_REACH_MM, most)) for most in widest]
    for attempt in range(3):

        def told(share: float, done: int = attempt) -> None:
            tick((done + share) / 3.0)

        chosen = _chosen(tube, outline, np.array(reaches), told)
        margins = _margins(tube, outline, chosen, reaches)
        more = [found >= reach < most for found, reach, most in zip(margins, reaches, widest, strict=True)]
        if not any(more):
            break
        reaches = [
            min(most, 1.8 * reach) if wider else reach
            for wider, reach, most in zip(more, reaches, widest, strict=True)
        ]
    return np.array(margins)


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


def fit_tube(tube: TubePoints, *, tick: Callable[[float], None] = lambda share: None) -> TubeFit:
    """Fit the outer surface of a damaged tube to what can be trusted of its scan.

    Raises
    ------
    EvidenceError
        The flanks are too short for the damage, or determine no surface.
    """
    tube = _thinned(tube)
    outline = damage_outline(tube)
    beyond = (tube.gap_mm[0] - tube.flank_mm[0], tube.flank_mm[1] - tube.gap_mm[1])
    check_flanks(beyond, tube.gap_length_mm, tube.radius_mm, tube.stopped_by)
    margins = _trusted_margins(tube, outline, lambda share: tick(0.6 * share))
    rebuilt = (tube.gap_mm[0] - float(margins[0]), tube.gap_mm[1] + float(margins[-1]))
    flanks = (rebuilt[0] - tube.flank_mm[0], tube.flank_mm[1] - rebuilt[1])
    check_flanks(flanks, rebuilt[1] - rebuilt[0], tube.radius_mm, tube.stopped_by)
    chosen = _chosen(tube, outline, margins, lambda share: tick(0.6 + 0.3 * share))
    problem = chosen.settled.problem
    areas = _areas(problem.data.u, problem.data.v, tube.radius_mm)
    final = settle(problem, areas, chosen.waves, rounds=2)
    tick(1.0)
    return TubeFit(
        outline,
        tuple(float(margin) for margin in margins),
        rebuilt,
        flanks,
        chosen.noise,
        problem,
        final.problem,
        final.residual_mm,
        final.surface,
        chosen.waves,
        chosen.pieces,
        tube.radius_mm,
    )
