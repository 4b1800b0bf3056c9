"""Patches on no tubes: the surface whose curvature changes least, or changes most evenly."""

import numpy as np
from numpy.typing import NDArray

from gaploft.patch.base import FairBase, PatchSurface
from gaploft.patch.energy import Directed
from gaploft.patch.field import Fitted, Seen
from gaploft.patch.fit import PatchFit, Tick, check_enough, lost_nodes, spread_of
from gaploft.patch.ground import make_ground
from gaploft.patch.nodes import point_areas
from gaploft.patch.noise import noise_of
from gaploft.patch.places import blanked_places
from gaploft.patch.region import Region
from gaploft.patch.settle import Cloud, Laid, laid_on, settled
from gaploft.patch.system import Factor, factorised
from gaploft.patch.trust import FIRST_MM, margins
from gaploft.surface.fit import tukey_weights

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Orders and stiffnesses, mm, among which a surface without tubes is chosen, and what it starts from.
_FAIR_WAYS = ((3, 1.6), (3, 2.5), (4, 1.8), (4, 2.5), (4, 3.2), (4, 4.0))
_FAIR_START = Directed(order=3), 2.0


def fit_fair(region: Region, spacing_mm: float, tick: Tick) -> PatchFit:
    """A patch whose curvature changes as little as the scan allows, on no tubes."""
    first = region.away_mm > FIRST_MM
    check_enough(first)
    ground = make_ground(region, spacing_mm)
    areas = point_areas(region.points, region.faces)
    cloud = Cloud(region.points, areas)
    laid = laid_on(ground, ground.points, ground.normals, np.zeros_like(ground.points), cloud)
    way, stiff = _FAIR_START
    weights = first.astype(np.float64)
    laid = settled(laid, cloud, weights, way, stiff)
    tick(0.3)
    noise, density = noise_of(region.points[first], laid.residuals[first], areas[first])
    tick(0.4)
    uncertain = _fair_spread(laid, areas * weights, density, way, stiff, None)
    nodes = FairBase.of(laid).nodes
    margin = margins(nodes, laid.owner, region.away_mm, laid.residuals, uncertain, noise)
    trusted = region.away_mm > margin[laid.owner]
    weights = np.where(trusted, tukey_weights(laid.residuals, 1.2 * noise), 0.0)
    noise, density = noise_of(region.points[trusted], laid.residuals[trusted], areas[trusted])
    laid = settled(laid, cloud, weights, way, stiff)
    tick(0.6)
    start = fair_fit(region, laid, trusted, areas * weights, noise, density, way, stiff)
    way, stiff = _best_on_blanks(start)
    tick(0.85)
    laid = settled(laid, cloud, weights, way, stiff)
    noise, density = noise_of(region.points[trusted], laid.residuals[trusted], areas[trusted])
    return fair_fit(region, laid, trusted, areas * weights, noise, density, way, stiff)


def fair_fit(
    region: Region,
    laid: Laid,
    trusted: Bools,
    weights: Floats,
    noise: float,
    density: float,
    way: Directed,
    stiff: float,
) -> PatchFit:
    """What is known of a surface whose nodes have settled."""
    base = FairBase.of(laid)
    seen = Seen(laid.owner, laid.offset, weights)
    factor, _ = _system(laid, weights, way, stiff)
    values = np.zeros(len(laid.points))
    field = Fitted(values, stiff, factor, 0.0)
    lost = lost_nodes(laid.ground, seen, trusted)
    spread = spread_of(base.nodes, field, density, lost)
    surface = PatchSurface(base, base.nodes, values)
    return PatchFit(
        region, laid.ground, surface, trusted, lost, seen, field, spread, noise, density,
        laid=laid, way=way, stiff_mm=stiff,
    )  # fmt: skip


def _system(laid: Laid, weights: Floats, way: Directed, stiff: float) -> tuple[Factor, Floats]:
    data, fair = laid.pulled(weights), laid.fair(way)
    scale = stiff ** (2 * way.order)
    matrix = laid.pattern.matrix(data.local + scale * fair.local)
    return factorised(matrix), laid.pattern.vector(data.pull + scale * fair.pull)


def _fair_spread(
    laid: Laid, weights: Floats, density: float, way: Directed, stiff: float, where: Bools | None
) -> Floats:
    factor, _ = _system(laid, weights, way, stiff)
    nodes = FairBase.of(laid).nodes
    return spread_of(nodes, Fitted(np.zeros(len(laid.points)), stiff, factor, 0.0), density, where)


def _best_on_blanks(fit: PatchFit) -> tuple[Directed, float]:
    """Order and stiffness that come nearest to intact places like the patch, each blanked in its turn.

    To first order about the fit: one solution for each way and place. Why not the likeliest, as for fields on
    tubes? The truth is no sample of a surface without a trend, and noise goes together over some points:
    likelihood takes the most supple surface that there is, which carries the noise of the rim far into the
    patch.
    """
    assert fit.laid is not None
    weights = fit.seen.weights
    cloud = Cloud(fit.region.points, np.ones(len(weights)))
    errors = np.zeros(len(_FAIR_WAYS))
    for place in blanked_places(fit)[0]:
        out = place[fit.seen.owner]
        tested = out & (weights > 0.0)
        left = np.where(out, 0.0, weights)
        for k, (order, stiff) in enumerate(_FAIR_WAYS):
            found = settled(fit.laid, cloud, left, Directed(order=order), stiff, rounds=1)
            errors[k] += np.average(found.residuals[tested] ** 2, weights=weights[tested])
    order, stiff = _FAIR_WAYS[int(np.argmin(errors))]
    return (Directed(order=order), stiff) if errors.any() else _FAIR_START
