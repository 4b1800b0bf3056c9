"""Operator: write the machining target, as it is now, to files."""

import json
from dataclasses import asdict, replace
from pathlib import Path

import bpy
import numpy as np
from bpy.props import StringProperty
from bpy_extras.io_utils import ExportHelper

from gaploft.errors import GeometryError, InputError
from gaploft.files.facts import file_notes
from gaploft.files.folder import whole_folder
from gaploft.files.ply import write_ply
from gaploft.files.stl import write_stl
from gaploft.files.whole import write_whole
from gaploft.report.numbers import as_json
from gaploft.scan.normals import vertex_normals
from gaploft.target.model import Target

from . import ops_recheck, settings


class GAPLOFT_OT_export_target(bpy.types.Operator, ExportHelper):
    """Write the target as STL in millimetres, with changes by hand, and beside it a PLY and the report"""

    bl_idname = "gaploft.export_target"
    bl_label = "Export Target"
    bl_options = {"REGISTER"}

    filename_ext = ".stl"
    filter_glob: StringProperty(default="*.stl", options={"HIDDEN"})

    @classmethod
    def poll(cls, context):
        state = context.scene.gaploft
        if state.damage is None or state.damage.surface is None:
            refused = state.report and json.loads(state.report)["verdict"] == "refused"
            cls.poll_message_set(
                "The last rebuild was refused: there is no target" if refused else "Rebuild the surface first"
            )
            return False
        return True

    def invoke(self, context, event):
        state = context.scene.gaploft
        name = bpy.path.clean_name(state.scan.name if state.scan else "tube")
        folder = Path(bpy.data.filepath).parent if bpy.data.filepath else Path.home()
        self.filepath = str(folder / f"{name}_target_mm.stl")
        return super().invoke(context, event)

    def execute(self, context):
        scene, damage = context.scene, context.scene.gaploft.damage
        try:
            stl = _checked_path(self.filepath)
            if settings.is_stale(scene, damage):
                raise InputError(
                    "damage or settings were changed since the surface was rebuilt: rebuild it first"
                )
            surface, changes = ops_recheck.measure(damage)
            report = ops_recheck.with_hand(json.loads(damage.report), changes)
            names, notes = _write(stl, surface, changes, report)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        for note in notes:
            self.report({"WARNING"}, note.text)
        self.report({"INFO"}, f"Written in mm: {', '.join(names)}. {ops_recheck.sentence(changes)}")
        return {"FINISHED"}


def _checked_path(filepath):
    """The STL's path. Raises InputError."""
    if not filepath:
        raise InputError("no file was named for the target: give a path that ends in .stl")
    path = Path(bpy.path.abspath(filepath))
    if path.suffix.lower() != ".stl":
        raise InputError(
            f"the target is written as STL, but the file is called {path.name}: end its name in .stl"
        )
    if not path.parent.is_dir():
        raise InputError(f"the folder {path.parent} does not exist: make it, or choose another one")
    return path


def _write(stl, surface, changes, report):
    """Write target and report, all or nothing, and return the files' names and what they lack."""
    target = _current_target(surface, changes, report)
    ply = stl.with_suffix(".ply").name
    told = "report.json" if stl.stem == "target" else f"{stl.stem}_report.json"
    with whole_folder(stl.parent, (stl.name, ply, told)) as folder:
        written = write_stl(folder / stl.name, target)
        written = replace(written, rounding_mm=written.rounding_mm + surface.rounding_mm)
        write_ply(folder / ply, target)
        notes = file_notes(written, chord_tolerance_mm=report["job"]["chord_tolerance_mm"])
        size_mm = np.ptp(target.vertices_mm, axis=0).tolist()
        report = report | {"target": report["target"] | asdict(written) | {"size_mm": size_mm}}
        write_whole(folder / told, as_json(_with_notes(report, notes)).encode("utf-8"))
    return (stl.name, ply, told), notes


def _with_notes(report, notes):
    """A copy of a report with what only shows on the written file; it makes "ready" into "check"."""
    verdict = "check" if notes and report["verdict"] == "ready" else report["verdict"]
    warnings = [*report["warnings"], *({"code": note.code, "text": note.text} for note in notes)]
    return report | {"verdict": verdict, "warnings": warnings}


def _current_target(surface, changes, report):
    """The surface as it is now; where it was changed, the band grows by the change."""
    normals, outward = surface.normals, 0.0
    if changes.changed:
        normals = vertex_normals(surface.current_mm, surface.triangles)
        outward = np.abs(np.einsum("ij,ij->i", surface.current_mm - surface.computed_mm, surface.normals))
    return Target(
        vertices_mm=surface.current_mm,
        normals=normals,
        band95_mm=surface.band95_mm + outward,
        zone=surface.zone.astype(np.uint8),
        quads=surface.quads,
        triangles=surface.triangles,
        shape=surface.shape,
        chord_error_mm=report["target"]["chord_error_mm"],
    )


CLASSES = (GAPLOFT_OT_export_target,)
