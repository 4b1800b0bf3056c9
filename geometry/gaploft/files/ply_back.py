"""Read back what :mod:`gaploft.files.ply_table` writes: points with named numbers, and triangles if any."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.files.ply_table import FACE

_KINDS = {"float": "<f4", "uchar": "u1"}
_HEAD_BYTES = 4096


@dataclass(frozen=True)
class PlyBack:
    """Numbers of each point by their names, (n,), and triangles (m, 3)."""

    points: dict[str, NDArray[np.generic]]
    triangles: NDArray[np.int32]

    def columns(self, *names: str) -> NDArray[np.float64]:
        """Some numbers side by side, (n, k) float64."""
        return np.column_stack([self.points[name] for name in names]).astype(np.float64)

    def column(self, name: str) -> NDArray[np.float64] | None:
        """One number of each point, or None where the file has none of that name."""
        values = self.points.get(name)
        return None if values is None else values.astype(np.float64)


def read_ply_back(path: Path) -> PlyBack:
    """Read one of our PLY files.

    Raises
    ------
    InputError
        It is missing, cut short, or not one of ours.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path} can't be read ({error.strerror or error}): check its name") from None
    head, end, _ = data[:_HEAD_BYTES].partition(b"end_header\n")
    lines = [line.split() for line in head.decode("ascii", errors="replace").splitlines()]
    if not end or lines[:1] != [["ply"]] or ["format", "binary_little_endian", "1.0"] not in lines:
        raise _foreign(path)
    counts = {words[1]: int(words[2]) for words in lines if words[:1] == ["element"]}
    scalars = [words[1:] for words in lines if words[:1] == ["property"] and words[1] != "list"]
    if "vertex" not in counts or any(kind not in _KINDS for kind, _ in scalars):
        raise _foreign(path)
    record = np.dtype([(name, _KINDS[kind]) for kind, name in scalars])
    start = len(head) + len(end)
    middle = start + counts["vertex"] * record.itemsize
    if len(data) != middle + counts.get("face", 0) * FACE.itemsize:
        raise InputError(f"{path} is cut short or was changed by another program: rebuild the target again")
    points = np.frombuffer(data, dtype=record, count=counts["vertex"], offset=start)
    faces = np.frombuffer(data, dtype=FACE, offset=middle)["corners"]
    return PlyBack({name: points[name] for name in record.names or ()}, faces.astype(np.int32))


def _foreign(path: Path) -> InputError:
    return InputError(f"{path} is not a PLY file of a rebuild: give the folder that a rebuild wrote")
