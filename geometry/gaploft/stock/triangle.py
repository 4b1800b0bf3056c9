"""Points against single triangles, in arrays: nearest place, and where a line goes through."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: A line that passes a triangle by this share of its size still hits: single precision opens no slit between
#: neighbours, and a scan that ends where the target does is seen up to its last edge.
_SLIT = 1e-3


def squared_distance(points: Floats, corners: Floats) -> tuple[Floats, Floats]:
    """Squared distance from points (n, 3) to triangles (n, 3, 3), and the nearest places on these (n, 3).

    Exact: the foot in the plane where it lies inside, else the nearest of the three edges.
    """
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, ac, ap = b - a, c - a, points - a
    d_bb, d_bc, d_cc = _dot(ab, ab), _dot(ab, ac), _dot(ac, ac)
    p_b, p_c = _dot(ap, ab), _dot(ap, ac)
    size = d_bb * d_cc - d_bc * d_bc
    safe = np.where(size > 0.0, size, 1.0)
    v = (d_cc * p_b - d_bc * p_c) / safe
    w = (d_bb * p_c - d_bc * p_b) / safe
    inside = (size > 0.0) & (v >= 0.0) & (w >= 0.0) & (v + w <= 1.0)
    outside = np.flatnonzero(~inside)
    place = a + v[:, None] * ab + w[:, None] * ac
    if len(outside):
        place[outside] = _on_edges(points[outside], corners[outside])
    off = points - place
    return _dot(off, off), place


def _on_edges(points: Floats, corners: Floats) -> Floats:
    """Nearest places on the outlines of triangles, (n, 3)."""
    best, place = np.full(len(points), np.inf), np.empty_like(points)
    for k in range(3):
        start = corners[:, k]
        span = corners[:, (k + 1) % 3] - start
        length = _dot(span, span)
        share = np.clip(_dot(points - start, span) / np.where(length > 0.0, length, 1.0), 0.0, 1.0)
        there = start + share[:, None] * span
        off = points - there
        distance = _dot(off, off)
        nearer = distance < best
        best[nearer], place[nearer] = distance[nearer], there[nearer]
    return place


def through(points: Floats, ways: Floats, corners: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """How far along unit ``ways`` (n, 3) from ``points`` the planes of triangles (n, 3, 3) lie, and which
    lines go through the triangles themselves; infinite where a line runs along a plane.

    T. Moeller and B. Trumbore, "Fast, minimum storage ray/triangle intersection", Journal of Graphics Tools
    2(1), 1997.
    """
    a = corners[:, 0]
    e1, e2, offset = corners[:, 1] - a, corners[:, 2] - a, points - a
    p = np.cross(ways, e2)
    size = _dot(e1, p)
    flat = np.abs(size) < 1e-14 * np.sqrt(_dot(e1, e1) * _dot(e2, e2)) + 1e-300
    safe = np.where(flat, 1.0, size)
    q = np.cross(offset, e1)
    u, v = _dot(offset, p) / safe, _dot(ways, q) / safe
    along = np.where(flat, np.inf, _dot(e2, q) / safe)
    return along, ~flat & (u >= -_SLIT) & (v >= -_SLIT) & (u + v <= 1.0 + _SLIT)


def _dot(a: Floats, b: Floats) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", a, b))
