"""What all our PLY files share: points with named numbers, triangles where there are any, as bytes.

Layout: G. Turk, "The PLY polygon file format", 1994: a text header that names every property, then the
records, here binary and little-endian.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.files.facts import must_equal
from gaploft.files.whole import write_whole

#: Numbers of a point are single precision, or small whole ones.
_KINDS = {np.dtype("<f4"): "float", np.dtype("u1"): "uchar"}
#: How a triangle is kept.
FACE = np.dtype([("count", "u1"), ("corners", "<i4", (3,))])


def write_table(
    path: Path,
    comments: Sequence[str],
    numbers: Mapping[str, NDArray[Any]],
    triangles: NDArray[np.int32] | None = None,
) -> bytes:
    """Write points and triangles, hold the file against them when it is read back, and return its bytes.

    Parameters
    ----------
    path : where the file is to be
    comments : lines of the header that say what the file is
    numbers : (n,) each, by their names in the file; whole ones as uint8, all others become single precision
    triangles : (m, 3), or None for points alone

    Raises
    ------
    InputError
        The file can't be written, or doesn't hold the numbers when read back.
    """
    kinds = {name: "u1" if values.dtype == np.uint8 else "<f4" for name, values in numbers.items()}
    record = np.dtype(list(kinds.items()))
    points = np.empty(len(next(iter(numbers.values()))), dtype=record)
    for name, values in numbers.items():
        points[name] = values
    faces = np.empty(0 if triangles is None else len(triangles), dtype=FACE)
    if triangles is not None:
        faces["count"], faces["corners"] = 3, triangles
    lines = [
        "ply",
        "format binary_little_endian 1.0",
        *(f"comment {comment}" for comment in comments),
        f"element vertex {len(points)}",
        *(f"property {_KINDS[np.dtype(kind)]} {name}" for name, kind in kinds.items()),
    ]
    if triangles is not None:
        lines += [f"element face {len(faces)}", "property list uchar int vertex_indices"]
    header = ("\n".join([*lines, "end_header"]) + "\n").encode("ascii")
    data = header + points.tobytes() + faces.tobytes()

    def check(back: bytes) -> None:
        found = np.frombuffer(back, dtype=record, count=len(points), offset=len(header))
        must_equal(found, points, path)
        must_equal(np.frombuffer(back, dtype=FACE, offset=len(header) + points.nbytes), faces, path)

    write_whole(path, data, check=check)
    return data


def coordinates(points: NDArray[np.float64], normals: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Points and normals, (n, 3) each, as numbers by name."""
    return dict(zip(("x", "y", "z", "nx", "ny", "nz"), (*points.T, *normals.T), strict=True))
