"""The fit of one tube: who is trusted, and the final surface."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError
from gaploft.evidence.band import HALF_WIDTH, band_over
from gaploft.evidence.chosen_fit import ChosenFit, blanked_sides, chosen_fit
from gaploft.evidence.noise import Noise
from gaploft.evidence.straight import along_arc, thinned
from gaploft.evidence.stretches import SHARE_IF_KNOWN, SMALLEST_SHARE, check_flanks
from gaploft.evidence.trust import CONTROL_REACHES, rim_margin
from gaploft.surface.arc import Arc
from gaploft.surface.blank import Blanked
from gaploft.surface.model import TubeSurface
from gaploft.surface.shape import Shape
from gaploft.surface.weights import START, Places
from gaploft.tube.model import TubePoints
from gaploft.tube.outline import Outline, damage_outline

#: Points near the damage that are kept out at first, mm, and the most that is ever kept out.
_FIRST_REACH_MM, _WIDEST_REACH_MM = 12.0, 40.0


@dataclass(frozen=True)
class TubeFit:
    """Everything the evidence is drawn from.

    Attributes
    ----------
    margins_mm : distrusted distance beyond each rim
    rebuilt_mm : stations between which the surface is rebuilt
    flanks_mm : trusted length on both sides
    chosen : the problem, its stiffness and what made it the likeliest
    sides : the blanked stretches on each flank
    shape : what the tube was known to be close to, where that was asked for
    """

    outline: Outline
    margins_mm: tuple[float, ...]
    rebuilt_mm: tuple[float, float]
    flanks_mm: tuple[float, float]
    chosen: ChosenFit
    sides: tuple[tuple[Blanked, ...], tuple[Blanked, ...]]
    radius_mm: float
    shape: Shape | None = None

    @property
    def noise(self) -> Noise:
        """Noise of the scan."""
        return self.chosen.noise

    @property
    def surface(self) -> TubeSurface:
        """The rebuilt surface."""
        return self.chosen.surface


def _margins(
    tube: TubePoints, outline: Outline, chosen: ChosenFit, reaches: list[float], shape: Shape | None
) -> list[float]:
    """Distrusted distance of each rim, measured on the points that were kept out."""
    distance, rim = outline.distance(tube.u, tube.v)
    solution = chosen.problem.solution(chosen.waves)
    found = []
    for number, reach in enumerate(reaches):
        near = np.flatnonzero(~tube.damaged & (rim == number) & (distance < CONTROL_REACHES * reach))
        residual = chosen.problem.residuals(solution, tube.points_mm[near], tube.u[near], tube.v[near])
        stations = (float(tube.u[near].min()), float(tube.u[near].max())) if len(near) else tube.gap_mm
        band = band_over(
            chosen.problem, chosen.waves, stations, chosen.noise.density_mm4, 1.0, n_u=12, shape=shape
        )
        found.append(
            rim_margin(
                distance[near],
                tube.v[near],
                residual,
                band(tube.u[near], tube.v[near]) / HALF_WIDTH,
                scale_mm=chosen.noise.scale_mm,
                correlated_mm2=chosen.noise.correlated_mm2,
                radius_mm=tube.radius_mm,
                reach_mm=reach,
            )
        )
    return found


def _trusted_margins(
    tube: TubePoints, ground: Arc | Shape, outline: Outline, tick: Callable[[float], None]
) -> tuple[NDArray[np.float64], Places]:
    """Walk outward from the damage until the residuals are noise; look further where they never are. Also
    the stiffness that was chosen on the way."""
    beyond = (tube.gap_mm[0] - tube.flank_mm[0], tube.flank_mm[1] - tube.gap_mm[1])
    widest = [
        min(_WIDEST_REACH_MM, 0.4 * flank) for flank in (beyond if outline.n_rims == 2 else (min(beyond),))
    ]
    room = [max(0.0, (length - tube.gap_length_mm - 2.0 * tube.radius_mm) / 2.0) for length in beyond]
    first = min(_FIRST_REACH_MM, max(6.0, max(room)))
    reaches = [max(1.0, min(first, most)) for most in widest]
    places = START
    for attempt in range(3):

        def told(share: float, done: int = attempt) -> None:
            tick((done + share) / 3.0)

        chosen = chosen_fit(tube, ground, outline, np.array(reaches), told, start=places, rough=True)
        places = chosen.places
        shape = ground if isinstance(ground, Shape) else None
        margins = _margins(tube, outline, chosen, reaches, shape)
        more = [found >= reach < most for found, reach, most in zip(margins, reaches, widest, strict=True)]
        if not any(more):
            break
        reaches = [
            min(most, 1.8 * reach) if wider else reach
            for wider, reach, most in zip(more, reaches, widest, strict=True)
        ]
    return np.array(margins), places


def fit_tube(
    tube: TubePoints,
    *,
    shape: Shape | None = None,
    tick: Callable[[float], None] = lambda share: None,
) -> TubeFit:
    """Fit the outer surface of a damaged tube to what can be trusted of its scan.

    Parameters
    ----------
    shape : an intact tube that this one is close to, where it lies; stations and angles of ``tube`` are then
        the shape's. The surface is the shape with the fairest departure that meets the trusted scan.

    Raises
    ------
    EvidenceError
        The flanks are too short for the damage, or determine no surface.
    """
    try:
        thin = thinned(tube)
        if shape is not None:
            return _fit_tube(thin, shape, tick)
        return _fit_tube(*along_arc(thin), tick)
    except np.linalg.LinAlgError as error:
        raise EvidenceError(
            "the intact scan does not determine the tube's surface: scan more of the tube beside the damage"
        ) from error


def _fit_tube(tube: TubePoints, ground: Arc | Shape, tick: Callable[[float], None]) -> TubeFit:
    shape = ground if isinstance(ground, Shape) else None
    known = shape is not None
    outline = damage_outline(tube)
    beyond = (tube.gap_mm[0] - tube.flank_mm[0], tube.flank_mm[1] - tube.gap_mm[1])
    check_flanks(beyond, tube.gap_length_mm, tube.radius_mm, tube.stopped_by, shape_known=known)
    margins, places = _trusted_margins(tube, ground, outline, lambda share: tick(0.6 * share))
    rebuilt = (tube.gap_mm[0] - float(margins[0]), tube.gap_mm[1] + float(margins[-1]))
    flanks = (rebuilt[0] - tube.flank_mm[0], tube.flank_mm[1] - rebuilt[1])
    check_flanks(flanks, rebuilt[1] - rebuilt[0], tube.radius_mm, tube.stopped_by, shape_known=known)
    chosen = chosen_fit(tube, ground, outline, margins, lambda share: tick(0.6 + 0.4 * share), start=places)
    least = SHARE_IF_KNOWN if known else SMALLEST_SHARE
    sides = blanked_sides(chosen, tube, rebuilt, smallest_share=least)
    tick(1.0)
    return TubeFit(
        outline,
        tuple(float(margin) for margin in margins),
        rebuilt,
        flanks,
        chosen,
        sides,
        tube.radius_mm,
        shape,
    )
