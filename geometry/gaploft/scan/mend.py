"""Make a sound scan in millimetres out of whatever arrays a file or another program holds."""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

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
    points = np.asarray(vertices, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3:
        raise ValueError(f"vertices must have shape (n, 3), got {points.shape}")
    triangles = as_faces(faces, len(points))
    mesh = Mesh(points, triangles, np.arange(len(points), dtype=np.int32))
    file = source.file
    chain: tuple[Callable[[Mesh], Mesh], ...] = (
        lambda mesh: steps.without_broken(mesh, file),
        steps.welded,
        steps.without_collapsed,
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
    normals = vertex_normals(mesh.vertices, mesh.faces)
    inward = inward_faces(mesh.vertices, mesh.faces, normals)
    faces = mesh.faces
    if inward.any():
        faces = steps.turned(faces, inward)
        normals = vertex_normals(mesh.vertices, faces)
        mesh = mesh.noted(
            "turned_inside_out", f"{int(inward.sum()):,} faces pointed inwards and were turned over"
        )
    return Scan(
        vertices_mm=mesh.vertices,
        faces=faces.astype(np.int32),
        normals=normals,
        vertex_of_source=mesh.vertex_of_source,
        source=source,
        notes=mesh.notes,
    )
