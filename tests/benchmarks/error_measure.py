"""How far any rebuilt surface lies from the original: one measure for ours and for every general tool.

Points are spread evenly over the *original* surface of the gap, between the marked ends (or over the
damaged side alone). From each, a line along the original's normal is cut with the rebuilt triangles; the
nearest cut's signed height, positive outside, is the error there. So holes, caps and missing stretches
show as points without an answer, a tool's spare triangles elsewhere cost it nothing, and a large facet
counts by its area. A surface that answers at fewer than 90 % of the points does not bridge the gap.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from trimesh.remesh import subdivide_to_size

Floats = NDArray[np.float64]

#: With a smaller share of the gap covered, a surface counts as none.
BRIDGED = 0.9
#: Facets are cut to edges of at most this before the nearest are sought (mm).
_EDGE_MM = 2.0
_STEP_MM, _CANDIDATES = 1.0, 32


@dataclass(frozen=True)
class TruthPoints:
    """Points evenly over the original surface of the gap.

    ``points`` and outward ``normals`` (n, 3); ``reach_mm`` (n,) is how far along the normal an answer is
    sought: three quarters of the way to the centreline.
    """

    points: Floats
    normals: Floats
    reach_mm: Floats


@dataclass(frozen=True)
class SurfaceError:
    """Errors of one rebuilt surface; all but ``covered`` are NaN when it does not bridge the gap."""

    covered: float
    rms_mm: float
    p95_mm: float
    max_mm: float
    normal_rms_deg: float
    normal_max_deg: float

    @property
    def bridged(self) -> bool:
        """Whether there is a surface over the gap at all."""
        return self.covered >= BRIDGED


def surface_error(truth: TruthPoints, vertices: Floats, faces: NDArray[np.integer]) -> SurfaceError:
    """Measure a rebuilt triangle mesh, (n, 3) vertices in mm and (m, 3) faces, against the original."""
    height, tilt = heights(truth, vertices, faces)
    hit = np.isfinite(height)
    covered = float(hit.mean())
    if covered < BRIDGED:
        return SurfaceError(covered, *[float("nan")] * 5)
    size = np.abs(height[hit])
    return SurfaceError(
        covered,
        float(np.sqrt(np.mean(size**2))),
        float(np.quantile(size, 0.95)),
        float(size.max()),
        float(np.rad2deg(np.sqrt(np.mean(tilt[hit] ** 2)))),
        float(np.rad2deg(tilt[hit].max())),
    )


def heights(truth: TruthPoints, vertices: Floats, faces: NDArray[np.integer]) -> tuple[Floats, Floats]:
    """Signed height (mm) of the surface over each truth point and its tilt (rad); NaN without an answer.

    The tilt is the angle between the original's normal and the mesh's vertex normals, interpolated; it
    knows no inside, so that a tool whose triangles are turned over is not punished for that.
    """
    found = np.full(len(truth.points), np.nan)
    tilt = np.full(len(truth.points), np.nan)
    vertices, faces = _near(truth, np.asarray(vertices), np.asarray(faces))
    if len(faces) == 0:
        return found, tilt
    normals = _vertex_normals(vertices, faces)
    tree = cKDTree(vertices[faces].mean(axis=1))
    steps = np.arange(0.0, truth.reach_mm.max() + _STEP_MM, _STEP_MM)
    for offset in sorted([*steps, *-steps[1:]], key=abs):
        # an answer closer than this offset's own neighbourhood will not be beaten
        open_ = np.flatnonzero(
            ~(np.abs(found) <= abs(offset) - 0.5 * _STEP_MM) & (abs(offset) <= truth.reach_mm + _STEP_MM)
        )
        if len(open_) == 0:
            continue
        start = truth.points[open_] + offset * truth.normals[open_]
        _, candidate = tree.query(start, k=min(_CANDIDATES, len(faces)), distance_upper_bound=6.0 * _EDGE_MM)
        candidate = candidate.reshape(len(open_), -1)
        height, cosine = _cut(
            truth.points[open_], truth.normals[open_], vertices, normals, faces, candidate % len(faces)
        )
        height[(candidate == len(faces)) | (np.abs(height) > truth.reach_mm[open_, None])] = np.inf
        best = np.argmin(np.abs(height), axis=1)
        row = np.arange(len(open_))
        better = np.abs(height[row, best]) < np.nan_to_num(np.abs(found[open_]), nan=np.inf)
        found[open_[better]] = height[row, best][better]
        tilt[open_[better]] = np.arccos(np.clip(np.abs(cosine[row, best][better]), 0.0, 1.0))
    return found, tilt


def _near(
    truth: TruthPoints, vertices: Floats, faces: NDArray[np.integer]
) -> tuple[Floats, NDArray[np.integer]]:
    """The part of a mesh that may lie over the truth points, its large facets cut up."""
    pad = truth.reach_mm.max()
    low, high = truth.points.min(axis=0) - pad, truth.points.max(axis=0) + pad
    corner = vertices[faces]
    faces = faces[((corner.max(axis=1) >= low) & (corner.min(axis=1) <= high)).all(axis=1)]
    if len(faces) == 0:
        return vertices, faces
    corner = vertices[faces]
    side = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max()
    if side > _EDGE_MM:
        vertices, faces = subdivide_to_size(vertices, faces, _EDGE_MM, max_iter=20)
    return np.asarray(vertices), np.asarray(faces)


def _vertex_normals(vertices: Floats, faces: NDArray[np.integer]) -> Floats:
    """Unit vertex normals, each facet weighted by its area."""
    first, second, third = (vertices[faces[:, i]] for i in range(3))
    normal = np.cross(second - first, third - first)
    total = np.zeros_like(vertices)
    for i in range(3):
        np.add.at(total, faces[:, i], normal)
    return np.asarray(total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300))


def _cut(
    points: Floats,
    directions: Floats,
    vertices: Floats,
    normals: Floats,
    faces: NDArray[np.integer],
    candidate: NDArray[np.integer],
) -> tuple[Floats, Floats]:
    """Where each line cuts its candidate triangles, (n, k) heights, inf where it misses, and cosines there.

    Moller and Trumbore, "Fast, minimum storage ray/triangle intersection", Journal of Graphics Tools
    2(1), 1997.
    """
    corner = faces[candidate]
    first = vertices[corner[..., 0]]
    to_b, to_c = vertices[corner[..., 1]] - first, vertices[corner[..., 2]] - first
    line = np.broadcast_to(directions[:, None], to_b.shape)
    side = np.cross(line, to_c)
    span = np.einsum("nki,nki->nk", to_b, side)
    away = points[:, None] - first
    lift = np.cross(away, to_b)
    whole = np.abs(span) > 1e-300  # the line does not run in the triangle's plane, which has an area
    span = np.where(whole, span, 1.0)
    b = np.einsum("nki,nki->nk", away, side) / span
    c = np.einsum("nki,nki->nk", line, lift) / span
    height = np.einsum("nki,nki->nk", to_c, lift) / span
    rounding = 1e-9
    inside = (b >= -rounding) & (c >= -rounding) & (b + c <= 1.0 + rounding) & whole
    share = np.stack([1.0 - b - c, b, c], axis=-1)
    share = np.where(inside[..., None], share, 0.0)
    normal = np.einsum("nkj,nkji->nki", share, normals[corner])
    length = np.maximum(np.linalg.norm(normal, axis=-1), 1e-300)
    return np.where(inside, height, np.inf), np.einsum("nki,nki->nk", normal, line) / length
