"""Operators: the list of damages, and the typed ends of one."""

import bpy
from bpy.props import EnumProperty

from . import draw, polls
from .damage_state import PARTS
from .ways_state import MARKS

#: What a damage has in the scene.
OBJECTS = ("mark_from", "mark_to", "damaged_area", "result", "touched", *PARTS)


class GAPLOFT_OT_add_damage(bpy.types.Operator):
    """Add another damage of this scan to the list, to be marked next, with the settings of the one before"""

    bl_idname = "gaploft.add_damage"
    bl_label = "Add Damage"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context):
        context.scene.gaploft.add_damage()
        return {"FINISHED"}


class GAPLOFT_OT_remove_damage(bpy.types.Operator):
    """Take this damage off the list, with its marks, settings and surfaces. The scan stays as it is"""

    bl_idname = "gaploft.remove_damage"
    bl_label = "Remove Damage"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        if context.scene.gaploft.damage is None:
            return polls.refused(cls, "There is no damage on the list")
        return polls.object_mode(cls, context)

    def execute(self, context):
        state = context.scene.gaploft
        for field in OBJECTS:
            draw.remove(getattr(state.damage, field))
        draw.remove(state.damage.shop.mark_zero)
        for field in MARKS:
            draw.remove(getattr(state.damage.ways, field))
        for guide in state.damage.patch.guides:
            draw.remove(guide.mark)
        state.damages.remove(state.damage_index)
        state.damage_index = max(0, min(state.damage_index, len(state.damages) - 1))
        return {"FINISHED"}


class GAPLOFT_OT_take_point(bpy.types.Operator):
    """Set this end of the damage to where the 3D cursor is"""

    bl_idname = "gaploft.take_point"
    bl_label = "Take from 3D Cursor"
    bl_options = {"REGISTER", "UNDO", "INTERNAL"}

    end: EnumProperty(
        name="End",
        description="Which end of the damage",
        items=(("FROM", "From", "Where the damage begins"), ("TO", "To", "Where the damage ends")),
    )

    def execute(self, context):
        state = context.scene.gaploft
        setattr(state, "from_point" if self.end == "FROM" else "to_point", context.scene.cursor.location)
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_add_damage, GAPLOFT_OT_remove_damage, GAPLOFT_OT_take_point)
