"""One export between Blender and the library: what goes out, under which names, and what is kept of it."""

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import bpy

from gaploft.errors import InputError
from gaploft.report import numbers
from gaploft.report.arrays import shop_arrays
from gaploft.report.export import Export, write_exports
from gaploft.report.pieces import NO_STEP, Piece, in_frame, owner_of, pieces_of
from gaploft.target.model import Target

from . import frame_job, ops_recheck, settings, task
from .surface_io import SurfaceArrays
from .target_io import target_of
from .words import told


@dataclass(frozen=True)
class Part:
    """One target to be written, and the rebuild that it and what lies beside it came from."""

    uid: int
    file: str
    target: Target
    report: dict[str, Any]
    surface: SurfaceArrays
    hand: str
    finished: task.Finished


@dataclass(frozen=True)
class Task:
    """All that one export needs, taken out of Blender before the work begins."""

    directory: Path
    parts: tuple[Part, ...]
    formats: tuple[str, ...]
    frame: frame_job.FrameTask | None

    @property
    def uids(self):
        """Numbers of the damages whose targets are written."""
        return tuple(part.uid for part in self.parts)

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread."""
        frame = None if self.frame is None else self.frame.run()
        numbers_of_frame = None if self.frame is None else frame_job.numbers_of(frame, self.frame.settings)
        exports = [export_of(part, self.formats, (frame, numbers_of_frame), progress) for part in self.parts]
        return write_exports(self.directory, exports, progress=progress)


def export_of(part, formats, framed, progress):
    """One target as the library writes it, with all that is written beside it. Raises InputError.

    ``framed`` is the machine's frame and what the report tells of it, None each for that of the scan.
    """
    frame, numbers_of_frame = framed
    rebuilt = part.finished.rebuilt(progress)
    report = dict(part.report)
    report["frame"] = numbers.FRAME[owner_of(frame)]
    report["frame_fit"] = numbers_of_frame
    pieces: tuple[Piece, ...] = ()
    shop = None
    if rebuilt is not None:
        target = replace(part.target, uv=rebuilt.target.uv, trimmed=rebuilt.target.trimmed)
        job = replace(rebuilt.job, formats=formats)
        rebuilt = replace(rebuilt, job=job, target=target, frame=frame)
        pieces, shop = pieces_of(rebuilt), shop_arrays(rebuilt)
    elif formats or any(report.get(name) for name in ("wall", "bed")):
        text = told("'{file}' is of a rebuild that can't be had again as it was: rebuild the surface first")
        raise InputError(text.format(file=part.file))
    return Export(
        part.file,
        in_frame(part.target, frame),
        report,
        part.surface.rounding_mm,
        pieces=pieces,
        frame=owner_of(frame),
        drawn=part.target,
        shop=shop,
    )


def exportable(state):
    """The damages that have a surface."""
    return [damage for damage in state.damages if damage.surface is not None]


def file_names(state):
    """A name for the STL of each damage by its number, from the names of scan and damage."""
    scan = state.scan.name if state.scan else told("tube")
    names: dict[int, str] = {}
    for damage in state.damages:
        name = bpy.path.clean_name(f"{scan}_{damage.name}")
        if f"{name}_target_mm.stl" in names.values():
            name = f"{name}_{damage.uid}"
        names[damage.uid] = f"{name}_target_mm.stl"
    return names


def first_folder():
    """Where a file dialog begins: beside the .blend, or at home."""
    return Path(bpy.data.filepath).parent if bpy.data.filepath else Path.home()


def refuse_unfit(scene, damage):
    """Raise InputError unless the surface of a damage is that of its marks and settings, and not refused."""
    if json.loads(damage.report)["verdict"] == "refused":
        raise InputError(
            "the last rebuild was refused, so there is no target to write: see why in its report"
        )
    if settings.is_stale(scene, damage):
        raise InputError("damage or settings were changed since the surface was rebuilt: rebuild it first")


def checked_stl(filepath):
    """The STL's path. Raises InputError."""
    if not filepath:
        raise InputError("no file was named for the target: give a path that ends in .stl")
    path = Path(bpy.path.abspath(filepath))
    if path.suffix.lower() != ".stl":
        raise InputError(
            f"the target is written as STL, but the file is called {path.name}: end its name in .stl"
        )
    checked_folder(path.parent)
    return path


def checked_folder(folder):
    """Raise InputError unless a folder is there."""
    if not folder.is_dir():
        raise InputError(f"the folder {folder} does not exist: make it, or choose another one")


def task_of(scene, directory, files, formats=()):
    """Copy the surfaces of damages, given by (damage, name of the STL), out of Blender. Raises InputError."""
    parts = []
    for damage, file in files:
        try:
            refuse_unfit(scene, damage)
            parts.append(_part(scene, damage, file, formats))
        except InputError as error:
            raise InputError(str(error) if len(files) == 1 else f"'{damage.name}': {error}") from None
    return Task(directory, tuple(parts), formats, frame_job.task_of(scene))


def _part(scene, damage, file, formats):
    surface, changes, report, target = target_of(damage)
    if "step" in formats and not target.ringed:
        raise InputError(told(NO_STEP))
    if "step" in formats and changes.changed:
        raise InputError(
            told(
                "the surface was changed by hand, which a smooth STEP surface can't carry: export without "
                "STEP, or give the changes back first"
            )
        )
    finished = task.finished(scene, damage, surface)
    return Part(damage.uid, file, target, report, surface, ops_recheck.sentence(changes), finished)


def keep(scene, work, done):
    """Note in the scene what was written, for the panel."""
    for uid, exported in zip(work.uids, done, strict=True):
        damage = scene and scene.gaploft.damage_of(uid)
        if damage is not None:
            damage.exported = json.dumps(
                {
                    "folder": str(work.directory),
                    "files": exported.names,
                    "facets": exported.read_back.facets,
                    "size_mm": exported.read_back.size_mm,
                    "sha256": exported.sha256,
                    "verdict": exported.verdict,
                    "built_with": damage.built_with,
                }
            )


def message(work, done):
    """One line about what was written, read back and changed by hand."""
    if len(done) > 1:
        text = told("Written in mm: {n} targets with PLY and reports; read back: {facets} facets in all")
        return text.format(n=len(done), facets=sum(exported.read_back.facets for exported in done))
    text = told("Written in mm: {file}, PLY and reports; read back: {facets} facets, {size} mm. {hand}")
    found = done[0].read_back
    return text.format(
        file=done[0].names[0], facets=found.facets, size=size_text(found.size_mm), hand=work.parts[0].hand
    )


def size_text(size_mm):
    """Overall size along x, y, z."""
    return " × ".join(f"{edge:.1f}" for edge in size_mm)
