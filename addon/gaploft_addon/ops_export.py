"""Operators: write the machining targets, as they are now, to files."""

from pathlib import Path

import bpy
from bpy.props import BoolProperty, StringProperty
from bpy_extras.io_utils import ExportHelper

from gaploft.errors import GeometryError

from . import export_task, polls
from .export_dialog import Formats, all_names, draw_dialog
from .ops_write import GAPLOFT_OT_write_target, finish, free
from .touch_io import busy


class GAPLOFT_OT_export_target(Formats, bpy.types.Operator, ExportHelper):
    """Write the target of this damage as STL in mm, with changes by hand, and beside it PLY and reports"""

    bl_idname = "gaploft.export_target"
    bl_label = "Export Target"
    bl_options = {"REGISTER"}

    #: Whether the files were chosen in a dialog, so that there is a window to be kept alive.
    chosen = False

    filename_ext = ".stl"
    filter_glob: StringProperty(default="*.stl", options={"HIDDEN"})

    @classmethod
    def poll(cls, context):
        state = context.scene.gaploft
        if state.damage is None or state.damage.surface is None:
            refused = state.report and '"verdict": "refused"' in state.report
            cls.poll_message_set(
                "The last rebuild was refused: there is no target" if refused else "Rebuild the surface first"
            )
            return False
        return free(cls)

    def invoke(self, context, event):
        scene, damage = context.scene, context.scene.gaploft.damage
        try:
            export_task.refuse_unfit(scene, damage)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self.chosen = True
        name = export_task.file_names(scene.gaploft)[damage.uid]
        self.filepath = str(export_task.first_folder() / name)
        return super().invoke(context, event)

    def draw(self, context):
        damage, file = context.scene.gaploft.damage, Path(self.filepath).name
        self.draw_formats(self.layout)
        draw_dialog(self.layout, context.scene, damage, all_names(damage, file, self.formats))

    def execute(self, context):
        try:
            stl = export_task.checked_stl(self.filepath)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        return _export(self, context, stl.parent, [(context.scene.gaploft.damage, stl.name)])


class GAPLOFT_OT_export_all(Formats, bpy.types.Operator):
    """Write the targets of all rebuilt damages into one folder, as STL in mm with PLY and reports"""

    bl_idname = "gaploft.export_all"
    bl_label = "Export All Targets"
    bl_options = {"REGISTER"}

    #: Whether the files were chosen in a dialog, so that there is a window to be kept alive.
    chosen = False

    directory: StringProperty(
        name="Folder", description="Where the files of all targets are written to", subtype="DIR_PATH"
    )
    filter_folder: BoolProperty(default=True, options={"HIDDEN"})

    @classmethod
    def poll(cls, context):
        if not export_task.exportable(context.scene.gaploft):
            return polls.refused(cls, "Rebuild the surface of a damage first")
        return free(cls)

    def invoke(self, context, _event):
        self.chosen = True
        self.directory = str(export_task.first_folder())
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def draw(self, context):
        state = context.scene.gaploft
        names = export_task.file_names(state)
        files = [names[damage.uid] for damage in export_task.exportable(state)]
        self.draw_formats(self.layout)
        draw_dialog(self.layout, context.scene, None, files)

    def execute(self, context):
        state, folder = context.scene.gaploft, Path(bpy.path.abspath(self.directory))
        try:
            export_task.checked_folder(folder)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        names = export_task.file_names(state)
        files = [(damage, names[damage.uid]) for damage in export_task.exportable(state)]
        return _export(self, context, folder, files)


def _export(operator, context, directory, files):
    """Write damages, given by (damage, name of the STL): at once for a script, else in the background."""
    context.view_layer.update()
    try:
        with busy(context):
            task = export_task.task_of(context.scene, directory, files, operator.formats)
        if operator.chosen:
            return GAPLOFT_OT_write_target.start(task)
        done = task.run(lambda _stage, _share: None)
    except GeometryError as error:
        operator.report({"ERROR"}, str(error))
        return {"CANCELLED"}
    finish(operator, context.scene, task, done)
    return {"FINISHED"}


CLASSES = (GAPLOFT_OT_export_target, GAPLOFT_OT_export_all)
