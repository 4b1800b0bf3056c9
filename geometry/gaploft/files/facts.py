"""What a written mesh is, measured on the numbers that the file holds."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.scan.model import Note
from gaploft.scan.topology import count_edges
from gaploft.scan.weld import equal_points


@dataclass(frozen=True)
class WrittenMesh:
    """A mesh file as it lies on the disk.

    Attributes
    ----------
    file : name without folder
    facets : number of triangles
    area_mm2 : sum of their areas
    manifold : no edge in more than two facets, neighbours run opposite ways, no facet collapsed;
        the target is open, so edges in one facet only are its two ends, or the border of a patch
    rounding_mm : largest move of a coordinate by the single precision of the file
    sha256 : of the whole file
    """

    file: str
    facets: int
    area_mm2: float
    manifold: bool
    rounding_mm: float
    sha256: str


def corner_area(corners: NDArray[np.floating]) -> float:
    """Area of triangles given by their corners, (m, 3, 3)."""
    wide = corners.astype(np.float64, copy=False)
    crosses = np.cross(wide[:, 1] - wide[:, 0], wide[:, 2] - wide[:, 0])
    return 0.5 * float(np.sqrt(np.einsum("ij,ij->i", crosses, crosses)).sum())


def corners_manifold(corners: NDArray[np.floating]) -> bool:
    """Do triangles given by their corners, (m, 3, 3), form a surface, with or without a boundary?"""
    first, group = equal_points(corners.reshape(-1, 3).astype(np.float64))
    faces = group.reshape(-1, 3)
    a, b, c = faces.T
    collapsed = bool(((a == b) | (b == c) | (c == a)).any())
    return not collapsed and count_edges(faces, len(first)).manifold


def file_notes(written: WrittenMesh, *, chord_tolerance_mm: float) -> tuple[Note, ...]:
    """Say what only shows on the written file; any of it makes a verdict of "ready" into "check"."""
    notes = []
    if not written.manifold:
        notes.append(
            Note("target_not_manifold", "the target has edges where its facets don't fit each other")
        )
    if written.rounding_mm > chord_tolerance_mm:
        text = (
            f"single precision moves the target by up to {written.rounding_mm:.4f} mm this far "
            "from the origin: move the scan nearer to it"
        )
        notes.append(Note("far_from_origin", text))
    return tuple(notes)


def must_equal(found: NDArray[np.generic], wanted: NDArray[np.generic], path: Path) -> None:
    """Raise InputError unless a file holds the numbers that were meant."""
    # What is not a number, such as stock where nothing was measured, differs from itself but for its bytes.
    if not np.array_equal(found, wanted) and found.tobytes() != wanted.tobytes():
        raise InputError(
            f"{path} doesn't hold the mesh it should when read back: check the disk and write it again"
        )
