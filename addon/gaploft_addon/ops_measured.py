"""Operators: import or choose the scan of the part as it is now, beside the scan that was rebuilt from."""

import bpy

from . import mesh_io, polls
from .importing import Importing, Taking


class GAPLOFT_OT_import_measured(Importing, bpy.types.Operator):
    """Import the scan of the laid-up or machined part; the scan that was rebuilt from stays as it is"""

    bl_idname = "gaploft.import_measured"
    bl_label = "Import Measured Scan"
    bl_options = {"UNDO"}

    taker = "take_measured"

    @classmethod
    def poll(cls, context):
        return polls.surface_there(cls, context) and polls.object_mode(cls, context)


class GAPLOFT_OT_take_measured(Taking, bpy.types.Operator):
    """Say the unit of the measured scan that was imported a moment ago, and lay it where the scan lies"""

    bl_idname = "gaploft.take_measured"
    bl_label = "Unit of the Measured Scan"
    bl_options = {"UNDO", "INTERNAL"}

    title = "Unit of the Measured Scan"
    told_missing = "Import the measured scan first"
    told_taken = "'{name}' is the measured scan: {size}"

    @classmethod
    def _there(cls, context):
        return polls.surface_there(cls, context)

    def _put(self, scene, obj):
        # The frame of the file is taken for that of the scan's file, wherever the scan was moved to.
        obj.matrix_world = mesh_io.placement(scene.gaploft.scan)
        scene.gaploft.damage.stock.measured = obj


class GAPLOFT_FH_measured(bpy.types.FileHandler):
    """Scans of the part as it is now, dropped into the 3D view"""

    bl_idname = "GAPLOFT_FH_measured"
    bl_label = "Measured Scan for Gaploft"
    bl_import_operator = "gaploft.import_measured"
    bl_file_extensions = ".stl;.ply;.obj"

    @classmethod
    def poll_drop(cls, context):
        damage = context.scene.gaploft.damage
        in_view = context.area is not None and context.area.type == "VIEW_3D"
        return in_view and damage is not None and damage.surface is not None


CLASSES = (GAPLOFT_OT_import_measured, GAPLOFT_OT_take_measured, GAPLOFT_FH_measured)
