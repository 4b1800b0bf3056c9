"""Blank patches: intact places like the damage are blanked in its outline, rebuilt, and compared."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import stdtrit

from gaploft.errors import EvidenceError
from gaploft.evidence.band import HALF_WIDTH
from gaploft.patch.base import PatchSurface, SureBase
from gaploft.patch.fair import fair_fit
from gaploft.patch.field import fitted, scatter_at, spread_at
from gaploft.patch.fit import PatchFit
from gaploft.patch.joined import refitted
from gaploft.patch.places import blanked_places, main_part, second_forms
from gaploft.patch.quadric import fit_quadric
from gaploft.patch.settle import Cloud, settled

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Indices = NDArray[np.int64]

_CLOSE_MM = 2.2
#: Third derivatives are the first that a fair surface does not continue: its error grows with the cube of its
#: width, or faster.
_GROWS = 3
_SPREAD_NODES = 40
_FAIR_ROUNDS = 5


@dataclass(frozen=True)
class BlankPatch:
    """One blanked place: its nodes, errors of the rebuilt surface there, and what was expected of them.

    What they are compared with is a surface through noise, too: expected errors hold both, but on a quadric.
    """

    nodes: Indices
    error_mm: Floats
    expected_mm: Floats


@dataclass(frozen=True)
class Blanks:
    """All blanks.

    ``size`` is the share of the damage's own size that fitted in; ``unlike`` by how much the curvature of the
    patch changes more than that of the blanks, on no tubes; ``grown`` by how much more a patch without any
    trend may be off than few blanks, that are smaller.
    """

    patches: tuple[BlankPatch, ...]
    size: float
    width_mm: float
    unlike: float = 1.0
    grown: float = 1.0

    @property
    def errors(self) -> Floats:
        """Errors of all blanks, mm."""
        return np.concatenate([patch.error_mm for patch in self.patches])

    @property
    def scale(self) -> float:
        """By how much expected errors have to grow for 95 % of the real ones to lie within 1.96 of them."""
        share = np.concatenate([np.abs(p.error_mm) / p.expected_mm for p in self.patches])
        return self.unlike * self.grown * float(max(1.0, np.quantile(share, 0.95) / 1.96))


def blank_patches(fit: PatchFit, tick: Callable[[float], None]) -> Blanks:
    """Blank places that are as like the damage as can be found, and rebuild them.

    Raises
    ------
    EvidenceError
        No blank of any size fits into the intact scan.
    """
    placed, size, width = blanked_places(fit)
    if not placed:
        raise EvidenceError(
            f"no intact place beside the damage is large enough to test a patch of {width:.0f} mm on: scan "
            "more of what is around it"
        )
    reference, scatter = _reference(fit, placed)
    found = []
    for k, nodes in enumerate(placed):
        blank = _rebuilt(fit, nodes, reference, scatter)
        if blank is not None:
            found.append(blank)
        tick((k + 1) / len(placed))
    if not found:
        raise EvidenceError(
            "no blanked place beside the damage could be rebuilt: scan more of what is around it"
        )
    unlike = 1.0 if fit.joined is not None else _changes_more(fit, found)
    grown = 1.0 if fit.laid is None else _few(len(found)) * size**-_GROWS
    return Blanks(tuple(found), size, width, unlike, grown)


def _few(count: int) -> float:
    """How much wider a band is that so few blanks tell: Student's quantile over the normal one.

    The way of a fair surface is chosen on the same blanks, which flatters it.
    """
    return float(stdtrit(max(count - 1, 1), 0.975) / HALF_WIDTH)


def _changes_more(fit: PatchFit, found: list[BlankPatch]) -> float:
    """How many times more the curvature changes over the patch than over its blanks, at least 1.

    A surface that changes as little as it can is off by as much as the true one changes more: what plain
    places came back with says little of a place that bends in and out.
    """
    second, _ = second_forms(fit)
    a, b, c = 2.0 * second[:, 0], second[:, 1], 2.0 * second[:, 2]
    mean, off = (a + c) / 2.0, np.hypot((a - c) / 2.0, b)

    def change(nodes: Indices) -> float:
        return float(np.sqrt(np.var(mean[nodes] - off[nodes]) + np.var(mean[nodes] + off[nodes])))

    usual = float(np.mean([change(patch.nodes) for patch in found]))
    return max(1.0, change(main_part(fit)) / max(usual, 1e-6))


def _reference(fit: PatchFit, placed: list[Bools]) -> tuple[Floats, Floats]:
    """Nodes on a surface that follows the scan closely, (n, 3), and its noise there, (n,) mm.

    The noise is told in the places alone and taken for nearest nodes elsewhere. Of a quadric it is not
    counted: nothing but the scan says that a surface is one, and what blanks can't rule out stays in the
    band.
    """
    nodes, density = fit.nodes, fit.density_mm4
    stiff = min(_CLOSE_MM, fit.stiff_mm) if fit.laid is not None else _CLOSE_MM
    close = fitted(nodes, fit.seen, density, stiff)
    if fit.quadric is not None:
        return np.asarray(nodes.points + close.values[:, None] * nodes.normals), np.zeros(len(nodes.points))
    some = np.unique(np.concatenate([_some(np.flatnonzero(place)) for place in placed]))
    told = scatter_at(nodes, fit.seen, close, some, density)
    scatter = told[cKDTree(nodes.points[some]).query(nodes.points)[1]]
    if fit.laid is not None:
        cloud = Cloud(fit.region.points, np.ones(len(fit.region.points)))
        assert fit.way is not None
        return settled(fit.laid, cloud, fit.seen.weights, fit.way, stiff, rounds=2).points, scatter
    return np.asarray(nodes.points + close.values[:, None] * nodes.normals), scatter


def _some(where: Indices) -> Indices:
    """As many nodes of a place as uncertainties are worked out at."""
    return where[:: max(1, len(where) // _SPREAD_NODES)]


def _rebuilt(fit: PatchFit, blank: Bools, reference: Floats, scatter: Floats) -> BlankPatch | None:
    """Rebuild one blank without its points; None where what is left does not determine it."""
    nodes = fit.nodes
    out = blank[fit.seen.owner]
    weights = np.where(out, 0.0, fit.seen.weights)
    where = np.flatnonzero(blank)
    try:
        if fit.laid is None:
            base_again = _base_again(fit, out)
            heights = base_again.against(fit.region.points).distance
            offset = np.column_stack([fit.seen.offset[:, :2], heights])
            seen = replace(fit.seen, offset=offset, weights=weights)
            field = fitted(nodes, seen, fit.density_mm4, fit.field.stiff_mm)
            against = base_again.against(reference[where])
            # The field stands on nodes that the other fit put there: heights carry over.
            error = against.distance - field.values[where]
            spread, base = field, base_again.spread(reference[where])
        else:
            assert fit.way is not None
            cloud = Cloud(fit.region.points, np.ones(len(out)))
            laid = settled(fit.laid, cloud, weights, fit.way, fit.stiff_mm, rounds=_FAIR_ROUNDS)
            again = fair_fit(
                fit.region,
                laid,
                fit.trusted & ~out,
                weights,
                fit.noise_mm,
                fit.density_mm4,
                fit.way,
                fit.stiff_mm,
            )
            surface: PatchSurface = again.surface
            error = surface.against(reference[where]).distance
            spread, base = again.field, np.zeros(len(where))
    except (EvidenceError, np.linalg.LinAlgError):
        return None
    some = _some(where)
    known = spread_at(spread, some, fit.density_mm4)
    nearest = cKDTree(nodes.points[some]).query(nodes.points[where])[1]
    expected = np.sqrt(known[nearest] ** 2 + base**2 + scatter[where] ** 2)
    return BlankPatch(where, error, expected)


def _base_again(fit: PatchFit, out: Bools) -> SureBase:
    """What a patch stands on, fitted again without some points."""
    if fit.joined is not None:
        return refitted(fit.joined, fit.region, out).meeting
    region, keep = fit.region, (fit.seen.weights > 0.0) & ~out
    return fit_quadric(region.points[keep], region.normals[keep], fit.seen.weights[keep])
