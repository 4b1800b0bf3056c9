"""The shape of a tube that is not damaged, with how well its scan shows it."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError
from gaploft.evidence.band import HALF_WIDTH, Band, band_over
from gaploft.evidence.chosen_fit import ChosenFit, chosen_fit
from gaploft.evidence.straight import along_arc, thinned
from gaploft.evidence.strip import band_with_strip
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.fairness import Waves
from gaploft.surface.fit import close_waves
from gaploft.surface.shape import Shape
from gaploft.tube.model import TubePoints
from gaploft.tube.outline import Outline

Floats = NDArray[np.float64]

#: Where more than this share of a whole tube stands out from the usual fit, one that follows it so much
#: closer is tried: narrow waists and swellings are the tube's own, and are kept where far less stands out.
_STANDS_OUT, _CLOSER, _FAR_LESS = 0.03, 0.5, 0.5
#: A tube that runs on is curved where twice its log likelihood is so much larger then: some three standard
#: uncertainties of its curvature, so few that none is made of noise.
_CURVED = 10.0
#: Side of the patches whose mean residuals are looked at, mm, and how many standard uncertainties of one are
#: more than chance among some hundreds.
_PATCH_MM, _MISSED = 12.0, 4.5


@dataclass(frozen=True)
class Intact:
    """A whole tube.

    ``rms_mm`` is what its scan is off the shape, ``noise_mm`` the noise of one point, ``density_mm4`` its
    variance times area, ``points`` how many were used.
    """

    shape: Shape
    radius_mm: float
    rms_mm: float
    noise_mm: float
    density_mm4: float
    points: int

    @property
    def length_mm(self) -> float:
        """Length along the tube."""
        first, last = self.shape.range_u
        return last - first


def fit_intact(
    tube: TubePoints,
    *,
    tick: Callable[[float], None] = lambda share: None,
    runs_on: bool = False,
    curved: bool | None = None,
    density_mm4: float = 0.0,
) -> Intact:
    """Fit the outer surface of a tube of which nothing is marked as damaged.

    One that ``runs_on`` is wanted beyond where it was scanned. It is fitted about an arc if it is known to be
    ``curved``, about a line if it is known not to be, else about the likelier one; others about an arc. Noise
    has at least this density, which a larger part of the same scan may show.

    Raises
    ------
    EvidenceError
        Too little of the tube was scanned to determine its surface.
    """
    try:
        straight, chosen = _fitted(tube, tick, runs_on, curved is not False, density_mm4)
        if runs_on and curved is None and chosen.problem.sweep.arc.curvature != 0.0:
            line, plain = _fitted(tube, tick, True, False, density_mm4)
            if _less_likely(chosen, plain) > -_CURVED:
                straight, chosen = line, plain
    except np.linalg.LinAlgError as error:
        raise EvidenceError(
            "the scan of the spare section does not determine its surface: scan it all around"
        ) from error
    residual = chosen.residual_mm[chosen.problem.data.weights > 0.0]
    waves = chosen.waves
    if _largest_patch(chosen, straight.radius_mm) > _MISSED:
        # One stiffness all along does not do for this tube: what the scan shows goes before fairness.
        close = close_waves(2.0 * straight.radius_mm, chosen.likelihood.plain_mm)
        waves = replace(close, straight_mm=waves.straight_mm)
    return Intact(
        shape_of(chosen, waves, chosen.surface.range_u),
        straight.radius_mm,
        float(np.sqrt(np.mean(residual**2))),
        chosen.noise.scale_mm,
        chosen.noise.density_mm4,
        len(residual),
    )


def _fitted(
    tube: TubePoints, tick: Callable[[float], None], runs_on: bool, curved: bool, density: float
) -> tuple[TubePoints, ChosenFit]:
    """The tube with its stations along an arc or a line, and its fit about that."""
    straight, arc = along_arc(thinned(tube), curved=curved, runs_on=runs_on)
    middle = sum(straight.gap_mm) / 2.0
    nowhere = Outline((middle, middle), straight.radius_mm, None)
    chosen = chosen_fit(straight, arc, nowhere, np.zeros(2), tick, runs_on=runs_on, density_mm4=density)
    if _left_out(chosen) > _STANDS_OUT:
        other = chosen_fit(
            straight, arc, nowhere, np.zeros(2), tick, closer=_CLOSER, runs_on=runs_on, density_mm4=density
        )
        chosen = other if _left_out(other) < _FAR_LESS * _left_out(chosen) else chosen
    return straight, chosen


def _less_likely(one: ChosenFit, other: ChosenFit) -> float:
    """By how much twice the negative log likelihood of one fit is larger than that of another."""
    density = max(one.noise.density_mm4, other.noise.density_mm4)
    first, second = (
        replace(fit.likelihood, density_mm4=density, known={}).whole_deviance(fit.places)
        for fit in (one, other)
    )
    return first - second


def _left_out(chosen: ChosenFit) -> float:
    """Share of the points that a fit takes for something that is not the tube."""
    return float((chosen.problem.data.weights == 0.0).mean())


def _largest_patch(chosen: ChosenFit, radius_mm: float) -> float:
    """The largest mean residual over patches of the tube, in standard uncertainties of such a mean."""
    data = chosen.problem.data
    row = np.floor((data.u - data.u.min()) / _PATCH_MM).astype(int)
    per_turn = max(4, round(TURN_RAD * radius_mm / _PATCH_MM))
    patch = row * per_turn + np.floor(data.v / TURN_RAD * per_turn).astype(int) % per_turn
    area = np.bincount(patch, data.weights)
    full = area > 0.5 * np.median(area[area > 0.0])
    mean = np.bincount(patch, data.weights * chosen.residual_mm)[full] / area[full]
    return float(np.abs(mean * np.sqrt(area[full] / chosen.noise.density_mm4)).max(initial=0.0))


def shape_of(chosen: ChosenFit, waves: Waves, stations: tuple[float, float]) -> Shape:
    """A fit of this stiffness as a shape, with its standard uncertainty over these stations."""
    problem = chosen.problem
    band = band_over(problem, waves, stations, chosen.noise.density_mm4, 1.0)
    if chosen.strip is not None:
        band = band_with_strip(band, chosen.strip)
    return Shape(problem.sweep, problem.solution(waves), band.u, band.half_width_mm / HALF_WIDTH)


def rebuilt_shape(fit: TubeFit, band: Band) -> Shape:
    """A rebuilt tube as a shape, as uncertain as its band says."""
    solution = fit.chosen.problem.solution(fit.chosen.waves)
    return Shape(fit.chosen.problem.sweep, solution, band.u, band.half_width_mm / HALF_WIDTH)
