"""The sidebar, under the rebuild: the bed and its plies."""

import bpy

from .layout import settings_column, span_text, switched, table
from .words import label


class GAPLOFT_UL_plies(bpy.types.UIList):
    """The cloths of a lay-up, from the inside out: name and number of plies"""

    def draw_item(self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0):
        row = layout.row()
        row.prop(item, "name", text="", emboss=False)
        side = row.row()
        side.alignment = "RIGHT"
        side.label(text=label("{count} × {angle:.0f}°").format(count=item.count, angle=item.angle_deg))


def draw_bed(layout, shop, found, plies):
    text = ""
    if found:
        text = label("{mm:.0f} mm long").format(mm=found["taper_most_mm"])
    body = switched(layout, shop, "bed_on", "Bed", text)
    if body is None:
        return
    column = settings_column(body)
    column.row().prop(shop, "bed_kind", expand=True)
    if shop.bed_kind == "RATIO":
        column.prop(shop, "bed_ratio", text="Ratio")
    else:
        column.prop(shop, "bed_step_mm")
    column.prop(shop, "cut_back_mm")
    column.prop(shop, "lap_mm")
    _draw_plies(body, shop)
    if found is not None:
        reaches = " / ".join(f"{mm:.0f}" for mm in found["reaches_mm"])
        table(
            body,
            (
                (label("Hole"), f"{found['hole_length_mm']:.1f} mm"),
                (
                    label("Taper"),
                    span_text(found["taper_least_mm"], found["taper_most_mm"], 1),
                ),
                (label("Beyond damage"), f"{reaches} mm"),
                (label("Area to grind"), f"{found['area_mm2'] / 100.0:.1f} cm²"),
                (label("Laminate removed"), f"{found['removed_mm3'] / 1000.0:.2f} cm³"),
                (label("Steepest"), f"{found['slope_most_deg']:.1f}°"),
            ),
        )
    if plies is not None:
        built, wall = plies["thickness_mm"], plies["wall_mm"]
        rows = ((label("Plies"), f"{plies['count']}"), (label("Lay-up, wall"), f"{built:.2f}, {wall:.2f} mm"))
        table(body, rows)


def _draw_plies(body, shop):
    body.label(text="Plies, from the inside out:")
    row = body.row()
    row.template_list("GAPLOFT_UL_plies", "", shop, "plies", shop, "ply_index", rows=2)
    buttons = row.column(align=True)
    buttons.operator("gaploft.add_ply", text="", icon="ADD")
    buttons.operator("gaploft.remove_ply", text="", icon="REMOVE")
    if len(shop.plies) > 1:
        buttons.operator("gaploft.move_ply", text="", icon="TRIA_UP").way = "IN"
        buttons.operator("gaploft.move_ply", text="", icon="TRIA_DOWN").way = "OUT"
    if shop.ply_index < len(shop.plies):
        ply, column = shop.plies[shop.ply_index], settings_column(body.column())
        column.prop(ply, "count")
        column.prop(ply, "angle_deg")
        computed = column.column()
        computed.active = not ply.thickness_mm
        for field in ("areal_weight", "density", "fraction"):
            computed.prop(ply, field)
        column.prop(ply, "thickness_mm")


CLASSES = (GAPLOFT_UL_plies,)
