"""Quadratic forms of a surface's nodes: how much its curvature varies, and how far it is from the scan."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.patch.jets import FOURTH, POWERS, SECOND, THIRD, Stencils

Floats = NDArray[np.float64]

#: Derivatives in terms of coefficients, and how often each comes in a sum over all orders of its letters.
_THIRD_FACTORIALS, _THIRD_TIMES = np.array([6.0, 2.0, 2.0, 6.0]), np.array([1.0, 3.0, 3.0, 1.0])
_FOURTH_FACTORIALS = np.array([24.0, 6.0, 4.0, 6.0, 24.0])
_FOURTH_TIMES = np.array([1.0, 4.0, 6.0, 4.0, 1.0])
#: How much of what a polynomial can't follow counts, so that no pattern from node to node goes free.
_ROUGH = 1e-2


@dataclass(frozen=True)
class Directed:
    """How much each derivative counts: along the frame's first tangent, across it, and mixed ones.

    ``order`` 3 asks for little change of curvature, 4 for an even change of it.
    """

    along: float = 1.0
    across: float = 1.0
    mixed: float = 1.0
    order: int = 3

    @property
    def weights(self) -> Floats:
        """One for each derivative, those along first."""
        mixed = [self.mixed] * (self.order - 1)
        times = _THIRD_TIMES if self.order == 3 else _FOURTH_TIMES
        return np.array([self.along, *mixed, self.across]) * times


@dataclass(frozen=True)
class Form:
    """A quadratic form of the nodes' moves along their normals, as a sum over nodes.

    ``local`` (n, k + 1, k + 1) and ``pull`` (n, k + 1) are of the k neighbours of each node and, last, of the
    node itself: the form is the sum of ``x' local x - 2 pull' x``, and ``value``.
    """

    local: Floats
    pull: Floats
    value: float


def fairness(
    stencil: Stencils, normals: Floats | None, areas: Floats, way: Directed, spacing_mm: float
) -> Form:
    """Integral of the squared change of curvature, mm^-4 times mm^2.

    A circle's height over its tangent has no third derivative at the place where it touches, so spheres,
    cylinders and, along their lines of curvature, cones and tori are free.

    Notes
    -----
    H. P. Moreton and C. H. Sequin, "Functional optimization for fair surface design", SIGGRAPH 1992, in the
    local frames of W. Welch and A. Witkin, "Free-form shape design using triangulated surfaces", SIGGRAPH
    1994 (both cited from memory).
    """
    weight = way.weights
    if way.order == 3:
        rows = _THIRD_FACTORIALS[:, None] * stencil.fit[:, THIRD]
        asked = np.zeros((len(rows), 4))
    else:
        rows = _FOURTH_FACTORIALS[:, None] * stencil.fit[:, FOURTH]
        asked = _of_arcs(stencil.coefficients[:, SECOND])
    local = np.einsum("nck,c,ncl->nkl", rows, weight, rows)
    terms = _terms(stencil.place)
    rest = np.eye(stencil.near.shape[1]) - np.einsum("nkc,ncl->nkl", terms, stencil.fit)
    usual = stencil.weight / np.maximum(stencil.weight.sum(axis=1, keepdims=True), 1e-300)
    rough = np.einsum("nmk,nm,nml->nkl", rest, usual, rest)
    scale = _ROUGH / spacing_mm ** (2 * way.order) * max(way.across, 1e-9)
    local = areas[:, None, None] * (local + scale * rough)
    towards = areas[:, None] * np.einsum("nck,c,nc->nk", rows, weight, asked)
    pull = np.einsum("nkl,nl->nk", local, stencil.height)
    value = float(np.einsum("nk,nk->", pull - 2.0 * towards, stencil.height))
    value += float(areas @ (asked**2 @ weight))
    pull -= towards
    return _of_moves(stencil, normals, local, pull, value, None)


def attraction(
    stencil: Stencils, normals: Floats | None, owner: NDArray[np.integer], offset: Floats, weights: Floats
) -> Form:
    """Weighted squared distances of points from the surface, each over the polynomial of its node.

    Parameters
    ----------
    owner : (m,) node of each point
    offset : (m, 3) point in the frame of its node
    weights : (m,) weight of its squared distance
    """
    n = len(stencil.near)
    ones = np.column_stack([np.ones(len(offset)), _terms(offset[:, :2])])
    height = offset[:, 2]
    order = np.argsort(owner, kind="stable")
    starts = np.searchsorted(owner[order], np.arange(n))
    rows = ones[order] * weights[order][:, None]
    gram = _summed(rows[:, :, None] * ones[order][:, None, :], starts, len(order))
    moment = _summed(rows * height[order][:, None], starts, len(order))
    fit = np.concatenate([np.zeros((n, 1, stencil.fit.shape[2])), stencil.fit], axis=1)
    local = np.einsum("nck,ncd,ndl->nkl", fit, gram, fit, optimize=True)
    centre = gram[:, 0]
    now = np.einsum("nck,nk->nc", fit, stencil.height)
    left = moment - np.einsum("ncd,nd->nc", gram, now)
    pull = -np.einsum("nck,nc->nk", fit, left)
    beside = np.einsum("nc,nck->nk", centre, fit)
    residual = point_residuals(stencil, owner, offset)
    return _of_moves(
        stencil,
        normals,
        local,
        pull,
        float(weights @ residual**2),
        (gram[:, 0, 0], beside, -left[:, 0]),
    )


def _of_arcs(second: Floats) -> Floats:
    """Fourth derivatives of a height over its tangent plane that curvature alone brings with it, (n, 5).

    A curve ``y(x)`` level at 0 has ``y'''' = k'' + 3 k^3``: an arc has 3 k^3. For a surface each of the three
    ways to pair the four letters gives a product of the second form with its square.
    """
    a, b, c = 2.0 * second[:, 0], second[:, 1], 2.0 * second[:, 2]
    form = {"xx": a, "xy": b, "yy": c}
    square = {"xx": a * a + b * b, "xy": b * (a + c), "yy": b * b + c * c}

    def pair(one: str, two: str) -> Floats:
        return 0.5 * (form[one] * square[two] + form[two] * square[one])

    return np.column_stack(
        [
            3.0 * pair("xx", "xx"),
            3.0 * pair("xx", "xy"),
            pair("xx", "yy") + 2.0 * pair("xy", "xy"),
            3.0 * pair("yy", "xy"),
            3.0 * pair("yy", "yy"),
        ]
    )


def point_residuals(stencil: Stencils, owner: NDArray[np.integer], offset: Floats) -> Floats:
    """Height of each point over the polynomial of its node, (m,)."""
    return np.asarray(
        offset[:, 2] - np.einsum("mc,mc->m", _terms(offset[:, :2]), stencil.coefficients[owner])
    )


def _terms(place: Floats) -> Floats:
    x, y = place[..., 0], place[..., 1]
    return np.stack([x**i * y**j for i, j in POWERS], axis=-1)


def _summed(rows: Floats, starts: NDArray[np.integer], count: int) -> Floats:
    """Sums over consecutive rows; nodes without a point have none."""
    total = np.concatenate([np.zeros((1, *rows.shape[1:])), np.cumsum(rows, axis=0)])
    stops = np.append(starts[1:], count)
    return np.asarray(total[stops] - total[starts])


def _of_moves(
    stencil: Stencils,
    normals: Floats | None,
    local: Floats,
    pull: Floats,
    value: float,
    centre: tuple[Floats, Floats, Floats] | None,
) -> Form:
    """Turn forms of heights over tangent planes into ones of moves along normals.

    A neighbour's move raises it by the cosine between the normals, or by itself where heights are those of a
    field on the surface (``normals`` None); the node's own move lowers all others.
    ``centre`` has what a node's own height beyond that takes part in: its square, products with the
    neighbours', and its pull.
    """
    n, k = stencil.near.shape
    cosine = np.ones((n, k)) if normals is None else np.einsum("nkj,nj->nk", normals[stencil.near], normals)
    cross = -local.sum(axis=2)
    own = local.sum(axis=(1, 2))
    pull_own = -pull.sum(axis=1)
    if centre is not None:
        square, beside, pull_at = centre
        cross = cross + beside
        own = own + square - 2.0 * beside.sum(axis=1)
        pull_own = pull_own + pull_at
    whole = np.empty((n, k + 1, k + 1))
    whole[:, :k, :k] = local * cosine[:, :, None] * cosine[:, None, :]
    whole[:, :k, k] = whole[:, k, :k] = cosine * cross
    whole[:, k, k] = own
    return Form(whole, -np.column_stack([cosine * pull, pull_own]), value)
