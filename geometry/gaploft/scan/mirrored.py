"""The other hand of a scan: everything reflected in a plane, its outside still outside."""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_vector
from gaploft.scan.model import Scan

Floats = NDArray[np.float64]


def mirrored(scan: Scan, point_mm: ArrayLike, normal: ArrayLike) -> Scan:
    """Reflect a scan in a plane.

    Parameters
    ----------
    scan : mended scan, mm; it is not changed
    point_mm : array_like, shape (3,), mm
        Any point of the plane.
    normal : array_like, shape (3,)
        At right angles to the plane, of any length above zero.

    Returns
    -------
    Scan
        The same vertices and faces in the same order, on the other side of the plane. A reflection turns
        every face over, so that two corners of each change places and they are anticlockwise from
        outside again. ``source``, ``notes`` and ``vertex_of_source`` are those of ``scan``.

    Raises
    ------
    ValueError
        The normal has no length, or a number is not finite.
    """
    point, unit = as_vector(point_mm, name="point_mm"), as_unit(normal)
    vertices = reflected(scan.vertices_mm, point, unit)
    normals = reflected(scan.normals, np.zeros(3), unit)
    return replace(
        scan, vertices_mm=vertices, normals=normals, faces=np.ascontiguousarray(scan.faces[:, ::-1])
    )


def reflected(points: Floats, point: Floats, unit: Floats) -> Floats:
    """Points (n, 3) on the other side of a plane with a unit normal; directions with the origin as point."""
    height = (points - point) @ unit
    return np.asarray(points - 2.0 * height[:, None] * unit)


def as_unit(normal: ArrayLike) -> Floats:
    """The normal of a plane with length 1."""
    vector = as_vector(normal, name="normal")
    length = float(np.linalg.norm(vector))
    if length <= np.finfo(float).tiny:
        raise ValueError("normal must have a length above 0")
    return np.asarray(vector / length)
