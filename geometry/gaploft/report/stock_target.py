"""Read the target of a stock check: a folder that a rebuild wrote, or a mesh alone."""

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from gaploft.errors import InputError
from gaploft.files.ply_back import read_ply_back
from gaploft.progress import Progress, silent
from gaploft.scan.model import Scan
from gaploft.scan.read import read_scan
from gaploft.stock.model import TargetSkin


@dataclass(frozen=True)
class KnownTarget:
    """A target and the files that it was read from; ``report`` is that of its rebuild, if there is one."""

    skin: TargetSkin
    file: str
    sha256: str
    inputs: tuple[Path, ...]
    report: dict[str, Any] | None = None

    @property
    def patch(self) -> bool:
        """Whether it is known to be a patch and no tube."""
        return ((self.report or {}).get("target") or {}).get("kind") == "patch"


def read_target(path: Path, *, progress: Progress = silent) -> KnownTarget:
    """Read a target from the folder of a rebuild, or from an STL, PLY or OBJ file in mm.

    Only a folder tells the band, and the intact surface that a part is lined up on.

    Raises
    ------
    InputError
        There is no target, or it can't be read.
    """
    if not path.is_dir():
        scan = read_scan(path, "mm", progress=progress)
        skin = TargetSkin(scan.vertices_mm, scan.faces, scan.normals)
        return KnownTarget(skin, path.name, scan.source.sha256, (path,))
    mesh = path / "target.ply"
    if not mesh.exists():
        raise InputError(
            f"{path} holds no target.ply, so it is not the folder of a rebuild that gave a target: rebuild "
            "first, or give a mesh file"
        )
    back, report = read_ply_back(mesh), _report(path / "report.json")
    flanks = path / "flanks.ply"
    intact = read_ply_back(flanks) if flanks.exists() else None
    zone = back.column("zone")
    rings = ((report or {}).get("target") or {}).get("rings")
    skin = TargetSkin(
        back.columns("x", "y", "z"),
        back.triangles,
        back.columns("nx", "ny", "nz"),
        back.column("band95"),
        None if zone is None else zone.astype(np.uint8),
        back.column("depth"),
        None if intact is None else intact.columns("x", "y", "z"),
        None if intact is None else intact.columns("nx", "ny", "nz"),
        None if rings is None else (int(rings[0]), int(rings[1])),
    )
    sha256 = hashlib.sha256(mesh.read_bytes()).hexdigest()
    inputs = tuple(p for p in (mesh, flanks, path / "report.json") if p.exists())
    return KnownTarget(skin, mesh.name, sha256, inputs, report)


def in_target_frame(measured: Scan, target: KnownTarget) -> Scan:
    """A part measured in the frame of the scan that was rebuilt, moved into the one its target is in.

    Raises
    ------
    InputError
        The target is not from the folder of a rebuild, which alone knows the way.
    """
    if target.report is None:
        raise InputError(
            "a mesh alone does not know how the scan lies to it: give the folder of a rebuild as the target, "
            "or bring the part into its frame and leave --scan-frame out"
        )
    fit = target.report.get("frame_fit")
    if fit is None:
        return measured
    matrix = np.array(fit["matrix"], dtype=np.float64)
    turn, shift = matrix[:3, :3], matrix[:3, 3]
    return replace(
        measured, vertices_mm=measured.vertices_mm @ turn.T + shift, normals=measured.normals @ turn.T
    )


def _report(path: Path) -> dict[str, Any] | None:
    try:
        report: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return report if isinstance(report, dict) else None
