"""Operators: the list of stretches that another way is used for."""

import bpy

from . import live, mesh_io, polls


class GAPLOFT_OT_add_region(bpy.types.Operator):
    """Use another way between two stations of this damage, counted from its From end"""

    bl_idname = "gaploft.add_region"
    bl_label = "Add Region"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        state = context.scene.gaploft
        if state.live("scan") is None or state.damage is None or not state.damage.has_ends:
            return polls.refused(cls, "Mark both ends of the damage first")
        return bool(state.damage.ways.asked) or polls.refused(cls, "Switch another way on first")

    def execute(self, context):
        damage = context.scene.gaploft.damage
        ways = damage.ways
        after = ways.regions[-1].to_mm if len(ways.regions) else 0.0
        region = ways.regions.add()
        ways.region_index = len(ways.regions) - 1
        # Its fields ask for a rebuild when they are set, which comes when all of them are.
        region.from_mm = after
        region.to_mm = max(mesh_io.marked_length_mm(context.scene, damage), after + 1.0)
        region.use = ways.asked[0] if ways.use in {"LOFT", "BEST"} else "LOFT"
        return {"FINISHED"}


class GAPLOFT_OT_remove_region(bpy.types.Operator):
    """Take this region off the list"""

    bl_idname = "gaploft.remove_region"
    bl_label = "Remove Region"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        damage = context.scene.gaploft.damage
        there = damage is not None and len(damage.ways.regions) > 0
        return there or polls.refused(cls, "There is no region on the list")

    def execute(self, context):
        ways = context.scene.gaploft.damage.ways
        ways.regions.remove(min(ways.region_index, len(ways.regions) - 1))
        ways.region_index = max(0, min(ways.region_index, len(ways.regions) - 1))
        live.part_changed(ways, context)
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_add_region, GAPLOFT_OT_remove_region)
