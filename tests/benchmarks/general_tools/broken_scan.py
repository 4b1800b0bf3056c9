"""What every general tool is given and gives back, and the margin they are all helped with."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: So much of the rim beyond the marked damage is cut away for the general tools, which cannot tell a
#: crushed rim from an intact one (mm). A technician would do the same by eye.
MARGIN_MM = 8.0
#: A part of the scan with a smaller share of its facets than this is debris.
_DEBRIS_SHARE = 0.02


@dataclass(frozen=True)
class BrokenScan:
    """A scan of one broken tube, in mm.

    ``vertices`` (n, 3), ``faces`` (m, 3); ``from_mm`` and ``to_mm`` are the marks at the two ends of the
    damage. ``damaged`` (n,) is True at damaged vertices when only one side of the tube is damaged.
    """

    vertices: Floats
    faces: NDArray[np.int32]
    from_mm: Floats
    to_mm: Floats
    damaged: Mask | None = None

    @property
    def gap_mm(self) -> float:
        """Straight distance between the marks."""
        return float(np.linalg.norm(self.to_mm - self.from_mm))


@dataclass(frozen=True)
class Patch:
    """A rebuilt surface: (n, 3) vertices in mm and (m, 3) triangles; it may run on past the marks."""

    vertices: Floats
    faces: NDArray[np.int64]


def trusted(scan: BrokenScan) -> Mask:
    """Vertices that are no debris and lie beyond the margin around the damage."""
    keep = _large_parts(scan)
    if scan.damaged is not None:
        away, _ = cKDTree(scan.vertices[scan.damaged]).query(
            scan.vertices, distance_upper_bound=MARGIN_MM, workers=1
        )
        return keep & np.isinf(away)
    axis = (scan.to_mm - scan.from_mm) / scan.gap_mm
    along = (scan.vertices - scan.from_mm) @ axis
    return np.asarray(keep & ((along < -MARGIN_MM) | (along > scan.gap_mm + MARGIN_MM)))


def cut_free(scan: BrokenScan, reach_mm: float) -> Patch:
    """The trusted scan within a reach of the marks along the tube, as a mesh of its own."""
    axis = (scan.to_mm - scan.from_mm) / scan.gap_mm
    along = (scan.vertices - scan.from_mm) @ axis
    keep = trusted(scan) & (along > -reach_mm) & (along < scan.gap_mm + reach_mm)
    return compacted(scan.vertices, scan.faces[keep[scan.faces].all(axis=1)])


def compacted(vertices: Floats, faces: NDArray[np.integer]) -> Patch:
    """A mesh without the vertices that no facet uses."""
    used, numbered = np.unique(faces, return_inverse=True)
    return Patch(vertices[used], numbered.reshape(-1, 3).astype(np.int64))


def strip_faces(n_rows: int, n_around: int) -> NDArray[np.int64]:
    """Triangles between ``n_rows`` closed rings of ``n_around`` vertices each, stored ring by ring."""
    row, column = np.meshgrid(np.arange(n_rows - 1), np.arange(n_around), indexing="ij")
    a, b = (row * n_around + column).ravel(), (row * n_around + (column + 1) % n_around).ravel()
    return np.concatenate(
        [np.stack([a, b, b + n_around], axis=1), np.stack([a, b + n_around, a + n_around], axis=1)]
    )


def _large_parts(scan: BrokenScan) -> Mask:
    n, faces = len(scan.vertices), scan.faces
    start, end = faces.ravel(), np.roll(faces, 1, axis=1).ravel()
    links = coo_array((np.ones(len(start), dtype=np.int8), (start, end)), shape=(n, n))
    _, part = connected_components(links, directed=False)
    size = np.bincount(part[faces[:, 0]], minlength=part.max() + 1)
    return np.asarray(size[part] >= _DEBRIS_SHARE * len(faces))
