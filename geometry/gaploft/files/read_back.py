"""Read an exported target back from the disk and hold it against the mesh that was meant."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gaploft.errors import InputError
from gaploft.scan.parse import parse_mesh
from gaploft.target.model import Target


@dataclass(frozen=True)
class ReadBack:
    """What a file was found to hold: number of facets and overall size along x, y, z in mm."""

    facets: int
    size_mm: tuple[float, float, float]


def read_back(path: Path, target: Target) -> ReadBack:
    """Read the STL at ``path`` with the reader of scans, which knows nothing of how it was written.

    Raises
    ------
    InputError
        The file is gone or broken, holds another number of facets, or a corner lies further from where it
        should be than single precision explains.
    """
    wanted = target.vertices_mm[target.triangles]
    try:
        mesh = parse_mesh(path.read_bytes(), suffix=".stl", file=path.name)
    except (OSError, InputError):
        raise _unlike(path, "it can't be read") from None
    if len(mesh.faces) != len(wanted):
        raise _unlike(path, f"it holds {len(mesh.faces):,} facets instead of {len(wanted):,}")
    found = mesh.vertices[mesh.faces].astype(np.float64)
    off = np.abs(found - wanted)
    # Negated, so that a number that is none counts as off, too.
    if not (off <= np.spacing(np.abs(wanted).astype(np.float32))).all():
        raise _unlike(path, f"its corners are off by up to {np.nanmax(off):.3g} mm")
    corners = found.reshape(-1, 3)
    x, y, z = (corners.max(axis=0) - corners.min(axis=0)).tolist()
    return ReadBack(len(found), (x, y, z))


def _unlike(path: Path, fault: str) -> InputError:
    return InputError(
        f"{path.name} was read back from the disk and is not what was written, {fault}: "
        "check the disk and export again"
    )
