"""Operators: the table of plies that will be laid into the bed."""

import bpy
from bpy.props import EnumProperty

from . import live, polls
from .ply_state import OF_PLY


def _ply_there(cls, context):
    damage = context.scene.gaploft.damage
    return (damage is not None and len(damage.shop.plies) > 0) or polls.refused(
        cls, "There is no cloth on the list"
    )


class GAPLOFT_OT_add_ply(bpy.types.Operator):
    """Add plies of one cloth on top of the lay-up, with the figures of the cloth below"""

    bl_idname = "gaploft.add_ply"
    bl_label = "Add Cloth"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        if context.scene.gaploft.damage is None:
            return polls.refused(cls, "Mark the damage first")
        return True

    def execute(self, context):
        shop = context.scene.gaploft.damage.shop
        before = {name: getattr(shop.plies[-1], name) for name in OF_PLY} if len(shop.plies) else {}
        ply = shop.plies.add()
        for name, value in before.items():
            setattr(ply, name, value)
        shop.ply_index = len(shop.plies) - 1
        live.part_changed(shop, context)
        return {"FINISHED"}


class GAPLOFT_OT_remove_ply(bpy.types.Operator):
    """Take this cloth off the list"""

    bl_idname = "gaploft.remove_ply"
    bl_label = "Remove Cloth"
    bl_options = {"REGISTER", "UNDO"}

    poll = classmethod(_ply_there)

    def execute(self, context):
        shop = context.scene.gaploft.damage.shop
        shop.plies.remove(min(shop.ply_index, len(shop.plies) - 1))
        shop.ply_index = max(0, min(shop.ply_index, len(shop.plies) - 1))
        live.part_changed(shop, context)
        return {"FINISHED"}


class GAPLOFT_OT_move_ply(bpy.types.Operator):
    """Move this cloth inwards or outwards in the lay-up"""

    bl_idname = "gaploft.move_ply"
    bl_label = "Move Cloth"
    bl_options = {"REGISTER", "UNDO"}

    way: EnumProperty(
        name="Way",
        description="Where to",
        items=(
            ("IN", "Inwards", "Towards the inner surface"),
            ("OUT", "Outwards", "Towards the outer surface"),
        ),
    )

    poll = classmethod(_ply_there)

    def execute(self, context):
        shop = context.scene.gaploft.damage.shop
        to = shop.ply_index + (1 if self.way == "OUT" else -1)
        if not 0 <= to < len(shop.plies):
            return {"CANCELLED"}
        shop.plies.move(shop.ply_index, to)
        shop.ply_index = to
        live.part_changed(shop, context)
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_add_ply, GAPLOFT_OT_remove_ply, GAPLOFT_OT_move_ply)
