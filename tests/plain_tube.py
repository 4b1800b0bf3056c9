"""Small analytic tubes and an STL reader and writer made from the published layout alone."""

import struct
from pathlib import Path

import numpy as np

#: Binary STL: 80-byte header, little-endian uint32 count, then 50 bytes a facet: normal and three
#: corners as float32, two spare bytes. Source: the stereolithography interface text of 1989, in
#: reprints, and several public format pages that agree with it.
FACET = struct.Struct("<12fH")


def open_tube(radius=16.0, length=300.0, n_u=61, n_v=48, gap=None, taper=0.0):
    """Give (vertices, faces) of an open tube along z from 0, normals outward; ``gap`` is left out."""
    z = np.linspace(0.0, length, n_u)
    angle = np.arange(n_v) * (2.0 * np.pi / n_v)
    at_z = (radius + taper * z)[:, None]
    grid = np.stack(np.broadcast_arrays(at_z * np.cos(angle), at_z * np.sin(angle), z[:, None]), axis=-1)
    row = np.arange(n_u - 1)
    if gap is not None:
        row = row[(z[1:] <= gap[0]) | (z[:-1] >= gap[1])]
    i, j = np.meshgrid(row * n_v, np.arange(n_v), indexing="ij")
    k = (j + 1) % n_v
    a, b, c, d = (i + j).ravel(), (i + k).ravel(), (i + n_v + k).ravel(), (i + n_v + j).ravel()
    return grid.reshape(-1, 3), np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])


def write_stl(path: Path, vertices, faces, *, header=b"made for a test", n_announced=None):
    """Write a binary STL, facet by facet."""
    parts = [header.ljust(80, b"\0"), struct.pack("<I", len(faces) if n_announced is None else n_announced)]
    parts += [FACET.pack(0.0, 0.0, 0.0, *vertices[face].ravel(), 0) for face in faces]
    path.write_bytes(b"".join(parts))


def write_text_stl(path: Path, vertices, faces):
    """Write the text form of STL."""
    lines = ["solid tube"]
    for face in faces:
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += ["vertex {!r} {!r} {!r}".format(*corner) for corner in vertices[face].tolist()]
        lines += ["endloop", "endfacet"]
    path.write_text("\n".join([*lines, "endsolid tube", ""]))


def read_stl(path: Path):
    """Read a binary STL: header, (n, 3) normals, (n, 3, 3) corners; holds the size to the layout."""
    data = path.read_bytes()
    (n_facets,) = struct.unpack_from("<I", data, 80)
    assert len(data) == 84 + 50 * n_facets
    records = np.array([FACET.unpack_from(data, 84 + 50 * k) for k in range(n_facets)])
    assert (records[:, 12] == 0).all()
    return data[:80], records[:, :3], records[:, 3:12].reshape(-1, 3, 3)


def write_job(path: Path, scan: str, *, start=(0, 0, 110), end=(0, 0, 190), unit="mm", more=""):
    """Write a job file for a scan beside it."""
    path.write_text(
        f'[scan]\nfile = "{scan}"\nunit = "{unit}"\n'
        f"[damage]\nfrom = {list(map(float, start))}\nto = {list(map(float, end))}\n{more}",
        encoding="utf-8",
    )
    return path
