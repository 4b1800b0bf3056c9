"""Smoothing as a careful technician would do it: a quadric through the neighbours of each point.

Moving least squares (D. Levin, "Mesh-independent surface interpolation", Geometric Modeling for Scientific
Visualization, Springer 2004, cited from memory): unlike plain averages it takes nothing off a curved surface
up to the second order, and it holds at a rim, where all neighbours are on one side.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .broken_patch import Floats, Sheet

#: Neighbours within so far count, mm, and so many at most; of 4 and 6 mm neither was best on all of the
#: development cases.
_RADIUS_MM, _MOST = 5.0, 240
_ROUNDS = 2
#: Neighbours whose normals are turned farther away than this cosine are another wall's.
_FACING = 0.5


def on_quadrics(scan: Sheet, points: Floats) -> tuple[Floats, Floats]:
    """Points (n, 3) near a scan moved onto quadrics through it, and unit normals (n, 3) there."""
    tree = cKDTree(scan.vertices)
    normals = scan.normals[tree.query(points)[1]]
    for _ in range(_ROUNDS):
        away, near = tree.query(points, k=min(_MOST, len(scan.vertices)), distance_upper_bound=_RADIUS_MM)
        found = np.isfinite(away)
        near = np.where(found, near, 0)
        facing = np.einsum("nki,ni->nk", scan.normals[near], normals) > _FACING
        weight = facing * (1.0 - np.where(found, away / _RADIUS_MM, 1.0) ** 2) ** 2
        frame = _frames(normals)
        local = np.einsum("nij,nkj->nki", frame, scan.vertices[near] - points[:, None]) / _RADIUS_MM
        fit = _quadric(local, weight)
        points = points + _RADIUS_MM * fit[:, :1] * normals
        normals = normals - fit[:, 1:2] * frame[:, 0] - fit[:, 2:3] * frame[:, 1]
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return points, normals


def spread(points: Floats, most: int) -> Floats:
    """Some of the points, ``most`` at the most: one in each cell of a grid as coarse as that takes."""
    low = points.min(axis=0)
    cell = float(np.ptp(points, axis=0).max()) / np.sqrt(most)
    while True:
        _, first = np.unique(np.floor((points - low) / cell).astype(np.int64), axis=0, return_index=True)
        if len(first) <= most:
            return points[np.sort(first)]
        cell *= 1.05


def _frames(normals: Floats) -> Floats:
    """Rows: two directions across each normal, and the normal, (n, 3, 3)."""
    first = np.cross(normals, np.eye(3)[np.abs(normals).argmin(axis=1)])
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return np.stack([first, np.cross(normals, first), normals], axis=1)


def _quadric(local: Floats, weight: NDArray[np.float64]) -> Floats:
    """Coefficients (n, 6) of 1, x, y, x2, xy, y2 by weighted least squares."""
    x, y, z = np.moveaxis(local, 2, 0)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2)
    square = np.einsum("nkc,nk,nkd->ncd", terms, weight, terms) + 1e-9 * np.eye(6)
    moment = np.einsum("nkc,nk,nk->nc", terms, weight, z)
    return np.asarray(np.linalg.solve(square, moment[..., None])[..., 0])
