"""Operators: the list of places that a patch is to pass through."""

import bpy
from bpy.props import FloatVectorProperty

from . import draw, guide_live, live, mesh_io, polls


class GAPLOFT_OT_add_guide(bpy.types.Operator):
    """Put a mark at the 3D cursor that the patch is to pass through; it may be dragged"""

    bl_idname = "gaploft.add_guide"
    bl_label = "Add Guide"
    bl_options = {"REGISTER", "UNDO"}

    point: FloatVectorProperty(
        name="Place",
        description="Where the patch is to pass, in world coordinates; where it is not given, the 3D cursor",
        subtype="XYZ",
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context):
        return context.scene.gaploft.marked or polls.refused(cls, "Mark the damage first")

    def execute(self, context):
        scene = context.scene
        given = self.properties.is_property_set("point")
        damage = scene.gaploft.damage
        mark = bpy.data.objects.new(f"{damage.name} Guide", None)
        mark.empty_display_type = "SPHERE"
        mark.empty_display_size = (
            0.005 * max(mesh_io.scan_extent_mm(scene.gaploft.scan, scene)) / mesh_io.unit_of(scene)[1]
        )
        mark.show_in_front = True
        mark.location = self.point if given else scene.cursor.location
        draw.link(scene, mark)
        context.view_layer.update()
        patch = damage.patch
        patch.guides.add().mark = mark
        patch.guide_index = len(patch.guides) - 1
        _changed(patch, context)
        return {"FINISHED"}


class GAPLOFT_OT_remove_guide(bpy.types.Operator):
    """Take this guide off the list together with its mark"""

    bl_idname = "gaploft.remove_guide"
    bl_label = "Remove Guide"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        damage = context.scene.gaploft.damage
        there = damage is not None and len(damage.patch.guides) > 0
        return there or polls.refused(cls, "There is no guide on the list")

    def execute(self, context):
        patch = context.scene.gaploft.damage.patch
        number = min(patch.guide_index, len(patch.guides) - 1)
        draw.remove(patch.guides[number].mark)
        patch.guides.remove(number)
        patch.guide_index = max(0, min(number, len(patch.guides) - 1))
        _changed(patch, context)
        return {"FINISHED"}


def _changed(patch, context):
    """Let a patch follow its guides at once, or else be rebuilt where settings are."""
    if not guide_live.want(context.scene.gaploft.damage):
        live.part_changed(patch, context)


CLASSES = (GAPLOFT_OT_add_guide, GAPLOFT_OT_remove_guide)
