"""Fairing of a triangulated patch with k-harmonic weights (libigl).

Botsch and Kobbelt, "An intuitive framework for real-time freeform modeling", ACM Transactions on Graphics
23(3), 2004: the patch solves the k-th power of the Laplacian; k rows of fixed vertices at each end hand
over position and k - 1 derivatives.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .broken_scan import MARGIN_MM, BrokenScan, Patch, strip_faces, trusted
from .rings import Collar, collars

Floats = NDArray[np.float64]

#: Rows along and vertices around, mm: near squares, as cotangent weights like them.
_SPACING_MM, _N_AROUND = 1.0, 120


def biharmonic_fairing(scan: BrokenScan) -> Patch:
    """Fair with k = 2: position and slope are handed over."""
    return _faired(scan, 2)


def triharmonic_fairing(scan: BrokenScan) -> Patch:
    """Fair with k = 3: position, slope and curvature are handed over."""
    return _faired(scan, 3)


def _faired(scan: BrokenScan, k: int) -> Patch:
    first, last = collars(scan)
    rows = patch_rows(first, last, k)
    n_rows, n_around = rows.shape[:2]
    fixed = np.zeros((n_rows, n_around), dtype=bool)
    fixed[:k] = fixed[-k:] = True
    vertices, faces = rows.reshape(-1, 3), strip_faces(n_rows, n_around)
    if scan.damaged is not None:
        vertices, seen = _laid_on(vertices, scan.vertices[trusted(scan)])
        fixed |= seen.reshape(n_rows, n_around)
    return Patch(k_harmonic(vertices, faces, np.flatnonzero(fixed.ravel()), k), faces)


def patch_rows(first: Collar, last: Collar, k: int) -> Floats:
    """The unfaired patch, (rows, around, 3): k rows on each collar, straight lines between them."""
    size = np.linalg.norm(first.ring(MARGIN_MM) - first.ring(MARGIN_MM).mean(axis=0), axis=1).mean()
    step = max(_SPACING_MM, 2 * np.pi * size / _N_AROUND)
    skip = len(first.powers[0]) // _N_AROUND
    beyond = MARGIN_MM + step * np.arange(k)
    head = [first.ring(at)[::skip] for at in beyond[::-1]]
    tail = [last.ring(at)[::skip] for at in beyond]
    length = np.linalg.norm(tail[0].mean(axis=0) - head[-1].mean(axis=0))
    share = np.linspace(0.0, 1.0, max(3, round(length / step) + 1))[1:-1]
    between = [(1 - s) * head[-1] + s * tail[0] for s in share]
    return np.array([*head, *between, *tail])


def k_harmonic(vertices: Floats, faces: NDArray[np.int64], fixed: NDArray[np.int64], k: int) -> Floats:
    """Vertices of a mesh with all but the fixed ones moved to where the k-th Laplacian vanishes.

    The weights are the cotangents of the mesh as it comes, so that the system is linear.
    """
    import igl

    return np.asarray(igl.harmonic(vertices, faces, fixed, np.ascontiguousarray(vertices[fixed]), k))


def _laid_on(vertices: Floats, points: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Vertices moved onto the mean of the scan's points about them, and which found some."""
    away, near = cKDTree(points).query(vertices, k=8, distance_upper_bound=3.0)
    seen = np.isfinite(away).all(axis=1)
    moved = vertices.copy()
    moved[seen] = points[near[seen]].mean(axis=1)
    return moved, seen
