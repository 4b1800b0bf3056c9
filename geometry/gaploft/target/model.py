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
    """

    vertices_mm: NDArray[np.float64]
    normals: NDArray[np.float64]
    band95_mm: NDArray[np.float64]
    zone: NDArray[np.uint8]
    quads: NDArray[np.int32]
    triangles: NDArray[np.int32]
    shape: tuple[int, int]
    chord_error_mm: float
