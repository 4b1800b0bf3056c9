"""Write a target as binary PLY, with normal, band, depth and zone at every vertex.

Layout: G. Turk, "The PLY polygon file format", 1994: a text header that names every property,
then the records.
"""

import hashlib
from pathlib import Path

import numpy as np

from gaploft.files.facts import WrittenMesh, corner_area, corners_manifold, must_equal
from gaploft.files.whole import write_whole
from gaploft.target.model import Target

_FLOATS = ("x", "y", "z", "nx", "ny", "nz", "band95", "depth")
_VERTEX = np.dtype([(name, "<f4") for name in _FLOATS] + [("zone", "u1")])
_FACE = np.dtype([("count", "u1"), ("corners", "<i4", (3,))])


def write_ply(path: Path, target: Target, *, frame: str = "scan") -> WrittenMesh:
    """Write vertices, normals, band, depth and zone of ``target`` and its triangles, in mm.

    The header names the frame, "scan" or "machine".

    Raises
    ------
    InputError
        The file can't be written, or doesn't hold the mesh when read back.
    """
    vertices = np.empty(len(target.vertices_mm), dtype=_VERTEX)
    columns = np.column_stack([target.vertices_mm, target.normals, target.band95_mm, target.depth_mm])
    for name, column in zip(_FLOATS, columns.T, strict=True):
        vertices[name] = column
    vertices["zone"] = target.zone
    faces = np.empty(len(target.triangles), dtype=_FACE)
    faces["count"] = 3
    faces["corners"] = target.triangles
    header = _header(len(vertices), len(faces), frame)

    def check(back: bytes) -> None:
        found = np.frombuffer(back, dtype=_VERTEX, count=len(vertices), offset=len(header))
        must_equal(found, vertices, path)
        must_equal(np.frombuffer(back, dtype=_FACE, offset=len(header) + vertices.nbytes), faces, path)

    data = header + vertices.tobytes() + faces.tobytes()
    write_whole(path, data, check=check)
    single = target.vertices_mm.astype(np.float32)
    return WrittenMesh(
        file=path.name,
        facets=len(faces),
        area_mm2=corner_area(single[target.triangles]),
        manifold=corners_manifold(single[target.triangles]),
        rounding_mm=float(np.abs(single - target.vertices_mm).max(initial=0.0)),
        sha256=hashlib.sha256(data).hexdigest(),
    )


def _header(n_vertices: int, n_faces: int, frame: str) -> bytes:
    lines = [
        "ply",
        "format binary_little_endian 1.0",
        f"comment gaploft machining target, unit mm, frame of the {frame}",
        "comment band95: half width of the 95 % band for the normal distance to the original surface, mm",
        "comment depth: how far below the rebuilt outer surface, along its outward normal, mm",
        "comment zone: 0 intact overlap, 1 rebuilt",
        f"element vertex {n_vertices}",
        *(f"property float {name}" for name in _FLOATS),
        "property uchar zone",
        f"element face {n_faces}",
        "property list uchar int vertex_indices",
        "end_header",
    ]
    return ("\n".join(lines) + "\n").encode("ascii")
