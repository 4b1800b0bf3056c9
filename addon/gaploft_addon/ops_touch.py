"""Operators: touch the rebuilt surface up by sculpting, with its rim locked."""

import bpy
from bpy.props import EnumProperty

from gaploft.errors import GeometryError

from . import brushes, draw, ops_recheck, polls, touch_io
from .words import told


def is_touching(context):
    """Whether the surface of the damage that is worked on is being sculpted."""
    damage = context.scene.gaploft.damage
    surface = None if damage is None else damage.surface
    return context.mode == "SCULPT" and surface is not None and context.active_object == surface


class GAPLOFT_OT_touch_up(bpy.types.Operator):
    """Sculpt a copy of the rebuilt surface with its rim locked; the computed surface is kept, hidden"""

    bl_idname = "gaploft.touch_up"
    bl_label = "Touch Up by Hand"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        if not polls.surface_there(cls, context):
            return False
        if is_touching(context) and context.active_object == context.scene.gaploft.damage.touched:
            return polls.refused(cls, "The surface is being touched up already")
        return True

    def execute(self, context):
        scene, damage = context.scene, context.scene.gaploft.damage
        if context.mode != "OBJECT":
            bpy.ops.object.mode_set(mode="OBJECT")
        is_new = damage.live("touched") is None
        try:
            with touch_io.busy(context):
                touched = touch_io.copy_for_touching(scene, damage)
                touch_io.show_alone(context, damage)
                touch_io.set_lock(context, touched, scene.gaploft.touch.lock_mm, keep_painted=True)
        except GeometryError as error:
            if is_new:
                draw.remove(damage.touched)
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        bpy.ops.object.mode_set(mode="SCULPT")
        brushes.prepare(context)
        if brushes.active_kind(context) is None:
            brushes.take(context, "SMOOTH")
        self.report({"INFO"}, told("Only move points: added or removed ones can't be measured"))
        return {"FINISHED"}


class GAPLOFT_OT_touch_brush(bpy.types.Operator):
    """Take this brush in hand"""

    bl_idname = "gaploft.touch_brush"
    bl_label = "Take Brush"
    bl_options = {"REGISTER"}

    kind: EnumProperty(
        name="Brush",
        description="Which brush to take in hand",
        items=[(key, kind.label, kind.tip) for key, kind in brushes.KINDS.items()],
    )

    @classmethod
    def description(cls, _context, properties):
        return told(brushes.KINDS[properties.kind].tip)

    @classmethod
    def poll(cls, context):
        if not is_touching(context):
            return polls.refused(cls, "Press Touch Up by Hand first")
        return True

    def execute(self, context):
        brushes.take(context, self.kind)
        return {"FINISHED"}


class GAPLOFT_OT_lock_rim(bpy.types.Operator):
    """Lock overlap and rim anew over the distance set, after the mask was cleared; drops what is marked"""

    bl_idname = "gaploft.lock_rim"
    bl_label = "Lock Rim Anew"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        damage = context.scene.gaploft.damage
        if damage is None or damage.live("touched") is None:
            return polls.refused(cls, "Press Touch Up by Hand first")
        return True

    def execute(self, context):
        state = context.scene.gaploft
        try:
            with touch_io.busy(context):
                touch_io.set_lock(
                    context, state.damage.live("touched"), state.touch.lock_mm, keep_painted=False
                )
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        return {"FINISHED"}


class GAPLOFT_OT_touch_done(bpy.types.Operator):
    """Leave Sculpt Mode and measure what was changed by hand"""

    bl_idname = "gaploft.touch_done"
    bl_label = "Done: Measure"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        if not is_touching(context):
            return polls.refused(cls, "The surface is not being touched up")
        return True

    def execute(self, context):
        bpy.ops.object.mode_set(mode="OBJECT")
        try:
            with touch_io.busy(context):
                changes = ops_recheck.check(context.scene.gaploft.damage)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self.report({"INFO"}, ops_recheck.sentence(changes))
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_touch_up, GAPLOFT_OT_touch_brush, GAPLOFT_OT_lock_rim, GAPLOFT_OT_touch_done)
