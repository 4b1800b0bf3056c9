"""Operator: import a scan through Blender's own importers, from the file dialog or by drag and drop."""

import bpy

from . import polls
from .importing import Importing


class GAPLOFT_OT_import_scan(Importing, bpy.types.Operator):
    """Import a scan as STL, PLY or OBJ, axes as in the file, so that one Blender unit is a millimetre"""

    bl_idname = "gaploft.import_scan"
    bl_label = "Import Scan"
    bl_options = {"UNDO"}

    taker, taken_as = "use_scan", {"fresh": True}

    @classmethod
    def poll(cls, context):
        return polls.object_mode(cls, context)


class GAPLOFT_FH_scan(bpy.types.FileHandler):
    """Scans dropped into the 3D view"""

    bl_idname = "GAPLOFT_FH_scan"
    bl_label = "Scan for Gaploft"
    bl_import_operator = "gaploft.import_scan"
    bl_file_extensions = ".stl;.ply;.obj"

    @classmethod
    def poll_drop(cls, context):
        return context.area is not None and context.area.type == "VIEW_3D"


CLASSES = (GAPLOFT_OT_import_scan, GAPLOFT_FH_scan)
