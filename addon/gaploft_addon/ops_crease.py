"""Operators: the list of edges that a patch is to have."""

import bpy

from gaploft.errors import GeometryError

from . import curve_io, live, polls
from .words import told


class GAPLOFT_OT_add_crease(bpy.types.Operator):
    """Let the patch have an edge along the active curve, such as one drawn on the scan"""

    bl_idname = "gaploft.add_crease"
    bl_label = "Add Crease"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        state, curve = context.scene.gaploft, context.active_object
        if not state.marked:
            return polls.refused(cls, "Mark the damage first")
        if curve is None or curve.type != "CURVE":
            return polls.refused(cls, "Draw a curve along the edge, and make it the active object, first")
        if any(crease.curve == curve for crease in state.damage.patch.creases):
            return polls.refused(cls, "The active curve is on the list already")
        return True

    def execute(self, context):
        scene, curve = context.scene, context.active_object
        context.view_layer.update()
        try:
            count = len(curve_io.lines_mm(scene, curve))
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        patch = scene.gaploft.damage.patch
        patch.creases.add().curve = curve
        patch.crease_index = len(patch.creases) - 1
        text = told("The patch gets an edge along '{name}'; lines: {count}")
        self.report({"INFO"}, text.format(name=curve.name, count=count))
        return {"FINISHED"}


class GAPLOFT_OT_remove_crease(bpy.types.Operator):
    """Take this crease off the list; its curve stays as it is"""

    bl_idname = "gaploft.remove_crease"
    bl_label = "Remove Crease"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        damage = context.scene.gaploft.damage
        there = damage is not None and len(damage.patch.creases) > 0
        return there or polls.refused(cls, "There is no crease on the list")

    def execute(self, context):
        patch = context.scene.gaploft.damage.patch
        patch.creases.remove(min(patch.crease_index, len(patch.creases) - 1))
        patch.crease_index = max(0, min(patch.crease_index, len(patch.creases) - 1))
        live.part_changed(patch, context)
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_add_crease, GAPLOFT_OT_remove_crease)
