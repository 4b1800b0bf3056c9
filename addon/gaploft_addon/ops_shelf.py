"""Operators: the shop's shelf of known tubes: looking for one that fits, taking it, putting one on it."""

import json

import bpy
from bpy.props import EnumProperty, StringProperty

from gaploft.errors import GeometryError

from . import polls, shelf_task
from .background import FromDialog, InBackground
from .ops_write import doing
from .words import label, told

WHAT = (
    ("REBUILT", "Rebuilt Tube", "The finished rebuild of this damage, as uncertain as its band says"),
    ("DONOR", "Spare Section", "The intact tube of the spare section, as it was scanned"),
)


def _told(news):
    """What is being done in words, with its share, and the share."""
    text, share = doing(news)
    return told("Gaploft is {doing}, {share:.0%}").format(doing=text, share=share), share


class GAPLOFT_OT_search_shelf(InBackground, bpy.types.Operator):
    """Look through the shelf for tubes that fit the intact flanks of this damage. Esc stops it"""

    bl_idname = "gaploft.search_shelf"
    bl_label = "Search"
    bl_options = {"REGISTER", "UNDO"}

    told_stopped = "Stopped; nothing was changed"

    @classmethod
    def poll(cls, context):
        if cls.running is not None:
            return polls.refused(cls, "The shelf is being searched: wait for it, or stop it with Esc")
        if not context.scene.gaploft.marked:
            return polls.refused(cls, "Mark the damage first")
        return polls.object_mode(cls, context)

    def execute(self, context):
        damage = context.scene.gaploft.damage
        context.view_layer.update()
        try:
            found = shelf_task.search_of(context.scene, damage).run(lambda _stage, _share: None)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        return self._finish(damage, found)

    def invoke(self, context, _event):
        context.view_layer.update()
        try:
            self._task = shelf_task.search_of(context.scene, context.scene.gaploft.damage)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self._scene_name = context.scene.name
        return self._begin(context, self._task, ("read", 0.0))

    def _doing(self, news):
        return _told(news)

    def _done(self, _context, outcome):
        scene = bpy.data.scenes.get(self._scene_name)
        damage = scene and scene.gaploft.damage_of(self._task.uid)
        if damage is None:
            self.report({"WARNING"}, told("The damage is gone, so its search was dropped"))
            return {"CANCELLED"}
        return self._finish(damage, outcome)

    def _finish(self, damage, outcome):
        found = shelf_task.figures(outcome)
        damage.ways.shelf_found = json.dumps(found)
        for _, why in found["skipped"]:
            self.report({"WARNING"}, why)
        if shelf_task.fits(found):
            best = found["candidates"][0]
            text = told("'{name}' fits best, {mm:.3f} mm off the intact tube; {count} searched")
            text = text.format(name=best["name"], mm=best["misfit_mm"], count=found["searched"])
        else:
            text = told("Nothing fits; {count} searched").format(count=found["searched"])
        self.report({"INFO"}, text)
        return {"FINISHED"}


class GAPLOFT_OT_take_tube(bpy.types.Operator):
    """Take the shape from this tube of the shelf. Pressed once more, the one that fits best is taken"""

    bl_idname = "gaploft.take_tube"
    bl_label = "Take Tube"
    bl_options = {"REGISTER", "UNDO"}

    entry: StringProperty(name="Tube", description="Name of the tube; none: the one that fits best")

    @classmethod
    def poll(cls, context):
        return context.scene.gaploft.damage is not None or polls.refused(cls, "Mark the damage first")

    def execute(self, context):
        ways = context.scene.gaploft.damage.ways
        ways.shelf_entry = "" if ways.shelf_entry == self.entry else self.entry
        if not ways.shelf_on:
            ways.shelf_on = True
        return {"FINISHED"}


class GAPLOFT_OT_write_shelf(FromDialog, bpy.types.Operator):
    """Put the tube on the shelf in the background once its name was given in a dialog. Esc stops it"""

    bl_idname = "gaploft.write_shelf"
    bl_label = "Put on the Shelf"
    bl_options = {"INTERNAL"}

    told_missing = "Give a name with Put on the Shelf first"
    told_stopped = "Stopped; nothing was put on the shelf"
    first_stage = "read"

    def _doing(self, news):
        return _told(news)

    def _done(self, _context, outcome):
        finish(self, self._task, outcome)
        return {"FINISHED"}


class GAPLOFT_OT_put_on_shelf(bpy.types.Operator):
    """Put a tube on the shop's shelf, so that the next one of its kind finds its shape there"""

    bl_idname = "gaploft.put_on_shelf"
    bl_label = "Put on the Shelf"
    bl_options = {"REGISTER"}

    #: Whether the name was given in a dialog, so that there is a window to be kept alive.
    chosen = False

    tube: StringProperty(name="Name", description="What the shop calls this tube", options={"SKIP_SAVE"})
    what: EnumProperty(name="What", description="Which tube is put on the shelf", items=WHAT)

    @classmethod
    def poll(cls, context):
        if GAPLOFT_OT_write_shelf.running is not None:
            return polls.refused(cls, "A tube is being put on the shelf: wait for it, or stop it with Esc")
        damage = context.scene.gaploft.damage
        if damage is None or (damage.surface is None and damage.ways.live("donor") is None):
            return polls.refused(cls, "Rebuild the surface, or choose a spare section, first")
        return polls.object_mode(cls, context)

    def invoke(self, context, _event):
        self.chosen = True
        damage = context.scene.gaploft.damage
        if not self.properties.is_property_set("what"):
            self.what = "REBUILT" if damage.surface is not None else "DONOR"
        manager = context.window_manager
        return manager.invoke_props_dialog(self, width=320, title=label("Put on the Shelf"))

    def draw(self, context):
        damage, column = context.scene.gaploft.damage, self.layout.column()
        column.use_property_split = True
        if damage.surface is not None and damage.ways.live("donor") is not None:
            column.prop(self, "what", expand=True)
        column.prop(self, "tube")

    def execute(self, context):
        context.view_layer.update()
        try:
            task = shelf_task.put_of(context.scene, context.scene.gaploft.damage, self.what, self.tube)
            if self.chosen:
                return GAPLOFT_OT_write_shelf.start(task)
            entry = task.run(lambda _stage, _share: None)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        finish(self, task, entry)
        return {"FINISHED"}


def finish(operator, task, entry):
    first, last = entry.shape.range_u
    text = told("'{name}' lies on the shelf {folder}: {length:.0f} mm of tube")
    operator.report({"INFO"}, text.format(name=entry.name, folder=task.folder, length=last - first))


CLASSES = (
    *(GAPLOFT_OT_search_shelf, GAPLOFT_OT_take_tube),
    *(GAPLOFT_OT_write_shelf, GAPLOFT_OT_put_on_shelf),
)
