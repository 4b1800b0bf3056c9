"""One surface out of several ways, by region along the tube."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gaploft.donor.laid import Ground
from gaploft.errors import InputError
from gaploft.evidence.band import Band
from gaploft.evidence.model import BandSummary, BlankTest, Evidence, Seam
from gaploft.job_sources import Region
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface
from gaploft.surface.raised import through_grid
from gaploft.ways.choose import heights_of
from gaploft.ways.model import Way

Floats = NDArray[np.float64]

#: The angle that going over from one surface to another may add, radians: a fifth of a degree, well within
#: what a seam may show; and the shortest way to go over, mm.
_SLOPE, _SHORTEST_MM = np.radians(0.2), 6.0

Share = Callable[[Floats], Floats]


def mixed(base: Way, ways: Sequence[Way], regions: Sequence[Region]) -> Way:
    """The base way with other ways' surfaces in regions of the tube.

    Where one goes over into another, both are blended over a length that adds no more than 0.2 degrees. The
    band is blended alike; of all other figures the worst of the ways that take part is told.

    Parameters
    ----------
    regions : stations in mm from the 'from' end of the damage; later ones go over earlier ones

    Raises
    ------
    InputError
        A region's way was refused, it lies outside the rebuilt zone, or is too short to go over in.
    """
    whole = base
    for region in regions:
        way = next(way for way in ways if way.name == region.use)
        if not way.usable:
            raise InputError(f"a region is to be from the {region.use}, which was refused: {way.refused}")
        # A region of the base way matters only where another was laid before.
        if way.name != whole.name:
            base = _with(base, way, region)
        elif base is not whole:
            base = _with(base, whole, region)
    return base


def _with(base: Way, way: Way, region: Region) -> Way:
    assert base.fitted is not None
    assert base.judged is not None
    assert way.fitted is not None
    assert way.judged is not None
    fit = base.fitted.fit
    first, last = (fit.outline.gap_mm[0] + at for at in (region.from_mm, region.to_mm))
    if last <= fit.rebuilt_mm[0] or first >= fit.rebuilt_mm[1]:
        raise InputError(
            f"the region from {region.from_mm:g} to {region.to_mm:g} mm lies outside the damage, which is "
            f"{fit.outline.gap_mm[1] - fit.outline.gap_mm[0]:.0f} mm long from station 0: check its stations"
        )
    surface = fit.surface
    fine = surface.basis
    u = np.linspace(*fine.range_u, 2 * fine.n_u)
    v: Floats = np.arange(2 * fine.n_v, dtype=np.float64) * (TURN_RAD / (2 * fine.n_v))
    uu, vv = np.meshgrid(u, v, indexing="ij")
    within = (u > fit.rebuilt_mm[0] - 30.0) & (u < fit.rebuilt_mm[1] + 30.0)
    height = np.zeros(uu.shape)
    height[within] = heights_of(way.fitted.fit.surface, surface, uu[within], vv[within])
    zone = within & (u >= first) & (u <= last)
    share = _share(first, last, float(np.abs(height[zone]).max(initial=0.0)), region)
    points = surface.evaluate(uu, vv) + (share(u)[:, None] * height)[..., None] * surface.normals(uu, vv)
    blended = replace(surface, coefficients=through_grid(fine, u, v, points))
    band = _band(base.judged.band, way, share, blended)
    judged = replace(
        base.judged,
        band=band,
        evidence=_worse(base.judged.evidence, way.judged.evidence, band, fit.rebuilt_mm),
    )
    chosen = replace(fit.chosen, surface=blended)
    fitted = replace(base.fitted, fit=replace(fit, chosen=chosen))
    verdict = "check" if "check" in (base.verdict, way.verdict) else base.verdict
    notes = tuple(dict.fromkeys((*base.notes, *way.notes)))
    return replace(base, fitted=fitted, judged=judged, verdict=verdict, notes=notes)


def _share(first: float, last: float, largest_mm: float, region: Region) -> Share:
    """The other way's share along the tube: 1 within the region, 0 beyond, smooth between."""
    length = max(_SHORTEST_MM, 1.875 * largest_mm / _SLOPE)
    if last - first < 2.0 * length:
        raise InputError(
            f"the region from {region.from_mm:g} to {region.to_mm:g} mm is too short to go over into the "
            f"{region.use}, which is up to {largest_mm:.2f} mm away there: make it {2.0 * length:.0f} mm "
            "or longer"
        )

    def share(u: Floats) -> Floats:
        x = np.clip(np.minimum(u - first, last - u) / length, 0.0, 1.0)
        # Smooth to the second derivative at both ends; its largest slope is 1.875.
        return np.asarray(x**3 * (10.0 + x * (6.0 * x - 15.0)))

    return share


def _band(band: Band, way: Way, share: Share, surface: TubeSurface) -> Band:
    """Both bands, each by its share; places of the other way's are found on its own surface."""
    assert way.judged is not None
    assert way.fitted is not None
    n_v = band.half_width_mm.shape[1]
    u, v = np.meshgrid(band.u, np.arange(n_v) * (TURN_RAD / n_v), indexing="ij")
    feet = Ground(way.fitted.fit.surface, 1.0).feet(surface.evaluate(u, v).reshape(-1, 3))
    other = way.judged.band(feet.u, feet.v).reshape(u.shape)
    part = share(band.u)[:, None]
    return replace(band, half_width_mm=(1.0 - part) * band.half_width_mm + part * other)


def _worse(mine: Evidence, theirs: Evidence, band: Band, rebuilt_mm: tuple[float, float]) -> Evidence:
    """The evidence of the mixed surface: of each figure the worse."""
    within = (band.u >= rebuilt_mm[0]) & (band.u <= rebuilt_mm[1])
    width = band.half_width_mm[within]
    a, b = mine.blank_test, theirs.blank_test
    blank = BlankTest(
        min(a.count, b.count),
        max(a.rms_mm, b.rms_mm),
        max(a.p95_mm, b.p95_mm),
        max(a.max_mm, b.max_mm),
        min(a.length_mm, b.length_mm),
    )
    s, t = mine.seam, theirs.seam
    seam = Seam(
        max(s.step_mm, t.step_mm),
        max(s.angle_deg, t.angle_deg),
        max(s.step_u_mm, t.step_u_mm),
        max(s.angle_u_deg, t.angle_u_deg),
    )
    bound = max(mine.band95_mm.bound_rms, theirs.band95_mm.bound_rms)
    summary = BandSummary(float(np.median(width)), float(width.max()), bound)
    return replace(mine, blank_test=blank, band95_mm=summary, seam=seam)
