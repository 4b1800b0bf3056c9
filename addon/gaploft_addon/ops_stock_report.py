"""Operators: write what a stock check found into a folder."""

from dataclasses import dataclass
from pathlib import Path

import bpy
from bpy.props import BoolProperty, StringProperty

from gaploft.errors import GeometryError
from gaploft.report.stock_outputs import STOCK_NAMES, write_stock
from gaploft.report.stock_target import KnownTarget

from . import export_task, mesh_io, polls, stock_task
from .background import FromDialog
from .words import told


@dataclass(frozen=True)
class Task:
    """A check done once more, and the folder that it is written into."""

    check: stock_task.Task
    directory: Path
    file: str

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread."""
        stock = self.check.run(progress)
        skin = self.check.skin
        target = KnownTarget(skin, self.file, mesh_io.fingerprint(skin.vertices_mm, skin.faces), ())
        return write_stock(stock, target, self.directory, progress=progress)


def task_of(scene, damage, directory):
    """Take a check out of a scene, to be written into a folder. Raises InputError."""
    return Task(stock_task.task_of(scene, damage), directory, damage.surface.name)


class GAPLOFT_OT_write_stock(FromDialog, bpy.types.Operator):
    """Write the stock report in the background once its folder was chosen in a dialog. Esc stops it"""

    bl_idname = "gaploft.write_stock"
    bl_label = "Write Stock Report"
    bl_options = {"INTERNAL"}

    told_missing = "Choose a folder with Export Stock Report first"
    told_stopped = "Stopped; no file was written"
    first_stage = "read"

    def _doing(self, news):
        return stock_task.doing(news)

    def _done(self, _context, report):
        finish(self, report)
        return {"FINISHED"}


class GAPLOFT_OT_export_stock(bpy.types.Operator):
    """Check the stock once more and write map, figures and a page to print into a folder"""

    bl_idname = "gaploft.export_stock"
    bl_label = "Export Stock Report"
    bl_options = {"REGISTER"}

    #: Whether the folder was chosen in a dialog, so that there is a window to be kept alive.
    chosen = False

    directory: StringProperty(
        name="Folder",
        description="Where stock.html, stock.json and stock.ply are written to",
        subtype="DIR_PATH",
    )
    filter_folder: BoolProperty(default=True, options={"HIDDEN"})

    @classmethod
    def poll(cls, context):
        if GAPLOFT_OT_write_stock.running is not None:
            return polls.refused(cls, "A stock report is being written: wait for it, or stop it with Esc")
        damage = context.scene.gaploft.damage
        if damage is None or not damage.stock.result:
            return polls.refused(cls, "Check the stock first")
        if damage.surface is None or stock_task.outdated(damage):
            return polls.refused(cls, "The surface was changed since the check: check the stock again")
        return polls.object_mode(cls, context)

    def invoke(self, context, _event):
        self.chosen = True
        self.directory = str(export_task.first_folder())
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def execute(self, context):
        scene, damage = context.scene, context.scene.gaploft.damage
        folder = Path(bpy.path.abspath(self.directory))
        context.view_layer.update()
        try:
            export_task.checked_folder(folder)
            task = task_of(scene, damage, folder)
            if self.chosen:
                return GAPLOFT_OT_write_stock.start(task)
            report = task.run(lambda _stage, _share: None)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        finish(self, report)
        return {"FINISHED"}


def finish(operator, report):
    text = told("Written: {files}; {verdict}")
    verdict = told(report["decision"]["verdict"])
    operator.report({"INFO"}, text.format(files=", ".join(STOCK_NAMES), verdict=verdict))


CLASSES = (GAPLOFT_OT_write_stock, GAPLOFT_OT_export_stock)
