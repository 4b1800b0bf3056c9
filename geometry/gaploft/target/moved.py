"""A target whose points were moved by hand."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gaploft.scan.normals import vertex_normals
from gaploft.target.model import Target


def moved_target(target: Target, vertices_mm: NDArray[np.float64]) -> Target:
    """Give a copy of ``target`` with its points at (n, 3) ``vertices_mm`` and normals of the moved facets.

    The band is about where the original surface was computed to lie, so it grows by how far each point
    went off along the normal: a point half a millimetre away can't claim a band of hundredths.
    """
    outward = np.einsum("ij,ij->i", vertices_mm - target.vertices_mm, target.normals)
    return replace(
        target,
        vertices_mm=vertices_mm,
        normals=vertex_normals(vertices_mm, target.triangles),
        band95_mm=target.band95_mm + np.abs(outward),
        depth_mm=target.depth_mm - outward,
    )
