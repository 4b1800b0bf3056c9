"""What every general tool is given of a scan with a marked damage, and the margin they are all helped with.

None of the tools can tell a crushed rim from an intact one. As a technician would by eye, all that lies
within a fixed margin of the marks, along the mesh, is cut away for them, and loose bits with it.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, dijkstra

Floats = NDArray[np.float64]
Faces = NDArray[np.int64]
Mask = NDArray[np.bool_]

#: So much of the scan around the marks is cut away, mm along the mesh; the worst rims reach 6 mm.
MARGIN_MM = 8.0
#: A part of the scan with a smaller share of its facets than this is debris.
_DEBRIS_SHARE = 0.02


class NoAnswer(Exception):
    """A tool can do nothing here, for the reason told."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """Triangles: ``vertices`` (n, 3) in mm and ``faces`` (m, 3), anticlockwise from outside."""

    vertices: Floats
    faces: Faces

    @cached_property
    def normals(self) -> Floats:
        """Unit vertex normals (n, 3), each facet weighted by its area."""
        corner = self.vertices[self.faces]
        across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        share, n = np.repeat(across, 3, axis=0), len(self.vertices)
        total = np.stack([np.bincount(self.faces.ravel(), part, minlength=n) for part in share.T], axis=1)
        return np.asarray(total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300))

    @cached_property
    def links(self) -> csr_array:
        """Lengths of the edges, both ways, (n, n)."""
        pairs = np.concatenate([self.faces[:, [0, 1]], self.faces[:, [1, 2]], self.faces[:, [2, 0]]])
        pairs = np.unique(np.sort(pairs, axis=1), axis=0)
        length = np.linalg.norm(self.vertices[pairs[:, 0]] - self.vertices[pairs[:, 1]], axis=1)
        n = len(self.vertices)
        half = coo_array((np.maximum(length, 1e-9), (pairs[:, 0], pairs[:, 1])), shape=(n, n)).tocsr()
        return half + half.T

    @property
    def edge_mm(self) -> float:
        """Mean length of an edge."""
        return float(self.links.data.mean())


@dataclass(frozen=True, eq=False)
class PatchScan:
    """A scan, which of its vertices (n,) are marked as damaged, and the margin around them."""

    sheet: Sheet
    damaged: Mask
    margin_mm: float = MARGIN_MM

    @cached_property
    def away_mm(self) -> Floats:
        """Way along the mesh from the nearest marked vertex, (n,); infinite on other pieces."""
        start = np.flatnonzero(self.damaged)
        return np.asarray(dijkstra(self.sheet.links, indices=start, min_only=True))

    @cached_property
    def trusted(self) -> Mask:
        """Vertices that are no debris and lie beyond the margin, (n,)."""
        part = connected_components(self.sheet.links, directed=False)[1]
        size = np.bincount(part[self.sheet.faces[:, 0]], minlength=part.max() + 1)
        large = size[part] >= _DEBRIS_SHARE * len(self.sheet.faces)
        return np.asarray(large & (self.away_mm > self.margin_mm))

    @cached_property
    def width_mm(self) -> float:
        """Greatest extent of the marked vertices along their principal axes."""
        points = self.sheet.vertices[self.damaged]
        points = points - points.mean(axis=0)
        return float(np.ptp(points @ np.linalg.svd(points, full_matrices=False)[2].T, axis=0).max())

    def around(self, reach_mm: float) -> Sheet:
        """The trusted scan within a reach of the margin, along the mesh."""
        keep = self.trusted & (self.away_mm <= self.margin_mm + reach_mm)
        faces = self.sheet.faces[keep[self.sheet.faces].all(axis=1)]
        if len(faces) == 0:
            raise NoAnswer("no trusted scan is left around the damage")
        return compacted(self.sheet.vertices, faces)


def compacted(vertices: Floats, faces: NDArray[np.integer]) -> Sheet:
    """A mesh without the vertices that no facet uses."""
    used, numbered = np.unique(faces, return_inverse=True)
    return Sheet(vertices[used], numbered.reshape(-1, 3).astype(np.int64))
