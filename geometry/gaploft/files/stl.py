"""Write meshes as binary STL: 80 bytes of header, a count, 50 bytes a facet, little-endian.

The layout is that of the stereolithography interface of 1989: normal, three corners
anticlockwise seen from outside, all single precision, and two spare bytes. It states no unit;
the header text does.
"""

import hashlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gaploft.files.facts import WrittenMesh, corner_area, corners_manifold, must_equal
from gaploft.files.whole import write_whole
from gaploft.target.model import Target

#: Must not begin with "solid", by which some programs know the text form.
_HEADER = "gaploft {holds}, unit mm, frame of the {frame}"
_FACET = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
_HEAD = 84


def write_stl(path: Path, target: Target, *, frame: str = "scan") -> WrittenMesh:
    """Write the triangles of ``target``, in mm; its header names the frame, "scan" or "machine".

    Raises
    ------
    InputError
        The file can't be written, or doesn't hold the mesh when read back.
    """
    return write_stl_mesh(path, target.vertices_mm, target.triangles, holds="machining target", frame=frame)


def write_stl_mesh(
    path: Path,
    vertices_mm: NDArray[np.float64],
    triangles: NDArray[np.int32],
    *,
    holds: str,
    frame: str = "scan",
) -> WrittenMesh:
    """Write any triangle mesh, vertices (n, 3) in mm and triangles (m, 3); ``holds`` says what it is.

    Raises
    ------
    InputError
        As :func:`write_stl`.
    """
    corners = vertices_mm.astype(np.float32)[triangles]
    data = _encode(corners, _HEADER.format(holds=holds, frame=frame))
    write_whole(path, data, check=lambda back: must_equal(_decode(back), corners, path))
    rounding = np.abs(vertices_mm.astype(np.float32) - vertices_mm)
    return WrittenMesh(
        file=path.name,
        facets=len(corners),
        area_mm2=corner_area(corners),
        manifold=corners_manifold(corners),
        rounding_mm=float(rounding.max(initial=0.0)),
        sha256=hashlib.sha256(data).hexdigest(),
    )


def _encode(corners: NDArray[np.float32], header: str) -> bytes:
    wide = corners.astype(np.float64)
    normals = np.cross(wide[:, 1] - wide[:, 0], wide[:, 2] - wide[:, 0])
    length = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    normals /= np.where(length > 0.0, length, 1.0)[:, None]
    facets = np.zeros(len(corners), dtype=_FACET)
    facets["normal"] = normals
    facets["corners"] = corners
    return (
        header.encode("ascii").ljust(80)[:80]
        + np.uint32(len(corners)).astype("<u4").tobytes()
        + facets.tobytes()
    )


def _decode(data: bytes) -> NDArray[np.float32]:
    corners: NDArray[np.float32] = np.frombuffer(data, dtype=_FACET, offset=_HEAD)["corners"]
    return corners
