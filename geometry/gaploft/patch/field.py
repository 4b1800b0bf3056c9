"""A smooth field on the nodes of a surface: the system it solves, its spread, its values between nodes."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.patch.energy import Directed, attraction, fairness
from gaploft.patch.jets import POWERS, Stencils, neighbours, stencils
from gaploft.patch.system import Factor, Pattern, factorised

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

#: Values between nodes are blended from the polynomials of so many nearest nodes.
_BLENDED = 7
#: Lengths among which the likeliest stiffness is looked for, mm.
STIFFNESSES = (1.5, 2.2, 3.2, 4.6, 6.6, 9.5, 14.0, 20.0, 30.0)
#: What no energy holds: a plane and a quadratic.
_FREE = 6
_ORDER = Directed(order=3)


@dataclass(frozen=True)
class Nodes:
    """Places of a field on a surface.

    Attributes
    ----------
    points, normals : (n, 3)
    areas : (n,) mm^2
    spacing_mm : mean distance
    """

    points: Floats
    normals: Floats
    areas: Floats
    spacing_mm: float

    @cached_property
    def tree(self) -> cKDTree:
        """For finding the nearest nodes."""
        return cKDTree(self.points)

    @cached_property
    def pattern(self) -> Pattern:
        """Neighbours, and the layout of the system."""
        return Pattern(neighbours(self.points))

    @cached_property
    def stencil(self) -> Stencils:
        """Polynomials of a field that is 0 everywhere."""
        found = stencils(
            self.points, self.normals, np.zeros_like(self.points), self.pattern.near, self.spacing_mm
        )
        return replace(found, height=np.zeros_like(found.height))

    @cached_property
    def fair_local(self) -> Floats:
        """Local forms of the field's unfairness."""
        return fairness(self.stencil, None, self.areas, _ORDER, self.spacing_mm).local

    def coefficients(self, values: Floats) -> Floats:
        """Polynomials of a field by its values at nodes, (n, 15), constants first."""
        heights = values[self.pattern.near] - values[:, None]
        return np.column_stack([values, np.einsum("nck,nk->nc", self.stencil.fit, heights)])

    def blend(self, points: Floats, normals: Floats | None = None) -> tuple[Indices, Floats]:
        """Nearest nodes of points and their weights, (m, 7) each."""
        away, near = self.tree.query(points, k=_BLENDED)
        weight = np.maximum(1.0 - (away / (1.02 * away[:, -1:] + 1e-9)) ** 2, 0.0) ** 3
        if normals is not None:
            weight = weight * (np.einsum("mkj,mj->mk", self.normals[near], normals) > 0.0) + 1e-12
        return near, weight / weight.sum(axis=1, keepdims=True)

    def values(self, field: Floats, points: Floats) -> tuple[Floats, Floats]:
        """A field at points near the surface, (m,), and its gradient, (m, 3) per mm."""
        near, weight = self.blend(points)
        frame = self.stencil.frame[near]
        local = np.einsum("mkij,mkj->mki", frame, points[:, None] - self.points[near])
        x, y = local[..., 0], local[..., 1]
        c = self.coefficients(field)[near]
        value, dx, dy = c[..., 0].copy(), np.zeros_like(x), np.zeros_like(x)
        for k, (i, j) in enumerate(POWERS, start=1):
            value += c[..., k] * x**i * y**j
            dx += c[..., k] * i * x ** max(i - 1, 0) * y**j
            dy += c[..., k] * j * x**i * y ** max(j - 1, 0)
        gradient = dx[..., None] * frame[:, :, 0] + dy[..., None] * frame[:, :, 1]
        return (weight * value).sum(axis=1), np.einsum("mk,mkj->mj", weight, gradient)


@dataclass(frozen=True)
class Seen:
    """What the scan says of a field: heights of points, each at a node.

    ``owner`` (m,) nodes, ``offset`` (m, 3) places in their frames, heights last, ``weights`` (m,) mm^2.
    """

    owner: Indices
    offset: Floats
    weights: Floats

    def where(self, keep: NDArray[np.bool_]) -> "Seen":
        """Some of the points."""
        return Seen(self.owner[keep], self.offset[keep], self.weights[keep])


def seen_by(nodes: Nodes, points: Floats, heights: Floats, weights: Floats) -> Seen:
    """Points and their heights over the surface as equations of a field."""
    owner = np.asarray(nodes.tree.query(points)[1], dtype=np.int64)
    frame = nodes.stencil.frame[owner]
    place = np.einsum("mij,mj->mi", frame[:, :2], points - nodes.points[owner])
    return Seen(owner, np.column_stack([place, heights]), weights)


@dataclass(frozen=True)
class Fitted:
    """A field as fair as makes the scan likely.

    Attributes
    ----------
    values : (n,) mm
    stiff_mm : its stiffness
    factor : of the system, whose inverse times the noise density is the covariance
    likelihood : minus twice its logarithm, up to a constant that does not depend on the stiffness
    """

    values: Floats
    stiff_mm: float
    factor: Factor
    likelihood: float


def fitted(nodes: Nodes, seen: Seen, density_mm4: float, stiff_mm: float | None = None) -> Fitted:
    """Fit a field; restricted likelihood chooses its stiffness where none is given.

    D. A. Harville, "Maximum likelihood approaches to variance component estimation and to related problems",
    JASA 72, 1977 (cited from memory).
    """
    data = attraction(nodes.stencil, None, seen.owner, seen.offset, seen.weights)
    pull = nodes.pattern.vector(data.pull)
    tried = []
    for stiff in STIFFNESSES if stiff_mm is None else (stiff_mm,):
        factor = factorised(nodes.pattern.matrix(data.local + stiff**6 * nodes.fair_local))
        values = factor.solve(pull)
        rest = data.value - float(pull @ values)
        rank = len(nodes.points) - _FREE
        likelihood = factor.log_determinant - 6.0 * rank * np.log(stiff) + rest / density_mm4
        tried.append(Fitted(values, stiff, factor, float(likelihood)))
    return min(tried, key=lambda one: one.likelihood)


def spread_at(fit: Fitted, chosen: Indices, density_mm4: float) -> Floats:
    """Standard uncertainty of a field at some nodes, (k,) mm."""
    n = fit.factor.lu.shape[0]
    unit = np.zeros((n, len(chosen)))
    unit[chosen, np.arange(len(chosen))] = 1.0
    solved = fit.factor.solve(unit)
    variance = solved[chosen, np.arange(len(chosen))]
    return np.sqrt(np.maximum(variance, 0.0) * density_mm4)


def scatter_at(nodes: Nodes, seen: Seen, fit: Fitted, chosen: Indices, density_mm4: float) -> Floats:
    """Standard deviation of a field at some nodes from the points' noise alone, (k,) mm.

    Less than :func:`spread_at`, which also counts what so stiff a field may smooth away.
    """
    data = attraction(nodes.stencil, None, seen.owner, seen.offset, seen.weights)
    unit = np.zeros((len(nodes.points), len(chosen)))
    unit[chosen, np.arange(len(chosen))] = 1.0
    solved = fit.factor.solve(unit)
    variance = np.einsum("nk,nk->k", solved, nodes.pattern.matrix(data.local) @ solved)
    return np.sqrt(np.maximum(variance, 0.0) * density_mm4)
