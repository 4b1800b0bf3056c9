"""Write the stock map: the target's mesh with what stands above it, as binary PLY."""

import hashlib
from pathlib import Path

import numpy as np

from gaploft.files.whole import write_whole
from gaploft.stock.model import LABELS, Stock, TargetSkin

_FLOATS = ("x", "y", "z", "nx", "ny", "nz", "stock")
_VERTEX = np.dtype([(name, "<f4") for name in _FLOATS] + [("seen", "u1"), ("label", "u1")])
_FACE = np.dtype([("count", "u1"), ("corners", "<i4", (3,))])


def write_stock_ply(path: Path, target: TargetSkin, stock: Stock) -> str:
    """Write vertices, normals and stock in mm and the triangles of a target; return the file's SHA-256.

    Raises
    ------
    InputError
        The file can't be written.
    """
    vertices = np.empty(len(target.vertices_mm), dtype=_VERTEX)
    columns = np.column_stack([target.vertices_mm, target.normals, stock.stock_mm])
    for name, column in zip(_FLOATS, columns.T, strict=True):
        vertices[name] = column
    vertices["seen"], vertices["label"] = stock.seen, stock.label
    faces = np.empty(len(target.faces), dtype=_FACE)
    faces["count"], faces["corners"] = 3, target.faces
    lines = [
        "ply",
        "format binary_little_endian 1.0",
        "comment gaploft stock map over a machining target, unit mm, frame of the target",
        "comment stock: distance of the part from the target, mm, positive above it, nan where unseen",
        "comment label: " + ", ".join(f"{number} {name}" for number, name in enumerate(LABELS)),
        f"element vertex {len(vertices)}",
        *(f"property float {name}" for name in _FLOATS),
        "property uchar seen",
        "property uchar label",
        f"element face {len(faces)}",
        "property list uchar int vertex_indices",
        "end_header",
    ]
    data = ("\n".join(lines) + "\n").encode("ascii") + vertices.tobytes() + faces.tobytes()
    write_whole(path, data)
    return hashlib.sha256(data).hexdigest()
