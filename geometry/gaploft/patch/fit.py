"""One patch: what it stands on, which scan it trusts, and the field that makes it agree with that scan."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.errors import EvidenceError
from gaploft.job_patch import Crease
from gaploft.patch.base import PatchSurface, SureBase
from gaploft.patch.energy import Directed
from gaploft.patch.field import Fitted, Nodes, Seen, fitted, seen_by, spread_at
from gaploft.patch.ground import Ground, make_ground
from gaploft.patch.joined import Joined, find_joined, widened
from gaploft.patch.nodes import point_areas
from gaploft.patch.noise import noise_of
from gaploft.patch.quadric import Quadric, fit_quadric
from gaploft.patch.region import Region
from gaploft.patch.settle import Laid
from gaploft.patch.trust import FIRST_MM, margins
from gaploft.surface.fit import tukey_weights

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Indices = NDArray[np.int64]
Tick = Callable[[float], None]

#: Nodes at which the spread is computed; it is smooth.
_SPREAD_NODES = 160
_FEWEST_POINTS = 400
_ROBUST_ROUNDS = 2
#: A quadric explains a scan when what it leaves goes together over no more than this, mm^2, and when so much
#: of it lies within four times its noise.
_TOGETHER_MM2, _HOLDS_SHARE = 6.0, 0.93


@dataclass(frozen=True)
class PatchFit:
    """A patch fitted to what can be trusted.

    Attributes
    ----------
    surface : base and field
    trusted : (m,) bool, points of the region
    lost : (n,) bool, nodes that no trusted point speaks for
    seen : all points of the region as equations; weights are 0 where they are not trusted
    uncertain_mm : (n,) standard uncertainty of the surface at the nodes, before any blank test
    joined : the tubes that meet, None where the surface stands on none
    quadric : the surface of the second degree that it stands on instead, if it does
    laid : the surface's own nodes where it stands on no tubes
    """

    region: Region
    ground: Ground
    surface: PatchSurface
    trusted: Bools
    lost: Bools
    seen: Seen
    field: Fitted
    uncertain_mm: Floats
    noise_mm: float
    density_mm4: float
    joined: Joined | None = None
    quadric: Quadric | None = None
    laid: Laid | None = None
    way: Directed | None = None
    stiff_mm: float = 0.0

    @property
    def nodes(self) -> Nodes:
        """Where the field is known."""
        return self.surface.nodes

    @property
    def residuals(self) -> Floats:
        """Height of each point of the region over the surface, mm."""
        return self.surface.against(self.region.points).distance


def fit_on_tubes(region: Region, spacing_mm: float, tick: Tick, creases: tuple[Crease, ...] = ()) -> PatchFit:
    """A patch on tubes that meet; EvidenceError where the surroundings are none.

    Tubes and radii are fitted beyond a first margin, the margins that are needed are found from what that fit
    leaves, and both are fitted again to all that can be trusted.
    """
    first = region.away_mm > FIRST_MM
    check_enough(first)
    joined = find_joined(region, first, spacing_mm, lambda share: tick(0.6 * share), creases)
    ground = make_ground(region, spacing_mm, joined.meeting.onto)
    tick(0.75)
    trusted = _trusted(region, ground, joined.meeting, first)
    tick(0.85)
    joined = widened(joined, region, trusted)
    fit = _with_field(region, ground, joined.meeting, trusted, 1.0)
    tick(0.95)
    return replace(fit, joined=joined)


def fit_on_quadric(region: Region, spacing_mm: float, tick: Tick) -> PatchFit:
    """A patch on a surface of the second degree; EvidenceError where none explains the scan."""
    first = region.away_mm > FIRST_MM
    check_enough(first)
    areas = point_areas(region.points, region.faces)
    quadric = _quadric(region, areas, first)
    _check_explains(quadric, region, areas, first)
    tick(0.3)
    ground = make_ground(region, spacing_mm, quadric.onto)
    trusted = _trusted(region, ground, quadric, first)
    tick(0.6)
    quadric = _quadric(region, areas, trusted)
    fit = _with_field(region, ground, quadric, trusted, 1.0)
    tick(0.95)
    return replace(fit, quadric=quadric)


def _quadric(region: Region, areas: Floats, trusted: Bools) -> Quadric:
    return fit_quadric(region.points[trusted], region.normals[trusted], areas[trusted])


def _check_explains(quadric: Quadric, region: Region, areas: Floats, trusted: Bools) -> None:
    """Raise EvidenceError where a quadric leaves more of the scan than noise."""
    rest = quadric.against(region.points[trusted]).distance
    noise, density = noise_of(region.points[trusted], rest, areas[trusted])
    together = density / noise**2
    if together > _TOGETHER_MM2 or float((np.abs(rest) < 4.0 * noise).mean()) < _HOLDS_SHARE:
        raise EvidenceError("no surface of the second degree explains the scan around the damage")


def _trusted(region: Region, ground: Ground, base: SureBase, first: Bools) -> Bools:
    """Points beyond the margins that a fit to a first choice of them asks for."""
    rough = _with_field(region, ground, base, first, 2.0, everywhere=True)
    margin = margins(
        rough.nodes, rough.seen.owner, region.away_mm, rough.residuals, rough.uncertain_mm, rough.noise_mm
    )
    return np.asarray(region.away_mm > margin[rough.seen.owner])


def _with_field(
    region: Region,
    ground: Ground,
    base: SureBase,
    trusted: Bools,
    width: float,
    *,
    everywhere: bool = False,
) -> PatchFit:
    """Nodes on a base with the field that makes them agree with what is trusted.

    What is off by more than some ``width`` times the usual counts less. The spread is computed for lost
    nodes, or ``everywhere``.
    """
    points = base.onto(ground.points)
    nodes = Nodes(points, base.against(points).normal, ground.areas, ground.spacing_mm)
    areas = point_areas(region.points, region.faces)
    rest = base.against(region.points).distance
    seen = seen_by(nodes, region.points, rest, areas)
    noise, density = noise_of(region.points[trusted], rest[trusted], areas[trusted])
    stiff_mm = None
    for _ in range(_ROBUST_ROUNDS):
        weights = np.where(trusted, areas * tukey_weights(rest, width * noise), 0.0)
        field = fitted(nodes, replace(seen, weights=weights), density, stiff_mm)
        stiff_mm = field.stiff_mm
        surface = PatchSurface(base, nodes, field.values)
        rest = seen.offset[:, 2] - nodes.values(field.values, region.points)[0]
        noise, density = noise_of(region.points[trusted], rest[trusted], areas[trusted])
    seen = replace(seen, weights=weights)
    lost = lost_nodes(ground, seen, trusted)
    spread = np.hypot(spread_of(nodes, field, density, None if everywhere else lost), base.spread(points))
    return PatchFit(region, ground, surface, trusted, lost, seen, field, spread, noise, density)


def check_enough(trusted: Bools) -> None:
    """Raise EvidenceError where too few points are trusted to fit anything."""
    if trusted.sum() < _FEWEST_POINTS:
        raise EvidenceError(
            f"only {int(trusted.sum())} scan points around the damage can be trusted, at least "
            f"{_FEWEST_POINTS} are needed: scan more of what is around it, or mark less"
        )


def lost_nodes(ground: Ground, seen: Seen, trusted: Bools) -> Bools:
    """Nodes that the scan does not speak for."""
    n = len(ground.points)
    count = np.bincount(seen.owner, minlength=n)
    good = np.bincount(seen.owner, trusted.astype(float), minlength=n)
    return (ground.lost > 0.5) | (count == 0) | (good < 0.5 * count)


def spread_of(nodes: Nodes, field: Fitted, density: float, where: Bools | None) -> Floats:
    """Standard uncertainty of a field at all nodes, (n,) mm, from that of some among those of ``where``."""
    inside = np.arange(len(nodes.points)) if where is None else np.flatnonzero(where)
    chosen = inside[np.unique(np.linspace(0, len(inside) - 1, _SPREAD_NODES).round().astype(np.int64))]
    known = spread_at(field, chosen, density)
    away, near = cKDTree(nodes.points[chosen]).query(nodes.points, k=min(6, len(chosen)))
    weight = 1.0 / (away + 0.3 * nodes.spacing_mm) ** 2
    return np.asarray((weight * known[near]).sum(axis=1) / weight.sum(axis=1))
