"""Write the target's smooth surface as STEP, through a CAD kernel that has to be installed for it."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gaploft.checks import as_points
from gaploft.errors import InputError
from gaploft.files.step_back import distances, read_surfaces
from gaploft.files.step_kernel import kernel_surface, silent, step_bytes
from gaploft.files.step_net import Depth, depth_net
from gaploft.files.whole import write_whole
from gaploft.surface.model import TubeSurface

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class WrittenStep:
    """A STEP file as it lies on the disk.

    Attributes
    ----------
    file : name without folder
    sha256 : of the whole file
    largest_mm : largest distance of the mesh's vertices from the surface that was read back
    faces, poles : how many, and how many points their splines have together
    """

    file: str
    sha256: str
    largest_mm: float
    faces: int
    poles: int


def write_step(
    path: Path,
    surface: TubeSurface,
    stations: tuple[float, float],
    *,
    vertices_mm: Floats,
    depth_mm: Depth = 0.0,
    breaks_mm: Sequence[float] = (),
    matrix: Floats | None = None,
    frame: str = "scan",
    tolerance_mm: float = 0.001,
) -> WrittenStep:
    """Write the smooth surface under a mesh as B-spline faces, ISO 10303-214, in millimetres.

    Parameters
    ----------
    path : where the file is to be
    surface : rebuilt outer surface
    stations : where the target begins and ends, mm along the tube
    vertices_mm : (n, 3) vertices of the target's mesh, as they are written to the other files; the surface is
        held against them when it is read back
    depth_mm : how far below the outer surface, or a function of (u, v) that gives it
    breaks_mm : stations in between at which the depth jumps; each stretch becomes a face of its own
    matrix : (4, 4), from the surface's frame to that of the file
    frame : "scan" or "machine", for the header
    tolerance_mm : how far the written surface may be off the mesh's vertices

    Raises
    ------
    ValueError
        Stations that the surface does not reach, or vertices that are no points.
    InputError
        There is no CAD kernel, the file can't be written, the layers end too abruptly, or the mesh does not
        lie on the surface, as after changes by hand.
    """
    bounds = [stations[0], *breaks_mm, stations[1]]
    first, last = surface.range_u
    if not (first <= bounds[0] and bounds[-1] <= last and (np.diff(bounds) > 0.0).all()):
        raise ValueError(f"stations {bounds} do not rise within those of the surface, {first} to {last}")
    vertices = as_points(vertices_mm, name="vertices_mm")
    _need_kernel()
    # Half is for the layers, the rest for numbers printed and read.
    nets = [depth_net(surface, ends, depth_mm, 0.5 * tolerance_mm) for ends in pairwise(bounds)]
    with silent():
        data = step_bytes([kernel_surface(net, surface.outward, matrix) for net in nets], frame)
    found = []

    def check(back: bytes) -> None:
        with silent():
            away = [distances(one, vertices) for one in read_surfaces(back, path, len(nets))]
        found.append(float(np.min(away, axis=0).max(initial=0.0)))
        if not found[0] <= tolerance_mm:
            raise InputError(
                f"the mesh lies up to {found[0]:.4f} mm off the smooth surface that {path.name} would hold, "
                f"at most {tolerance_mm:g} mm is allowed: STEP can't hold changes by hand, leave it out"
            )

    write_whole(path, data, check=check)
    poles = sum(net.poles_mm.size // 3 for net in nets)
    return WrittenStep(path.name, hashlib.sha256(data).hexdigest(), found[0], len(nets), poles)


def _need_kernel() -> None:
    try:
        import OCP.STEPControl  # noqa: F401
    except ImportError:
        raise InputError(
            "STEP needs a CAD kernel that is not installed here: pip install gaploft[step], or leave STEP out"
        ) from None
