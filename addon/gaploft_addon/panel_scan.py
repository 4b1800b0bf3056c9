"""The sidebar: the scan and its damages."""

import json

import bpy

from gaploft.errors import InputError

from . import mesh_io, ring_draw, scan_check, view
from .layout import Step, lines, sentence_case, table
from .ops_damage import find_scan
from .settings import is_stale
from .words import label

#: Icons of a damage in the list, by the verdict on its rebuild.
ICONS = {"ready": "CHECKMARK", "check": "ERROR", "refused": "CANCEL"}


class GAPLOFT_PT_scan(Step, bpy.types.Panel):
    """The scan of the broken tube"""

    bl_label = "1 Scan"

    def draw(self, context):
        state, layout = context.scene.gaploft, self.layout
        scan = state.live("scan")
        if scan is None:
            layout.operator("gaploft.import_scan", icon="IMPORT")
            active = find_scan(context)
            if active is None:
                lines(layout, label("Import the scan, or drop its file into the view."))
            else:
                text = label("Use '{name}'").format(name=active.name)
                layout.operator("gaploft.use_scan", text=text, icon="OUTLINER_OB_MESH")
            return
        layout.prop(state, "scan", text="")
        table(
            layout,
            (
                (label("Size"), view.size_text(mesh_io.scan_extent_mm(scan, context.scene))),
                (label("Points"), f"{len(scan.data.vertices):,}"),
                (label("Triangles"), f"{len(scan.data.polygons):,}"),
                (
                    label("1 Unit Is"),
                    label(state.bl_rna.properties["scan_unit"].enum_items[state.scan_unit].name),
                ),
            ),
        )
        row = layout.row(align=True)
        row.operator("gaploft.use_scan", text="Other Unit", icon="DRIVER_DISTANCE").same = True
        row.operator("gaploft.import_scan", text="Other Scan", icon="IMPORT")
        _draw_findings(layout, context.scene, scan)


def _draw_findings(layout, scene, scan):
    """What was found wrong with the scan."""
    if scan_check.running():
        layout.progress(factor=scan_check.AT_WORK.share, text=label("Looking through the scan"))
        return
    found = scan_check.findings(scene, scan)
    if found is None:
        layout.operator("gaploft.check_scan", icon="VIEWZOOM")
    elif found["error"]:
        box = layout.column()
        box.alert = True
        lines(box, sentence_case(found["error"]), icon="CANCEL")
    elif not found["notes"]:
        layout.label(text="Nothing wrong found", icon="CHECKMARK")
    else:
        for note in found["notes"]:
            lines(layout, sentence_case(note["text"]), icon="INFO")


class GAPLOFT_UL_damages(bpy.types.UIList):
    """The damages of the scan: name, length, and the verdict on the rebuild"""

    def draw_item(self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0):
        row = layout.row()
        row.prop(item, "name", text="", emboss=False)
        side = row.row()
        side.alignment = "RIGHT"
        side.label(text=_length(context.scene, item), icon=_icon_of(context.scene, item))


def _length(scene, damage):
    if scene.gaploft.live("scan") is None or not damage.marked:
        return label("not marked")
    if not damage.has_ends:
        return label("an area")
    return f"{mesh_io.marked_length_mm(scene, damage):.1f} mm"


def _icon_of(scene, damage):
    if not damage.report:
        return "NONE"
    try:
        outdated = is_stale(scene, damage)
    except InputError:
        outdated = True
    return "FILE_REFRESH" if outdated else ICONS[json.loads(damage.report)["verdict"]]


class GAPLOFT_PT_damage(Step, bpy.types.Panel):
    """Where the tube is damaged"""

    bl_label = "2 Damage"

    def draw(self, context):
        state, layout = context.scene.gaploft, self.layout
        row = layout.row()
        row.template_list("GAPLOFT_UL_damages", "", state, "damages", state, "damage_index", rows=2)
        buttons = row.column(align=True)
        buttons.operator("gaploft.add_damage", text="", icon="ADD")
        buttons.operator("gaploft.remove_damage", text="", icon="REMOVE")
        area = state.damage and state.damage.live("damaged_area")
        if area is not None:
            text = label("Marked area: {count:,} points").format(count=len(area.data.vertices))
            lines(layout, text, icon="INFO")
        row = layout.row()
        row.scale_y = 1.3
        text = label("Click Both Ends Again" if state.marked else "Click Both Ends")
        row.operator("gaploft.mark_ring", text=text, icon="RESTRICT_SELECT_OFF", depress=ring_draw.drawing())
        header, body = layout.panel("gaploft_other_ways", default_closed=True)
        header.label(text="Mark in Another Way")
        if body is not None:
            _draw_other_ways(body, state)


def _draw_other_ways(layout, state):
    row = layout.row(align=True)
    for way, text in (("SELECTION", "Selection"), ("PAINTED", "Painted"), ("POINTS", "Points")):
        row.operator("gaploft.mark_damage", text=text).way = way
    ends = layout.row()
    for end, field in (("FROM", "from_point"), ("TO", "to_point")):
        column = ends.column(align=True)
        column.prop(state, field)
        column.operator("gaploft.take_point", text="From 3D Cursor", icon="PIVOT_CURSOR").end = end


CLASSES = (GAPLOFT_PT_scan, GAPLOFT_UL_damages, GAPLOFT_PT_damage)
