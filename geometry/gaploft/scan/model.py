"""The scan as the rest of the library sees it: arrays in millimetres and what was mended."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class ScanSource:
    """Where a scan came from, as the report states it.

    ``vertices`` and ``faces`` count what the file held, before anything was mended.
    """

    file: str
    sha256: str
    unit: str
    vertices: int
    faces: int


@dataclass(frozen=True)
class Note:
    """Something a person should know: a stable ``code`` and one sentence."""

    code: str
    text: str


@dataclass(frozen=True)
class Scan:
    """A mended triangle mesh in millimetres, in the frame of its file.

    Attributes
    ----------
    vertices_mm : (n, 3) float64
    faces : (m, 3) int32, anticlockwise seen from outside
    normals : (n, 3) float64, outward unit vertex normals (area weighted)
    vertex_of_source : (n_source,) int32, for each vertex of the file the vertex here, or -1
    notes : what was found wrong and mended in this copy
    """

    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int32]
    normals: NDArray[np.float64]
    vertex_of_source: NDArray[np.int32]
    source: ScanSource
    notes: tuple[Note, ...] = ()
