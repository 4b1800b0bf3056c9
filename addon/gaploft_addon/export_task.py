"""One export between Blender and the library: what goes out, under which names, and what is kept of it."""

import json
from dataclasses import dataclass
from pathlib import Path

import bpy
import numpy as np

from gaploft.errors import InputError
from gaploft.report.export import Export, write_exports
from gaploft.target.model import Target
from gaploft.target.moved import moved_target

from . import ops_recheck, settings
from .words import told


@dataclass(frozen=True)
class Task:
    """All that one export needs, taken out of Blender before the work begins."""

    directory: Path
    exports: tuple[Export, ...]
    uids: tuple[int, ...]
    hands: tuple[str, ...]

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread."""
        return write_exports(self.directory, self.exports, progress=progress)


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


def task_of(scene, directory, files):
    """Copy the surfaces of damages, given by (damage, name of the STL), out of Blender. Raises InputError."""
    exports, hands = [], []
    for damage, file in files:
        try:
            refuse_unfit(scene, damage)
        except InputError as error:
            raise InputError(str(error) if len(files) == 1 else f"'{damage.name}': {error}") from None
        surface, changes = ops_recheck.measure(damage)
        report = ops_recheck.with_hand(json.loads(damage.report), changes)
        target = _target(surface, changes, report)
        exports.append(Export(file, target, report, surface.rounding_mm))
        hands.append(ops_recheck.sentence(changes))
    return Task(directory, tuple(exports), tuple(damage.uid for damage, _ in files), tuple(hands))


def keep(scene, task, done):
    """Note in the scene what was written, for the panel."""
    for uid, exported in zip(task.uids, done, strict=True):
        damage = scene and scene.gaploft.damage_of(uid)
        if damage is not None:
            damage.exported = json.dumps(
                {
                    "folder": str(task.directory),
                    "files": exported.names,
                    "facets": exported.read_back.facets,
                    "size_mm": exported.read_back.size_mm,
                    "sha256": exported.sha256,
                    "verdict": exported.verdict,
                    "built_with": damage.built_with,
                }
            )


def message(task, done):
    """One line about what was written, read back and changed by hand."""
    if len(done) > 1:
        text = told("Written in mm: {n} targets with PLY and reports; read back: {facets} facets in all")
        return text.format(n=len(done), facets=sum(exported.read_back.facets for exported in done))
    text = told("Written in mm: {file}, PLY and reports; read back: {facets} facets, {size} mm. {hand}")
    found = done[0].read_back
    return text.format(
        file=done[0].names[0], facets=found.facets, size=size_text(found.size_mm), hand=task.hands[0]
    )


def size_text(size_mm):
    """Overall size along x, y, z."""
    return " × ".join(f"{edge:.1f}" for edge in size_mm)


def _target(surface, changes, report):
    """The surface as it is now."""
    computed = Target(
        vertices_mm=surface.computed_mm,
        normals=surface.normals,
        band95_mm=surface.band95_mm,
        zone=surface.zone.astype(np.uint8),
        quads=surface.quads,
        triangles=surface.triangles,
        shape=surface.shape,
        chord_error_mm=report["target"]["chord_error_mm"],
        depth_mm=np.full(len(surface.computed_mm), report["job"]["depth_below_outer_surface_mm"]),
    )
    return moved_target(computed, surface.current_mm) if changes.changed else computed
