"""The sidebar: the scan and its damages."""

import bpy

from . import mesh_io
from .layout import Step, lines, settings_column


class GAPLOFT_PT_scan(Step, bpy.types.Panel):
    """The scan of the broken tube"""

    bl_label = "1 Scan"

    def draw(self, context):
        state = context.scene.gaploft
        column = settings_column(self.layout)
        column.prop(state, "scan")
        column.prop(state, "scan_unit")
        scan = state.live("scan") or context.active_object
        if scan is not None and scan.type == "MESH":
            size = sorted(mesh_io.scan_extent_mm(scan, context.scene), reverse=True)
            lines(column, scan.name)
            lines(column, " × ".join(f"{edge:.5g}" for edge in size) + " mm")
            lines(column, f"{len(scan.data.vertices):,} points")
        else:
            lines(column, "Import the scan and make it the active object.")


class GAPLOFT_PT_damage(Step, bpy.types.Panel):
    """Where the tube is damaged"""

    bl_label = "2 Damage"

    def draw(self, context):
        state, layout = context.scene.gaploft, self.layout
        row = layout.row()
        row.template_list("UI_UL_list", "gaploft_damages", state, "damages", state, "damage_index", rows=2)
        buttons = row.column(align=True)
        buttons.operator("gaploft.add_damage", text="", icon="ADD")
        buttons.operator("gaploft.remove_damage", text="", icon="REMOVE")
        if state.marked:
            length = mesh_io.marked_length_mm(context.scene, state.damage)
            area = state.damage.live("damaged_area")
            side = "all round" if area is None else f"one side, {len(area.data.vertices):,} points"
            lines(layout, f"Marked: {length:.1f} mm, {side}", icon="CHECKMARK")
        layout.label(text="Mark anew from:" if state.marked else "Mark the damage from:")
        row = layout.row(align=True)
        for way, text in (("POINTS", "Points"), ("SELECTION", "Selection"), ("PAINTED", "Painted")):
            row.operator("gaploft.mark_damage", text=text).way = way
        if state.marked:
            header, layout = layout.panel("gaploft_points", default_closed=True)
            header.label(text="From and To")
        if layout is not None:
            _draw_points(layout, state)


def _draw_points(layout, state):
    ends = layout.row()
    for end, field in (("FROM", "from_point"), ("TO", "to_point")):
        column = ends.column(align=True)
        column.prop(state, field)
        column.operator("gaploft.take_point", text="From 3D Cursor", icon="PIVOT_CURSOR").end = end


CLASSES = (GAPLOFT_PT_scan, GAPLOFT_PT_damage)
