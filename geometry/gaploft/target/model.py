"""The machining target as arrays."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: What a patch stands on: the loft of one of the tubes that meet, a fillet between two, or itself alone.
ORIGINS = ("loft", "fillet", "fair")


@dataclass(frozen=True)
class Target:
    """A regular quad mesh over gap and overlap, and the same mesh cut into triangles; or a patch.

    A patch covers damage where the surroundings are no tube: it has triangles alone, without quads, rings and
    ``uv``.

    Attributes
    ----------
    vertices_mm : (n, 3) float64, row by row: ``n_u`` rings of ``n_v`` vertices each; of a patch in any order
    normals : (n, 3) float64, outward unit normals of the smooth surface
    band95_mm : (n,) float64, half width of the 95 % band for the normal distance
    zone : (n,) uint8, 0 intact overlap, 1 rebuilt
    quads : (k, 4) int32, anticlockwise seen from outside; (0, 4) of a patch
    triangles : (2 k, 3) int32, each quad cut along its shorter diagonal; of a patch any, (m, 3)
    shape : (n_u, n_v), rings along the tube and vertices around it; (0, 0) of a patch
    chord_error_mm : largest measured distance between the triangles and the smooth surface
    depth_mm : (n,) float64, how far each vertex lies below the rebuilt outer surface
    uv : (n, 2) float64, each vertex's parameters on that surface; None where they are not known
    trimmed : (n,) bool, where layers were made thinner because the surface bends too tightly; None for
        nowhere
    origin : (n,) uint8, what a patch stands on at each vertex, by number in ``ORIGINS``; None of a tube
    """

    vertices_mm: NDArray[np.float64]
    normals: NDArray[np.float64]
    band95_mm: NDArray[np.float64]
    zone: NDArray[np.uint8]
    quads: NDArray[np.int32]
    triangles: NDArray[np.int32]
    shape: tuple[int, int]
    chord_error_mm: float
    depth_mm: NDArray[np.float64]
    uv: NDArray[np.float64] | None = None
    trimmed: NDArray[np.bool_] | None = None
    origin: NDArray[np.uint8] | None = None

    @property
    def ringed(self) -> bool:
        """Whether the vertices are rings of a tube; those of a patch are not."""
        return min(self.shape) > 0

    @property
    def facets(self) -> NDArray[np.int32]:
        """What work by hand is measured on: the quads, (k, 4), or the triangles of a patch, (m, 3)."""
        return self.quads if self.ringed else self.triangles

    def on_rings(self, values: NDArray[np.generic]) -> NDArray[np.generic]:
        """Values at the vertices, (n, ...), as (n_u, n_v, ...).

        Layers that end in a step around a patch have more vertices, behind those of the rings, along its rim:
        these are left out. ValueError for a patch, which has no rings.
        """
        if not self.ringed:
            raise ValueError(f"a patch has no rings, its shape is {self.shape}")
        n_u, n_v = self.shape
        return values[: n_u * n_v].reshape(n_u, n_v, *values.shape[1:])

    @property
    def outer_mm(self) -> NDArray[np.float64]:
        """The vertices raised to the outer surface, (n, 3); where layers run out, as near as their slope
        squared."""
        return np.asarray(self.vertices_mm + self.depth_mm[:, None] * self.normals)
