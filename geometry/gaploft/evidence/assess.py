"""All the evidence of one fitted tube."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.band import HALF_WIDTH, Band, band_over, band_scale, band_with_shape
from gaploft.evidence.model import BandSummary, BlankTest, Evidence, FitQuality, GapSize
from gaploft.evidence.reseat import HalvesFit
from gaploft.evidence.seam import seam_at_rims
from gaploft.evidence.seated_band import band_with_motion
from gaploft.evidence.strip import band_with_strip
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.progress import Progress, silent
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.blank import Blanked
from gaploft.surface.fairness import Waves
from gaploft.surface.weights import likeliest


@dataclass(frozen=True)
class Assessed:
    """The evidence and the band it states, ready to be read off anywhere on the surface."""

    evidence: Evidence
    band: Band
    scale: float


def assess(fitted: HalvesFit, *, overlap_mm: float, progress: Progress = silent) -> Assessed:
    """Judge a fit: blank test, band and seams, beside what is known of the halves.

    The weights that a stretch is rebuilt with were chosen on the other flank, never on the stretch itself.
    """
    fit, halves = fitted.fit, fitted.halves
    cases = _judged(fit, progress)
    blank = _blank_test(fit, cases)
    progress("evidence", 0.6)
    chosen, density = fit.chosen, fit.noise.density_mm4
    scale = band_scale(chosen.problem, cases, density, fit.shape)
    first, last = fit.surface.range_u
    stations = (max(first, fit.rebuilt_mm[0] - overlap_mm), min(last, fit.rebuilt_mm[1] + overlap_mm))
    band = band_over(chosen.problem, chosen.waves, stations, density, scale)
    bound = _over_rebuilt(fit, band) / (HALF_WIDTH * scale)
    if fit.shape is not None:
        band = band_with_shape(band, fit.shape)
    if chosen.strip is not None:
        band = band_with_strip(band, chosen.strip)
    if halves.moved is not None and fitted.seated is not None:
        band = band_with_motion(band, chosen.problem, chosen.waves, fitted.seated, halves.moved)
    progress("evidence", 0.8)
    data = chosen.problem.data
    distance, rim = fit.outline.distance(data.u, data.v)
    seam = seam_at_rims(
        distance,
        rim,
        data.v,
        chosen.residual_mm,
        data.weights,
        fit.margins_mm,
        length_mm=2.0 * fit.radius_mm,
        density_mm4=density,
    )
    progress("evidence", 1.0)
    return Assessed(
        Evidence(_gap(fit), _quality(fit), blank, _summary(fit, band, bound), seam, halves), band, scale
    )


def _judged(fit: TubeFit, progress: Progress) -> list[tuple[Blanked, Waves]]:
    """Each stretch with weights that other stretches chose."""
    cases: list[tuple[Blanked, Waves]] = []
    for number, side in enumerate(fit.sides):
        if side:
            waves = _without(fit, side)
            cases += [(piece, waves) for piece in side]
        progress("evidence", 0.25 * (number + 1))
    return cases


def _without(fit: TubeFit, side: tuple[Blanked, ...]) -> Waves:
    """The stiffness that the rest of the tube chooses when the stretches of one flank are left out."""
    chosen = fit.chosen
    cells = chosen.problem.cells
    out = np.zeros(len(cells.u), dtype=bool)
    for piece in side:
        out |= piece.stretch.holds(cells.u, cells.v)
    rest = chosen.likelihood.without(chosen.problem.assembled(out), chosen.noise.density_mm4)
    return rest.waves(likeliest(rest, chosen.places))


def _blank_test(fit: TubeFit, cases: list[tuple[Blanked, Waves]]) -> BlankTest:
    errors = [np.abs(piece.error(fit.chosen.problem, waves)).ravel() for piece, waves in cases]
    together = np.concatenate(errors)
    return BlankTest(
        len(cases),
        float(np.sqrt(np.mean(together**2))),
        float(np.quantile(together, 0.95)),
        float(together.max()),
        float(np.mean([piece.stretch.length_mm for piece, _ in cases])),
    )


def _gap(fit: TubeFit) -> GapSize:
    start, stop = fit.outline.gap_mm
    waves = fit.chosen.waves
    # Where the shape is known beforehand, the waves are those of the departure from it.
    shape = float("inf") if fit.shape is not None else min(waves.bend_mm, waves.section_mm)
    return GapSize(stop - start, 2.0 * fit.radius_mm, fit.flanks_mm, shape)


def _quality(fit: TubeFit) -> FitQuality:
    trusted = fit.chosen.problem.data.weights > 0.0
    return FitQuality(
        float(np.sqrt(np.mean(fit.chosen.residual_mm[trusted] ** 2))),
        fit.noise.scale_mm,
        int(trusted.sum()),
        0.0 if fit.chosen.strip is None else float(np.degrees(fit.chosen.strip.bridge.width_rad)),
    )


def _summary(fit: TubeFit, band: Band, bound: NDArray[np.float64]) -> BandSummary:
    values = _over_rebuilt(fit, band)
    return BandSummary(float(np.median(values)), float(values.max()), float(np.sqrt(np.mean(bound**2))))


def _over_rebuilt(fit: TubeFit, band: Band) -> NDArray[np.float64]:
    """Half widths at places evenly all over the rebuilt zone, mm."""
    u = np.linspace(*fit.rebuilt_mm, 60)[:, None]
    v = np.arange(48) * (TURN_RAD / 48)
    uu, vv = np.broadcast_arrays(u, v)
    distance, rim = fit.outline.distance(uu, vv)
    rebuilt = distance < np.array(fit.margins_mm)[rim]
    return np.asarray(band(uu, vv)[rebuilt])
