"""The sidebar: the files for the machine."""

import bpy

from .layout import CAUTIONS, Step, lines


class GAPLOFT_PT_export(Step, bpy.types.Panel):
    """The files for the machine"""

    bl_label = "5 Export"

    def draw(self, _context):
        self.layout.operator("gaploft.export_target", icon="EXPORT")
        for caution in CAUTIONS:
            lines(self.layout, caution, icon="DOT")


CLASSES = (GAPLOFT_PT_export,)
