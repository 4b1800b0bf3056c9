"""The sidebar, under the rebuild: layers, readings, wall, bed and tool, each with what came out."""

import json

import bpy

from .layout import settings_column, span_text, switched, table
from .panel_bed import draw_bed
from .words import label

#: The layers in the order in which they lie: field, kind of reading, name.
LAYERS = (
    ("paint_mm", "PAINT", "Paint (mm)"),
    ("filler_mm", "FILLER", "Filler (mm)"),
    ("cover_mm", "COVER", "Plies (mm)"),
    ("other_mm", "OTHER", "Other (mm)"),
)


class GAPLOFT_UL_readings(bpy.types.UIList):
    """The readings of a damage: of what, and how thick"""

    def draw_item(self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.label(text=f"{index + 1}")
        row.prop(item, "kind", text="", emboss=False)
        row.prop(item, "value_mm", text="", emboss=False)


def draw_shop(layout, damage):
    """All of it, each part folded away until it is wanted."""
    report = json.loads(damage.report) if damage.report else {}
    _draw_layers(layout, damage, report.get("layers"))
    _draw_readings(layout, damage)
    _draw_wall(layout, damage.shop, report.get("wall"))
    draw_bed(layout, damage.shop, report.get("bed"), report.get("plies"))
    _draw_reach(layout, damage.shop, report.get("reach"))


def _draw_layers(layout, damage, found):
    header, body = layout.panel("gaploft_layers", default_closed=True)
    if body is None:
        # What goes into the depth of cut is seen even when the settings are folded away.
        header.label(text=_layers_line(damage))
        return
    header.label(text="Layers")
    column = settings_column(body)
    for field, kind, text in LAYERS:
        count = len(damage.shop.read_of(kind))
        if count:
            row = column.row()
            row.active = False
            row.prop(damage, field, text=text)
            column.label(text=label("{count} readings count instead").format(count=count), icon="BLANK1")
        else:
            column.prop(damage, field, text=text)
    column.row().prop(damage, "outside", expand=True)
    column.row().prop(damage, "tight", expand=True)
    if found is not None:
        depth = span_text(found["depth_least_mm"], found["depth_most_mm"], 3)
        table(body, ((label("Depth of target"), depth),))


def _layers_line(damage):
    """Layers that are set, in one line."""
    parts = []
    for field, kind, text in LAYERS:
        name = label(text).removesuffix(" (mm)").lower()
        if damage.shop.read_of(kind):
            parts.append(label("{name} by readings").format(name=name))
        elif getattr(damage, field) or field in {"paint_mm", "cover_mm"}:
            parts.append(f"{name} {getattr(damage, field):.3g}")
    return label("Layers: {parts} mm").format(parts=", ".join(parts))


def _draw_readings(layout, damage):
    shop = damage.shop
    header, body = layout.panel("gaploft_readings", default_closed=True)
    count = len(shop.readings)
    header.label(text=label("Readings: {count}").format(count=count) if count else label("Readings"))
    if body is None:
        return
    row = body.row(align=True)
    row.operator_menu_enum("gaploft.add_reading", "kind", text="Click Readings of", icon="EYEDROPPER")
    if count:
        row = body.row()
        row.template_list("GAPLOFT_UL_readings", "", shop, "readings", shop, "reading_index", rows=3)
        row.column(align=True).operator("gaploft.remove_reading", text="", icon="REMOVE")
    row = body.row(align=True)
    row.operator("gaploft.mark_zero", text="Click Zero of Angles", icon="DRIVER_ROTATIONAL_DIFFERENCE")
    if shop.live("mark_zero") is not None:
        row.operator("gaploft.mark_zero", text="", icon="X").clear = True


def _draw_wall(layout, shop, found):
    left = label("{mm:.3f} mm left").format(mm=found["left_least_mm"]) if found else ""
    body = switched(layout, shop, "wall_on", "Wall", left)
    if body is None:
        return
    column = settings_column(body)
    count = len(shop.read_of("WALL"))
    row = column.row()
    row.active = not count
    row.prop(shop, "wall_mm", text="Thickness (mm)")
    if count:
        column.label(text=label("{count} readings count instead").format(count=count), icon="BLANK1")
    column.prop(shop, "wall_share")
    if found is None:
        return
    section = found["section"]
    table(
        body,
        (
            (label("Least wall left"), f"{found['left_least_mm']:.3f} mm"),
            (label("  at"), place_text(found["left_least_at"])),
            (label("Most taken"), f"{found['share_taken_most']:.0%}"),
            (label("Wall"), span_text(found["least_mm"], found["most_mm"], 2)),
            (label("Missing section"), f"{section['volume_mm3'] / 1000.0:.2f} cm³"),
        ),
    )


def _draw_reach(layout, shop, found):
    text = label("{mm:.3f} mm stays").format(mm=found["left_most_mm"]) if found else ""
    body = switched(layout, shop, "reach_on", "Reach", text)
    if body is None:
        return
    settings_column(body).prop(shop, "tool_radius_mm")
    if found is None:
        return
    beyond = " / ".join(f"{mm:.0f}" for mm in found["beyond_damage_mm"])
    rows = [
        (label("Out of reach"), f"{found['unreachable_mm2']:.0f} mm² ({found['unreachable_share']:.1%})"),
        (label("Left standing"), f"{found['left_most_mm']:.3f} mm"),
        (label("Beyond damage"), f"{beyond} mm"),
    ]
    radius = found["concave_radius_least_mm"]
    rows.append((label("Tightest hollow"), label("none") if radius is None else f"{radius:.1f} mm"))
    if radius is not None:
        rows.append((label("  at"), place_text(found["concave_at"])))
    table(body, rows)


def place_text(place):
    """A place of the tube as a person at the bench finds it; on a patch, in the scan's frame."""
    if place["station_mm"] is None:
        return ", ".join(f"{value:.0f}" for value in place["point_mm"]) + " mm"
    return f"{place['station_mm']:.0f} mm, {round(place['angle_deg']) % 360}°"


CLASSES = (GAPLOFT_UL_readings,)
