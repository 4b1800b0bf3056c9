"""All the evidence of one patch: blank patches, band, seam and verdict, as for a tube."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.evidence.band import HALF_WIDTH
from gaploft.evidence.model import (
    BandSummary,
    BlankTest,
    Evidence,
    FitQuality,
    GapSize,
    Halves,
    Seam,
)
from gaploft.patch.blank import Blanks, blank_patches
from gaploft.patch.fit import PatchFit
from gaploft.patch.places import main_part

Floats = NDArray[np.float64]

#: Intact scan that seams are read from, mm beyond the rim, and the length of the sectors around it.
_SEAM_MM, _SECTOR_MM = 8.0, 10.0
_FEWEST_POINTS = 25
#: Outside the lost zone the band counts from the fit at nodes so near, mm.
_ROUNDS = 2
#: Holes of the scan within this distance of the damage are rebuilt with it, mm.
_BESIDE_MM = 12.0


@dataclass(frozen=True)
class PatchAssessed:
    """Evidence of a patch.

    Attributes
    ----------
    band95_mm : (n,) half width of the 95 % band at the nodes
    from_rim_mm : (n,) distance from the rim of the rebuilt zone, negative inside
    """

    evidence: Evidence
    blanks: Blanks
    band95_mm: Floats
    from_rim_mm: Floats


def assess_patch(fit: PatchFit, tick: Callable[[float], None]) -> PatchAssessed:
    """Judge a patch; raises EvidenceError where nothing can be blanked to judge it by."""
    blanks = blank_patches(fit, lambda share: tick(0.9 * share))
    nodes, lost = fit.nodes, rebuilt_nodes(fit)
    from_rim = rim_distance(fit, lost)
    # A surface without a trend through its blanks may still be off by what they are off on the whole.
    band = HALF_WIDTH * blanks.scale * fit.uncertain_mm
    errors = np.abs(blanks.errors)
    noise = errors**2
    blank = BlankTest(
        len(blanks.patches),
        float(np.sqrt(noise.mean())),
        float(np.quantile(errors, 0.95)),
        float(errors.max()),
        blanks.size * blanks.width_mm,
    )
    trusted = fit.seen.weights > 0.0
    rest = fit.residuals
    bound = HALF_WIDTH * fit.uncertain_mm[lost]
    summary = BandSummary(
        float(np.median(band[lost])),
        float(band[lost].max()),
        float(np.sqrt(np.mean((bound / HALF_WIDTH) ** 2))),
    )
    quality = FitQuality(float(np.sqrt(np.mean(rest[trusted] ** 2))), fit.noise_mm, int(trusted.sum()))
    away = fit.region.away_mm[trusted]
    reach = (float(np.quantile(away, 0.5)), float(away.max()))
    inside = nodes.points[main_part(fit)]
    size = np.sort(
        np.linalg.norm(np.ptp((inside - inside.mean(axis=0)) @ _axes(inside), axis=0).reshape(3, 1), axis=1)
    )
    evidence = Evidence(
        GapSize(float(size[2]), float(size[1]), reach),
        quality,
        blank,
        summary,
        _seam(fit, from_rim),
        Halves(),
    )
    tick(1.0)
    return PatchAssessed(evidence, blanks, band, from_rim)


def _axes(points: Floats) -> Floats:
    return np.asarray(np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2].T)


def rebuilt_nodes(fit: PatchFit) -> NDArray[np.bool_]:
    """Lost nodes of the damage and of holes of the scan close to it; those farther off are none of it."""
    points, main = fit.nodes.points, main_part(fit)
    away = cKDTree(points[main]).query(points)[0]
    return fit.lost & (away < _BESIDE_MM)


def rim_distance(fit: PatchFit, lost: NDArray[np.bool_]) -> Floats:
    """Distance of the nodes from the rim of the rebuilt zone, negative inside, (n,) mm, straight."""
    points, half = fit.nodes.points, 0.5 * fit.nodes.spacing_mm
    away = np.zeros(len(points))
    away[~lost] = cKDTree(points[lost]).query(points[~lost])[0] - half
    away[lost] = half - cKDTree(points[~lost]).query(points[lost])[0]
    near = fit.nodes.pattern.near[:, :6]
    for _ in range(_ROUNDS):
        away = 0.5 * away + 0.5 * away[near].mean(axis=1)
    return away


def _seam(fit: PatchFit, from_rim: Floats) -> Seam:
    """Step and angle between surface and trusted scan, the worst over sectors of the rim.

    As at the rims of a tube: a line through the residuals of the first millimetres beyond the rim, less what
    noise alone makes of the largest of so many, squares from squares.
    """
    seen, nodes = fit.seen, fit.nodes
    rest = fit.residuals
    beyond = from_rim[seen.owner]
    near = (seen.weights > 0.0) & (beyond > -0.5 * nodes.spacing_mm) & (beyond < _SEAM_MM)
    rim = np.flatnonzero(np.abs(from_rim) < 0.75 * nodes.spacing_mm)
    if near.sum() < _FEWEST_POINTS or len(rim) == 0:
        return Seam(0.0, 0.0)
    sector = _sectors(nodes.points[rim])[cKDTree(nodes.points[rim]).query(fit.region.points[near])[1]]
    w, x, y = seen.weights[near], np.maximum(beyond[near], 0.0), rest[near]
    sums = np.stack([np.bincount(sector, value) for value in (w, w * x, w * x * x, w * y, w * x * y)])
    count = np.bincount(sector)
    full = count >= _FEWEST_POINTS
    s0, s1, s2, t0, t1 = sums[:, full]
    det = np.maximum(s0 * s2 - s1 * s1, 1e-12)
    step, slope = (s2 * t0 - s1 * t1) / det, (s0 * t1 - s1 * t0) / det
    step_var, slope_var = fit.density_mm4 * s2 / det, fit.density_mm4 * s0 / det
    peak = 2.0 * np.log(max(int(full.sum()), 2)) + 1.0
    step_left = np.sqrt(np.maximum(step**2 - peak * step_var, 0.0)).max(initial=0.0)
    slope_left = np.sqrt(np.maximum(slope**2 - peak * slope_var, 0.0)).max(initial=0.0)
    return Seam(
        float(step_left),
        float(np.degrees(np.arctan(slope_left))),
        float(np.sqrt(step_var.mean())) if full.any() else 0.0,
        float(np.degrees(np.sqrt(slope_var.mean()))) if full.any() else 0.0,
    )


def _sectors(points: Floats) -> NDArray[np.int64]:
    """Numbers of cells along the rim, some mm long."""
    cell = np.floor((points - points.min(axis=0)) / _SECTOR_MM).astype(np.int64)
    key = np.ravel_multi_index(tuple(cell.T), tuple(cell.max(axis=0) + 1))
    return np.asarray(np.unique(key, return_inverse=True)[1].reshape(-1), dtype=np.int64)
