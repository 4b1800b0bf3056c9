"""Local polynomials through the nodes of a surface: derivatives of third order as sums over neighbours."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

#: Neighbours that each polynomial is laid through; those of the other side of a wall don't count.
NEIGHBOURS = 24
#: Powers of x and y of a polynomial of fourth order without its constant.
POWERS = np.array(
    [
        (1, 0),
        (0, 1),
        (2, 0),
        (1, 1),
        (0, 2),
        (3, 0),
        (2, 1),
        (1, 2),
        (0, 3),
        (4, 0),
        (3, 1),
        (2, 2),
        (1, 3),
        (0, 4),
    ]
)
#: Where its terms of second, third and fourth order stand.
SECOND, THIRD, FOURTH = slice(2, 5), slice(5, 9), slice(9, 14)


@dataclass(frozen=True)
class Stencils:
    """Neighbours of every node, and what turns their heights into a polynomial.

    Attributes
    ----------
    near : (n, k) numbers of the neighbours
    frame : (n, 3, 3) rows: two tangents and the normal
    fit : (n, 14, k) from heights of the neighbours over the tangent plane to coefficients in ``POWERS``
    place : (n, k, 2) the neighbours in the tangent plane, in mm
    height : (n, k) their heights over it, mm
    weight : (n, k) weights of the fit; 0 for neighbours that don't count
    """

    near: Indices
    frame: Floats
    fit: Floats
    place: Floats
    height: Floats
    weight: Floats

    @property
    def coefficients(self) -> Floats:
        """Coefficients of every node's polynomial, (n, 14)."""
        return np.einsum("nck,nk->nc", self.fit, self.height)


def stencils(points: Floats, normals: Floats, first: Floats, near: Indices, spacing_mm: float) -> Stencils:
    """Polynomials of fourth order over the tangent planes, by weighted least squares.

    Parameters
    ----------
    points, normals : (n, 3) nodes and unit normals
    first : (n, 3) the direction that each frame's first tangent is to follow
    near : (n, k) neighbours, from :func:`neighbours`
    """
    frame = frames(normals, first)
    local = np.einsum("nij,nkj->nki", frame, points[near] - points[:, None])
    turned = np.einsum("nkj,nj->nk", normals[near], normals)
    away = np.linalg.norm(local, axis=-1)
    reach = away.max(axis=1, keepdims=True)
    weight = np.maximum(1.0 - (away / (1.15 * reach)) ** 2, 0.0) ** 2
    same_side = weight * (turned > 0.1)
    enough = (same_side > 1e-3).sum(axis=1) > len(POWERS) + 1
    weight = np.where(enough[:, None], same_side, weight)
    scale = spacing_mm
    x, y = local[..., 0] / scale, local[..., 1] / scale
    terms = np.stack([x**i * y**j for i, j in POWERS], axis=-1)
    weighted = terms * weight[..., None]
    square = np.einsum("nkc,nkd->ncd", weighted, terms)
    square += 1e-9 * np.einsum("ncc->n", square)[:, None, None] * np.eye(len(POWERS))
    fit = np.linalg.solve(square, np.swapaxes(weighted, 1, 2))
    fit /= (scale ** POWERS.sum(axis=1))[None, :, None]
    return Stencils(near, frame, fit, local[..., :2], local[..., 2], weight)


def neighbours(points: Floats, k: int = NEIGHBOURS) -> Indices:
    """The k nearest other nodes of each node, (n, k)."""
    return np.asarray(cKDTree(points).query(points, k=k + 1)[1][:, 1:], dtype=np.int64)


def frames(normals: Floats, first: Floats) -> Floats:
    """Frames (n, 3, 3) whose rows are the tangent nearest to ``first``, the other tangent, the normal."""
    x = first - np.einsum("ij,ij->i", first, normals)[:, None] * normals
    length = np.linalg.norm(x, axis=1, keepdims=True)
    other = np.eye(3)[np.abs(normals).argmin(axis=1)]
    other = other - np.einsum("ij,ij->i", other, normals)[:, None] * normals
    x = np.where(
        length > 1e-9, x / np.maximum(length, 1e-9), other / np.linalg.norm(other, axis=1, keepdims=True)
    )
    return np.stack([x, np.cross(normals, x), normals], axis=1)
