"""A fit to the trusted points of one tube, as stiff as makes the scan most likely."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError
from gaploft.evidence.band import spread_per_mm2
from gaploft.evidence.noise import Noise, scan_noise
from gaploft.evidence.stretches import SMALLEST_SHARE, flank_stretches
from gaploft.evidence.strip import Strip, bridged, widest_strip
from gaploft.surface.arc import Arc
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.blank import Blanked, Grid, blanked
from gaploft.surface.fairness import Waves
from gaploft.surface.fit import (
    FitPoints,
    Problem,
    close_waves,
    section_size,
    settle,
    spread_out,
    started,
    started_on,
)
from gaploft.surface.model import TubeSurface
from gaploft.surface.shape import Shape
from gaploft.surface.sweep import Bridge
from gaploft.surface.weights import START, Likelihood, Places, likeliest
from gaploft.tube.model import TubePoints
from gaploft.tube.outline import Outline

#: Noise is guessed this much larger than close residuals show before it is measured on the chosen surface.
_FIRST_GUESS = 2.0

#: Straightness of the fit that follows closely, where a tube runs on beyond its points, in diameters.
_CLOSE_STRAIGHT = 2.0

#: Points that a rough fit does with.
_ROUGH_POINTS = 15_000
#: Cut-off around the section as a share of its tightest radius.
_EDGE_SHARE = 0.7
#: The same as a share of the mean radius, for what departs from a known shape where a strip was never seen.
_PLAIN_SHARE = 0.4

Floats = NDArray[np.float64]


def point_areas(u: Floats, v: Floats, radius_mm: float) -> Floats:
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


@dataclass(frozen=True)
class ChosenFit:
    """A fit with the stiffness that its scan made likeliest.

    Attributes
    ----------
    close : solution that follows the scan closely
    strip : the widest strip along the tube that was never seen, if there is one
    residual_mm : of the problem's points against the surface
    """

    problem: Problem
    close: Floats
    likelihood: Likelihood
    places: Places
    noise: Noise
    surface: TubeSurface
    residual_mm: Floats
    strip: Strip | None

    @property
    def waves(self) -> Waves:
        """The stiffness."""
        return self.likelihood.waves(self.places)


def chosen_fit(
    tube: TubePoints,
    ground: Arc | Shape,
    outline: Outline,
    margins: Floats,
    tick: Callable[[float], None],
    *,
    start: Places = START,
    rough: bool = False,
    closer: float = 1.0,
    runs_on: bool = False,
    density_mm4: float = 0.0,
) -> ChosenFit:
    """Fit to what lies further from the damage than the margins, as stiff as makes it likeliest.

    ``ground`` is the arc that the tube runs along, or a shape that it is known to be close to: then it is the
    departure from that shape which is to be fair. ``start`` is where the search begins, such as what an
    earlier fit chose. ``rough`` does with fewer points and one round: enough to find the margins with.
    ``closer`` is a share of the usual waves for the fit that follows the scan closely: what stands out from
    that one is no tube. A tube that ``runs_on`` beyond where it was seen is as straight as the scan makes
    likeliest. Noise has at least this density.
    """
    distance, rim = outline.distance(tube.u, tube.v)
    trusted = ~tube.damaged & (distance >= margins[rim])
    if rough:
        some = np.zeros(len(trusted), dtype=bool)
        some[spread_out(tube.u, _ROUGH_POINTS)] = True
        trusted &= some
    u, v = tube.u[trusted], tube.v[trusted]
    if len(u) < 500:
        raise EvidenceError(
            f"only {len(u)} scan points of the tube can be trusted, at least 500 are needed: scan more of it"
        )
    areas = point_areas(u, v, tube.radius_mm)
    plain = _EDGE_SHARE * tube.tightest_mm
    unseen = widest_strip(v, tube.radius_mm)
    if isinstance(ground, Shape) and unseen is not None:
        # The edges of a strip that was never seen pass for tight ones, which a known shape does not need.
        plain = max(plain, _PLAIN_SHARE * tube.radius_mm)
    problem, bridge = _first_problem(
        tube, ground, FitPoints(tube.points_mm[trusted], u, v, areas), plain, unseen
    )
    strip = None
    diameter = 2.0 * tube.radius_mm
    # Moves are held where they were, weakly, which decides where no point is: these must lead nowhere, too.
    straight = _CLOSE_STRAIGHT * diameter if runs_on else 0.0
    close = replace(close_waves(closer * diameter, plain), straight_mm=straight)
    settled = settle(problem, areas, close, rounds=2, bridge=bridge)
    tick(0.3)
    problem = settled.problem
    if bridge is not None:
        strip = bridged(problem, problem.solution(close), bridge, plain)
        bridge = strip.bridge
        # Heights are as stiff there as the section: no point holds them.
        plain = max(plain, bridge.cut_off_mm)
        close = replace(close_waves(closer * diameter, plain), straight_mm=straight)
    noise = _noise(problem, close, settled.residual_mm, tube.radius_mm)
    noise = replace(noise, density_mm4=max(_FIRST_GUESS * noise.density_mm4, density_mm4))
    for share in (0.3,) if rough else (0.3, 0.65):

        def told(done: float, first: float = share) -> None:
            tick(first + 0.3 * done)

        likelihood = Likelihood(problem, noise.density_mm4, diameter, plain)
        if runs_on:
            likelihood = likelihood.as_straight(start)
        start = likeliest(likelihood, start, tick=told)
        if runs_on:
            likelihood = likelihood.as_straight(start)
        waves = likelihood.waves(start)
        # The stiff surface tells noise from shape, and a boss from both, better than the close one.
        settled = settle(problem, areas, waves, rounds=1, bridge=bridge)
        problem = settled.problem
        noise = _noise(problem, waves, settled.residual_mm, tube.radius_mm)
        noise = replace(noise, density_mm4=max(noise.density_mm4, density_mm4))
    return ChosenFit(
        problem,
        problem.solution(close),
        replace(likelihood, problem=problem, known={}),
        start,
        noise,
        settled.surface,
        settled.residual_mm,
        strip,
    )


def _first_problem(
    tube: TubePoints, ground: Arc | Shape, data: FitPoints, plain_mm: float, bridge: Bridge | None
) -> tuple[Problem, Bridge | None]:
    """Where the fit starts, with the strip to be bridged; a known shape has none."""
    if isinstance(ground, Shape):
        return started_on(ground, data), None
    n_section = section_size(tube.radius_mm, tube.tightest_mm)
    return started(ground, data, tube.flank_mm, n_section=n_section, plain_mm=plain_mm, bridge=bridge), bridge


def _noise(problem: Problem, waves: Waves, residual_mm: Floats, radius_mm: float) -> Noise:
    """Noise of the points, from their residuals about the surface of this stiffness."""
    data = problem.data
    stations = np.quantile(data.u, np.linspace(0.1, 0.9, 8))
    grid = Grid.on(problem, stations, np.linspace(0.0, TURN_RAD, 12, endpoint=False))
    taken = float(np.median(spread_per_mm2(problem.factor(waves), grid)))
    return scan_noise(data.u, data.v, residual_mm, data.weights, radius_mm=radius_mm, taken_per_mm2=taken)


def blanked_sides(
    chosen: ChosenFit,
    tube: TubePoints,
    rebuilt_mm: tuple[float, float],
    *,
    smallest_share: float = SMALLEST_SHARE,
) -> tuple[tuple[Blanked, ...], tuple[Blanked, ...]]:
    """The stretches to test the rebuild on, on both flanks, each at least this share of the damage long.

    Raises
    ------
    EvidenceError
        None fits.
    """
    middle, width = _middle_and_width(tube)
    spans = ((tube.flank_mm[0], rebuilt_mm[0]), (rebuilt_mm[1], tube.flank_mm[1]))
    length = rebuilt_mm[1] - rebuilt_mm[0]
    first, second = (
        tuple(
            blanked(chosen.problem, chosen.close, stretch)
            for stretch in flank_stretches(
                span,
                length,
                tube.radius_mm,
                middle_rad=middle,
                width_rad=width,
                smallest_share=smallest_share,
            )
        )
        for span in spans
    )
    if not first and not second:
        raise EvidenceError(
            "no intact stretch beside the damage is long enough to test a rebuild of "
            f"{length:.1f} mm on: scan more of the tube"
        )
    return first, second


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
