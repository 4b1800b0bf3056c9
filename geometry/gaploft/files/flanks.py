"""Write the intact flanks as points, for a later scan of the part to be lined up on."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gaploft.files.ply_table import coordinates, write_table


@dataclass(frozen=True)
class WrittenPoints:
    """A file of points as it lies on the disk: name without folder, how many, sha256 of the whole file."""

    file: str
    points: int
    sha256: str


def write_flanks(
    path: Path, points_mm: NDArray[np.float64], normals: NDArray[np.float64], *, frame: str = "scan"
) -> WrittenPoints:
    """Write points of the intact outer surface beyond the target, with outward normals, as binary PLY.

    Parameters
    ----------
    path : where the file is to be
    points_mm, normals : (n, 3) each
    frame : "scan" or "machine", for the header

    Raises
    ------
    ValueError
        Not one normal for each point.
    InputError
        The file can't be written, or doesn't hold the points when read back.
    """
    if points_mm.shape != normals.shape or points_mm.ndim != 2 or points_mm.shape[1] != 3:
        raise ValueError(f"points and normals must be (n, 3) alike, got {points_mm.shape}, {normals.shape}")
    comments = (
        f"gaploft intact flanks, unit mm, frame of the {frame}",
        "points of the outer surface where the scan is trusted beyond the target, outward normals",
    )
    data = write_table(path, comments, coordinates(points_mm, normals))
    return WrittenPoints(path.name, len(points_mm), hashlib.sha256(data).hexdigest())
