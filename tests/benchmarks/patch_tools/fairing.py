"""Fairing of the filled hole with k-harmonic weights (libigl).

M. Botsch and L. Kobbelt, "An intuitive framework for real-time freeform modeling", ACM Transactions on
Graphics 23(3), 2004: the filling solves the k-th power of the Laplacian; the k rows of fixed vertices around
it hand over position and k - 1 derivatives. The weights are those of the mesh as it comes; solving again on
what came out makes them those of the fair surface.
"""

import numpy as np
from numpy.typing import NDArray

from gaploft.patch.refine import flipped

from .broken_patch import Floats, PatchScan, Sheet
from .filling import filled
from .quadrics import on_quadrics

#: How often each k is solved. The filling consists of plates with k = 2 already; for k = 3 the median over
#: the development cases was 0.93, 0.84 and 0.88 mm after 1, 3 and 6 times.
_PASSES = {2: 1, 3: 3}
#: The collar is smoothed with the scan within so far of the margin, mm.
_REACH_MM = 15.0


def faired(scan: PatchScan, k: int, *, smooth_rim: bool) -> Sheet:
    """The filling made k-harmonic, k = 2 or 3, on the rim as scanned or on a smoothed one."""
    start = filled(scan)
    points, faces = start.sheet.vertices.copy(), start.sheet.faces.copy()
    fixed = np.flatnonzero(~start.free)
    if smooth_rim:
        points[fixed] = on_quadrics(scan.around(_REACH_MM), points[fixed])[0]
    inner = start.free[faces].any(axis=1)
    for _ in range(_PASSES[k]):
        points = k_harmonic(points, faces, fixed, k)
        faces[inner] = flipped(points, faces[inner])
    return Sheet(points, faces)


def k_harmonic(vertices: Floats, faces: NDArray[np.int64], fixed: NDArray[np.int64], k: int) -> Floats:
    """Vertices of a mesh with all but the fixed ones moved to where the k-th Laplacian vanishes."""
    import igl

    return np.asarray(igl.harmonic(vertices, faces, fixed, np.ascontiguousarray(vertices[fixed]), k))
