"""All that is written beside target and report, each piece by itself, in the frame that was asked for."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.files.drawing import write_dxf, write_svg
from gaploft.files.facts import WrittenMesh
from gaploft.files.flanks import write_flanks
from gaploft.files.stl import write_stl_mesh
from gaploft.files.threemf import write_threemf
from gaploft.laminate.model import Bed, Wall
from gaploft.laminate.patch_model import PatchBed, PatchWall
from gaploft.laminate.plies import PlyBook
from gaploft.report.model import Rebuild, Shop
from gaploft.scan.frame import Frame, moved_normals, moved_points
from gaploft.target.model import Target

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Piece:
    """One more file.

    Attributes
    ----------
    ending : what its name has behind that of the target, such as ".3mf" or "_inner.stl"
    holds : what it is, for people
    write : writes it to a path and gives its SHA-256 as ``sha256``, with what else the report tells of the
        file; raises InputError
    """

    ending: str
    holds: str
    write: Callable[[Path], dict[str, Any]]

    @property
    def name(self) -> str:
        """Its name in a folder that holds one target only."""
        return f"target{self.ending}" if self.ending.startswith(".") else self.ending[1:]


#: Endings of all pieces that there can be.
ENDINGS = (
    ".3mf",
    ".step",
    "_flanks.ply",
    "_inner.stl",
    "_section.stl",
    "_bed.stl",
    "_plies.dxf",
    "_plies.svg",
)
#: Why there is no STEP of a patch.
NO_STEP = (
    "the target is a patch, a mesh of triangles without the smooth spline surface that STEP holds: leave "
    "STEP out, and take STL, PLY or 3MF"
)
PIECE_NAMES = tuple(Piece(ending, "", lambda path: {}).name for ending in ENDINGS)


def told(file: str, holds: str, sha256: str, **more: Any) -> dict[str, Any]:
    """What the report tells of one file."""
    return {"file": file, "holds": holds, "sha256": sha256, **more}


def target_files(stl: WrittenMesh, ply: WrittenMesh) -> list[dict[str, Any]]:
    """What the report tells of the two files that every target has."""
    return [
        told(stl.file, "the target", stl.sha256),
        told(ply.file, "the target with band, depth and zone", ply.sha256),
    ]


def write_pieces(folder: Path, pieces: Mapping[str, Piece]) -> list[dict[str, Any]]:
    """Write pieces under the names they are given; return what the report tells of each."""
    return [told(name, piece.holds, **piece.write(folder / name)) for name, piece in pieces.items()]


def in_frame(target: Target, frame: Frame | None) -> Target:
    """A target moved from the scan's frame into another; the same where there is none."""
    if frame is None:
        return target
    return replace(
        target,
        vertices_mm=moved_points(frame, target.vertices_mm),
        normals=moved_normals(frame, target.normals),
    )


def pieces_of(rebuild: Rebuild) -> tuple[Piece, ...]:
    """Every piece that a rebuild gives beside target and report.

    Raises
    ------
    InputError
        STEP is asked for, and the target is a patch.
    """
    shop, target, frame = rebuild.shop, rebuild.target, rebuild.frame
    if target is None or (shop is None and target.ringed):
        return ()
    pieces = _targets(rebuild, target)
    if shop is None:
        return tuple(pieces)
    if target.ringed or len(shop.flanks[0]):
        pieces.append(_flanks(shop.flanks, frame, "intact tube" if target.ringed else "intact surface"))
    if shop.wall is not None:
        pieces += _walls(shop.wall, frame)
    if shop.bed is not None:
        pieces.append(_bed(shop.bed, frame))
    if shop.plies is not None:
        pieces += _drawings(shop.plies)
    return tuple(pieces)


class _Written(Protocol):
    @property
    def sha256(self) -> str: ...


def _sum(written: _Written) -> dict[str, Any]:
    return {"sha256": written.sha256}


def owner_of(frame: Frame | None) -> str:
    """Whose frame files are in, "scan" or "machine"."""
    return "scan" if frame is None else frame.owner


def _targets(rebuild: Rebuild, target: Target) -> list[Piece]:
    """The target in other formats."""
    frame, made = rebuild.frame, []
    moved = in_frame(target, frame)

    def as_threemf(path: Path) -> dict[str, Any]:
        return _sum(
            write_threemf(
                path, moved.vertices_mm, moved.triangles, holds="machining target", frame=owner_of(frame)
            )
        )

    def as_step(path: Path) -> dict[str, Any]:
        from gaploft.files.step import write_step

        assert rebuild.stages is not None
        assert rebuild.stages.fitted is not None
        assert isinstance(rebuild.shop, Shop)
        assert target.uv is not None
        fit, layers = rebuild.stages.fitted.fit, rebuild.shop.layers
        first, last = float(target.uv[:, 0].min()), float(target.uv[:, 0].max())
        stepped = layers.outside == "step" and layers.all_round
        written = write_step(
            path,
            fit.surface,
            (first, last),
            depth_mm=layers.depth,
            breaks_mm=[rim for rim in fit.rebuilt_mm if first < rim < last] if stepped else (),
            vertices_mm=moved.vertices_mm,
            matrix=None if frame is None else frame.matrix,
            frame=owner_of(frame),
        )
        return {"sha256": written.sha256, "off_mesh_mm": written.largest_mm}

    if "3mf" in rebuild.job.formats:
        made.append(Piece(".3mf", "the target as 3MF, its unit inside", as_threemf))
    if "step" in rebuild.job.formats:
        if not target.ringed:
            raise InputError(NO_STEP)
        made.append(Piece(".step", "the smooth surface of the target as STEP", as_step))
    return made


def _flanks(flanks: tuple[Floats, Floats], frame: Frame | None, what: str) -> Piece:
    points, normals = flanks

    def write(path: Path) -> dict[str, Any]:
        if frame is None:
            return _sum(write_flanks(path, points, normals))
        moved = moved_points(frame, points), moved_normals(frame, normals)
        return _sum(write_flanks(path, *moved, frame=frame.owner))

    return Piece("_flanks.ply", f"{what} beyond the target, to line a later scan up on", write)


def _walls(wall: Wall | PatchWall, frame: Frame | None) -> list[Piece]:
    inner, section = wall.inner, wall.section
    return [
        _mesh("_inner.stl", "inner surface", inner.vertices_mm, inner.triangles, frame),
        _mesh("_section.stl", "missing section", section.vertices_mm, section.triangles, frame),
    ]


def _bed(bed: Bed | PatchBed, frame: Frame | None) -> Piece:
    return _mesh("_bed.stl", "bed for the lay-up", bed.vertices_mm, bed.triangles, frame)


def _drawings(plies: PlyBook) -> list[Piece]:
    """Patterns of the plies, which lie in no frame but their own."""
    return [
        Piece("_plies.dxf", "patterns of the plies, true size", lambda path: _sum(write_dxf(path, plies))),
        Piece("_plies.svg", "the same, to print at 100 %", lambda path: _sum(write_svg(path, plies))),
    ]


def _mesh(
    ending: str, holds: str, vertices_mm: Floats, triangles: NDArray[np.int32], frame: Frame | None
) -> Piece:
    def write(path: Path) -> dict[str, Any]:
        moved = vertices_mm if frame is None else moved_points(frame, vertices_mm)
        return _sum(write_stl_mesh(path, moved, triangles, holds=holds, frame=owner_of(frame)))

    return Piece(ending, holds, write)
