"""Make a sound scan in millimetres out of whatever arrays a file or another program holds."""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_faces, as_positive
from gaploft.progress import Progress, silent
from gaploft.scan import steps
from gaploft.scan.model import Scan, ScanSource
from gaploft.scan.normals import inward_faces, vertex_normals
from gaploft.scan.steps import Mesh


def scan_from_arrays(
    vertices: ArrayLike,
    faces: ArrayLike,
    *,
    mm_per_unit: float,
    source: ScanSource,
    progress: Progress = silent,
) -> Scan:
    """Turn a triangle mesh in any unit into a mended scan in millimetres.

    Parameters
    ----------
    vertices : array_like, shape (n, 3)
        Coordinates in units of ``mm_per_unit`` millimetres; they are not changed.
    faces : array_like of int, shape (m, 3)
        Corners of each triangle; a soup in which no two faces share a vertex is welded.
    source : ScanSource
        What the report says about where the scan came from; ``source.unit`` names the unit.

    Returns
    -------
    Scan
        Vertices that coincide exactly are one; broken vertices, unused vertices, collapsed and
        repeated faces are gone; faces agree on which side is out. ``notes`` say what was mended.

    Raises
    ------
    ValueError
        Shapes or types are wrong, or faces point outside the vertices.
    InputError
        There are no faces, too many coordinates are not finite, or the size doesn't fit the unit.
    """
    as_positive(mm_per_unit, name="mm_per_unit")
    points = np.asarray(vertices)
    if points.dtype != np.float32:
        points = np.asarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3:
        raise ValueError(f"vertices must have shape (n, 3), got {points.shape}")
    triangles = as_faces(faces, len(points))
    return mended_scan(points, triangles, mm_per_unit=mm_per_unit, source=source, progress=progress)


def mended_scan(
    vertices: NDArray[np.floating],
    faces: NDArray[np.int32],
    *,
    mm_per_unit: float,
    source: ScanSource,
    progress: Progress = silent,
) -> Scan:
    """Do what :func:`scan_from_arrays` does, with arrays that are known to fit each other."""
    mesh = Mesh(vertices, faces, np.arange(len(vertices), dtype=np.int32))
    file = source.file
    chain: tuple[Callable[[Mesh], Mesh], ...] = (
        lambda mesh: steps.without_broken(mesh, file),
        steps.welded,
        steps.without_collapsed,
        steps.checked,
        steps.without_repeated,
        lambda mesh: steps.without_unused(mesh, file),
        lambda mesh: steps.in_millimetres(mesh, mm_per_unit, source),
        steps.agreeing,
    )
    for k, step in enumerate(chain):
        mesh = step(mesh)
        progress("read", 0.4 + 0.4 * (k + 1) / len(chain))
    return _facing_outwards(mesh, source)


def _facing_outwards(mesh: Mesh, source: ScanSource) -> Scan:
    """Give every vertex its normal, outwards."""
    vertices = mesh.vertices.astype(np.float64, copy=False)
    normals = vertex_normals(vertices, mesh.faces)
    inward = inward_faces(vertices, mesh.faces, normals)
    faces = mesh.faces
    if inward.any():
        # Whole pieces are turned over, so that all faces of a vertex are.
        of_turned = np.zeros(len(vertices), dtype=bool)
        of_turned[faces[inward]] = True
        np.negative(normals, out=normals, where=of_turned[:, None])
        faces = steps.turned(faces, inward)
        mesh = mesh.noted(
            "turned_inside_out", f"{int(inward.sum()):,} faces pointed inwards and were turned over"
        )
    return Scan(
        vertices_mm=vertices,
        faces=faces,
        normals=normals,
        vertex_of_source=mesh.vertex_of_source,
        source=source,
        notes=mesh.notes,
    )
