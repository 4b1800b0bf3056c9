"""The machining target as arrays."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Target:
    """A regular quad mesh over gap and overlap, and the same mesh cut into triangles.

    Attributes
    ----------
    vertices_mm : (n, 3) float64, row by row: ``n_u`` rings of ``n_v`` vertices each
    normals : (n, 3) float64, outward unit normals of the smooth surface
    band95_mm : (n,) float64, half width of the 95 % band for the normal distance
    zone : (n,) uint8, 0 intact overlap, 1 rebuilt
    quads : (k, 4) int32, anticlockwise seen from outside
    triangles : (2 k, 3) int32, each quad cut along its shorter diagonal
    shape : (n_u, n_v), rings along the tube and vertices around it
    chord_error_mm : largest measured distance between the triangles and the smooth surface
    depth_mm : (n,) float64, how far each vertex lies below the rebuilt outer surface
    uv : (n, 2) float64, each vertex's parameters on that surface; None where they are not known
    trimmed : (n,) bool, where layers were made thinner because the surface bends too tightly; None for
        nowhere
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

    def on_rings(self, values: NDArray[np.generic]) -> NDArray[np.generic]:
        """Values at the vertices, (n, ...), as (n_u, n_v, ...).

        Layers that end in a step around a patch have more vertices, behind those of the rings, along its rim:
        these are left out.
        """
        n_u, n_v = self.shape
        return values[: n_u * n_v].reshape(n_u, n_v, *values.shape[1:])

    @property
    def outer_mm(self) -> NDArray[np.float64]:
        """The vertices raised to the outer surface, (n, 3); where layers run out, as near as their slope
        squared."""
        return np.asarray(self.vertices_mm + self.depth_mm[:, None] * self.normals)
