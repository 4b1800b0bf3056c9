"""Flattening a piece of a curved surface to the plane, true to size."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Triangles = NDArray[np.int32]

#: Rounds at most, and the share of the piece's size that no vertex moves by any more in the last one.
_ROUNDS, _SETTLED_SHARE = 400, 1e-8


@dataclass(frozen=True)
class Flat:
    """A piece in the plane.

    Attributes
    ----------
    places_mm : (n, 2) vertices
    stretch : (k,) largest change of length in each triangle, as a share
    area_mm2 : of the curved piece
    n_flipped : triangles that came out upside down
    """

    places_mm: Floats
    stretch: Floats
    area_mm2: float
    n_flipped: int


def flatten(triangles: Triangles, lengths_mm: Floats, guide_mm: Floats) -> Flat:
    """Lay a connected piece of surface into the plane with the least change of its lengths.

    Parameters
    ----------
    triangles : (k, 3), anticlockwise in the plane
    lengths_mm : (k, 3) lengths on the surface of the edges opposite to each corner
    guide_mm : (n, 2) places by which the flat piece is turned and moved, not stretched

    Raises
    ------
    ValueError
        The lengths of a triangle don't close.

    Notes
    -----
    As rigid as possible: the sum over triangles of the squared differences between their edges and those of a
    turned copy of the true triangle, by turns for the copies and for the vertices (Liu, Zhang, Xu, Gotsman
    and Gortler, "A local/global approach to mesh parameterization", 2008). It starts from the least-squares
    conformal map (Levy, Petitjean, Ray and Maillot, 2002), which is exact already where a surface can be
    unrolled, as cylinders and cones can.
    """
    corners, areas = _laid_out(lengths_mm)
    numbers = np.asarray(triangles, dtype=np.int64)
    places = _conformal(numbers, corners, areas, guide_mm)
    places = _rigid(numbers, corners, areas, places)
    guide = guide_mm[:, 0] + 1j * guide_mm[:, 1]
    turn = (np.conj(places - places.mean()) * (guide - guide.mean())).sum()
    places = (places - places.mean()) * (turn / abs(turn)) + guide.mean()
    low, high = _stretches(numbers, corners, places)
    return Flat(
        np.column_stack([places.real, places.imag]),
        np.maximum(np.abs(low - 1.0), np.abs(high - 1.0)),
        float(areas.sum()),
        int((low <= 0.0).sum()),
    )


def _laid_out(lengths: Floats) -> tuple[Complex, Floats]:
    """Corners of each triangle in a plane of its own, (k, 3), and areas."""
    a, b, c = lengths.T
    x = (c**2 + b**2 - a**2) / (2.0 * c)
    squared = b**2 - x**2
    if not (squared > 0.0).all():
        raise ValueError("a triangle has edges that do not close")
    y = np.sqrt(squared)
    return np.column_stack([np.zeros(len(c)), c, x + 1j * y]).astype(np.complex128), 0.5 * c * y


def _conformal(triangles: NDArray[np.int64], corners: Complex, areas: Floats, guide: Floats) -> Complex:
    """The map that keeps angles best, between two far vertices, at the scale that keeps the area."""
    k, n = len(triangles), len(guide)
    opposite = np.roll(corners, -2, axis=1) - np.roll(corners, -1, axis=1)
    rows = np.repeat(np.arange(k), 3)
    weights = (opposite / np.sqrt(2.0 * areas)[:, None]).ravel()
    matrix = sparse.csc_matrix((weights, (rows, triangles.ravel())), shape=(k, n))
    way = guide @ [1.0, 0.3]
    held = np.array([way.argmin(), way.argmax()])
    free = np.setdiff1d(np.arange(n), held)
    ends = guide[held, 0] + 1j * guide[held, 1]
    found = np.empty(n, dtype=np.complex128)
    found[held] = ends
    left = matrix[:, free]
    normal = (left.getH() @ left).tocsc()
    found[free] = splu(normal).solve(left.getH() @ -(matrix[:, held] @ ends))
    edges = found[triangles]
    flat = 0.5 * (np.conj(edges[:, 1] - edges[:, 0]) * (edges[:, 2] - edges[:, 0])).imag
    return np.asarray(found * np.sqrt(areas.sum() / abs(flat.sum())))


def _rigid(triangles: NDArray[np.int64], corners: Complex, areas: Floats, places: Complex) -> Complex:
    """Turn copies and move vertices until both rest; the first vertex stays."""
    n = len(places)
    after, before = np.roll(triangles, -1, axis=1), np.roll(triangles, -2, axis=1)
    edges = np.roll(corners, -2, axis=1) - np.roll(corners, -1, axis=1)
    squared = np.abs(edges) ** 2
    # Cotangents of the angle opposite to each edge.
    weights = (squared.sum(axis=1, keepdims=True) - 2.0 * squared) / (4.0 * areas[:, None])
    i, j, w = after.ravel(), before.ravel(), weights.ravel()
    both = (np.concatenate([i, j]), np.concatenate([j, i]))
    joined = sparse.csc_matrix((np.concatenate([w, w]), both), shape=(n, n))
    matrix = sparse.diags(np.asarray(joined.sum(axis=1)).ravel()) - joined
    solver = splu(matrix.tocsc()[1:, 1:])
    size = float(np.abs(places - places[0]).max())
    places = places - places[0]
    for _ in range(_ROUNDS):
        ways = places[before] - places[after]
        turns = (weights * ways * np.conj(edges)).sum(axis=1)
        turns /= np.maximum(np.abs(turns), 1e-300)
        pull = (weights * turns[:, None] * edges).ravel()
        right = _summed(j, pull, n) - _summed(i, pull, n)
        solved = solver.solve(np.column_stack([right.real, right.imag])[1:])
        moved = np.concatenate([[0.0], solved[:, 0] + 1j * solved[:, 1]])
        change = float(np.abs(moved - places).max())
        places = moved
        if change <= _SETTLED_SHARE * size:
            break
    return np.asarray(places)


def _summed(numbers: NDArray[np.int64], values: Complex, n: int) -> Complex:
    real, imaginary = (np.bincount(numbers, part, minlength=n) for part in (values.real, values.imag))
    return np.asarray(real + 1j * imaginary)


def _stretches(triangles: NDArray[np.int64], corners: Complex, places: Complex) -> tuple[Floats, Floats]:
    """Smallest and largest ratio of lengths in each triangle, flat to true; below 0 where it is flipped."""
    first, second = corners[:, 1].real, corners[:, 2]
    p = (places[triangles[:, 1]] - places[triangles[:, 0]]) / first
    q = (places[triangles[:, 2]] - places[triangles[:, 0]] - second.real * p) / second.imag
    same, other = np.abs(0.5 * (p - 1j * q)), np.abs(0.5 * (p + 1j * q))
    return same - other, same + other
