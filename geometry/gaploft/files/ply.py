"""Write a target as binary PLY, with normal, band, depth and zone at every vertex, and a patch's origin."""

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.files.facts import WrittenMesh, corner_area, corners_manifold
from gaploft.files.ply_table import coordinates, write_table
from gaploft.target.model import ORIGINS, Target

_ORIGIN = f"origin: what the surface stands on, {', '.join(f'{k} {name}' for k, name in enumerate(ORIGINS))}"


def write_ply(path: Path, target: Target, *, frame: str = "scan") -> WrittenMesh:
    """Write vertices, normals, band, depth and zone of ``target`` and its triangles, in mm.

    The header names the frame, "scan" or "machine". A patch that knows what it stands on tells that, too.

    Raises
    ------
    InputError
        The file can't be written, or doesn't hold the mesh when read back.
    """
    comments = (
        f"gaploft machining target, unit mm, frame of the {frame}",
        "band95: half width of the 95 % band for the normal distance to the original surface, mm",
        "depth: how far below the rebuilt outer surface, along its outward normal, mm",
        "zone: 0 intact overlap, 1 rebuilt",
        *(() if target.origin is None else (_ORIGIN,)),
    )
    numbers: dict[str, NDArray[Any]] = {
        **coordinates(target.vertices_mm, target.normals),
        "band95": target.band95_mm,
        "depth": target.depth_mm,
        "zone": target.zone.astype(np.uint8),
        **({} if target.origin is None else {"origin": target.origin.astype(np.uint8)}),
    }
    data = write_table(path, comments, numbers, target.triangles)
    single = target.vertices_mm.astype(np.float32)
    return WrittenMesh(
        file=path.name,
        facets=len(target.triangles),
        area_mm2=corner_area(single[target.triangles]),
        manifold=corners_manifold(single[target.triangles]),
        rounding_mm=float(np.abs(single - target.vertices_mm).max(initial=0.0)),
        sha256=hashlib.sha256(data).hexdigest(),
    )
