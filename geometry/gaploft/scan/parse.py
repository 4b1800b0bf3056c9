"""Bytes of a mesh file to raw arrays, in the numbering of the file.

trimesh does the reading, except of binary STL: that is one kind of record over and over, which NumPy takes
as it is, several times faster and without the memory that trimesh wants for it.
"""

import io
import re
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError

#: Binary STL: an 80-byte header, a little-endian count and 50 bytes a facet.
_STL_HEAD = 84
_STL_FACET = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("spare", "<u2")])


@dataclass(frozen=True)
class RawMesh:
    """What the file held: (n, 3) vertices in its own unit and (m, 3) faces cut into triangles.

    Vertices are in single precision where the file holds no more.
    """

    vertices: NDArray[np.floating]
    faces: NDArray[np.int32]


def parse_mesh(data: bytes, *, suffix: str, file: str) -> RawMesh:
    """Read STL, PLY or OBJ ``data``.

    For STL the vertices are the corners of the facets, ``3 * facet + corner``.

    Raises
    ------
    InputError
        ``suffix`` is none of ``.stl .ply .obj``, or ``data`` is empty, cut short or broken.
    """
    parsers = {".stl": _parse_stl, ".ply": _parse_ply, ".obj": _parse_obj}
    parser = parsers.get(suffix.lower())
    if parser is None:
        raise InputError(f"{file} is not a kind of mesh file that can be read: give an STL, PLY or OBJ file")
    if re.search(rb"[^\0\t\n\r ]", data) is None:
        raise InputError(f"{file} is empty: export the scan again")
    # A reader that only warns of text it can't make sense of would return half a mesh.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            loaded = parser(data, file)
            return _as_raw(loaded, file)
        except (InputError, MemoryError):
            raise
        except Exception as error:  # a broken file trips the reader anywhere
            raise InputError(
                f"{file} can't be read as {suffix[1:].upper()}, it seems to be cut short or broken: "
                "export the scan again"
            ) from error


def _parse_stl(data: bytes, file: str) -> dict[str, Any]:
    """Tell binary from text by size, since binary headers may begin with the word of the text form."""
    if _looks_like_text(data):
        from trimesh.exchange import stl

        if b"endsolid" not in data[-4096:].lower():
            raise InputError(f"{file} is cut short, its last line is missing: export or copy the scan again")
        return stl.load_stl_ascii(io.BytesIO(data))
    n_bytes = len(data)
    if n_bytes < _STL_HEAD:
        raise InputError(
            f"{file} is cut short, it has {n_bytes} bytes and an STL file has 84 or more: copy it again"
        )
    n_facets = int.from_bytes(data[80:84], "little")
    n_needed = _STL_HEAD + _STL_FACET.itemsize * n_facets
    if n_bytes < n_needed:
        raise InputError(
            f"{file} is cut short, it announces {n_facets:,} facets ({n_needed:,} bytes) "
            f"but has {n_bytes:,} bytes: export or copy the scan again"
        )
    # Some programs append bytes of their own, which are left alone.
    facets = np.frombuffer(data, dtype=_STL_FACET, count=n_facets, offset=_STL_HEAD)
    corners = np.ascontiguousarray(facets["corners"], dtype=np.float32).reshape(-1, 3)
    return {"vertices": corners, "faces": np.arange(3 * n_facets, dtype=np.int32).reshape(-1, 3)}


def _looks_like_text(data: bytes) -> bool:
    """True for text STL: its first word is right, it is text, and the size is not that of a binary file."""
    if len(data) >= _STL_HEAD:
        n_facets = int.from_bytes(data[80:84], "little")
        if len(data) == _STL_HEAD + _STL_FACET.itemsize * n_facets:
            return False
    return data.lstrip()[:5].lower() == b"solid" and b"\0" not in data[:1024]


def _parse_ply(data: bytes, file: str) -> dict[str, Any]:
    from trimesh.exchange import ply

    head, _, body = data.partition(b"end_header")
    if re.search(rb"^format\s+ascii", head, flags=re.MULTILINE):
        # The reader doesn't miss records that a text file lacks at its end.
        counts = re.findall(rb"^element\s+\w+\s+(\d+)", head, flags=re.MULTILINE)
        n_announced = sum(int(count) for count in counts)
        n_found = sum(1 for line in body.split(b"\n") if line.strip())
        if n_found < n_announced:
            raise InputError(
                f"{file} is cut short, it announces {n_announced:,} vertices and faces "
                f"but holds {n_found:,}: export or copy the scan again"
            )
    return ply.load_ply(io.BytesIO(data), fix_texture=False, skip_materials=True)


def _parse_obj(data: bytes, file: str) -> dict[str, Any]:
    """Read corners and faces only: texture and normal indices would make the reader split vertices."""
    from trimesh.exchange import obj

    text = data.decode("utf-8", errors="replace").replace("\\\r\n", " ").replace("\\\n", " ")
    lines = re.findall(r"^[ \t]*([vf][ \t][^\r\n#]*)", text, flags=re.MULTILINE)
    plain = "\n".join(re.sub(r"/\S*", "", line) if line[0] == "f" else line for line in lines)
    loaded = obj.load_obj(io.BytesIO(plain.encode()), skip_materials=True, maintain_order=True)
    return dict(loaded)


def _as_raw(loaded: dict[str, Any], file: str) -> RawMesh:
    """Take vertices and faces out of what a reader returned; several parts become one mesh."""
    parts = list(loaded["geometry"].values()) if "geometry" in loaded else [loaded]
    parts = [part for part in parts if part.get("faces") is not None and len(part["faces"])]
    if not parts:
        raise InputError(
            f"{file} holds no faces; a scan must be a triangle mesh: "
            "mesh the points in the scanning program first"
        )
    if len(parts) == 1:
        vertices, faces = np.asarray(parts[0]["vertices"]), np.asarray(parts[0]["faces"])
    else:
        starts = np.cumsum([0] + [len(part["vertices"]) for part in parts[:-1]])
        vertices = np.concatenate([np.asarray(part["vertices"]) for part in parts])
        faces = np.concatenate(
            [np.asarray(part["faces"]) + start for part, start in zip(parts, starts, strict=True)]
        )
    if faces.min() < 0 or faces.max() >= len(vertices):
        raise InputError(f"{file} has faces that point at vertices it doesn't hold: export the scan again")
    return RawMesh(_floating(vertices[:, :3]), faces.astype(np.int32, copy=False))


def _floating(vertices: NDArray[Any]) -> NDArray[np.floating]:
    """Coordinates as they are in single precision, else in double."""
    result: NDArray[np.floating] = vertices
    if vertices.dtype != np.float32:
        result = vertices.astype(np.float64, copy=False)
    return result
