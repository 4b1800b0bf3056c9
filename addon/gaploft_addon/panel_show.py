"""The sidebar: seeing how far the surface can be trusted, and where it was changed."""

import bpy

from . import section_data, shown_values
from .layout import Step, settings_column
from .ops_show import PARTS, part_of
from .show_state import SHOWN
from .words import label


class GAPLOFT_PT_show(Step, bpy.types.Panel):
    """What the rebuilt surface shows, and the scan beside it"""

    bl_label = "4 Look"

    def draw(self, context):
        state = context.scene.gaploft
        _draw_values(self.layout, context.scene)
        _draw_parts(self.layout, state.damage)
        column = settings_column(self.layout)
        column.active = bool(shown_values.surfaces(context.scene))
        column.prop(state.show, "tolerance_mm")
        if state.show.shown == "STOCK":
            column.prop(state.show, "stock_range_mm")
        if state.show.shown == "DIFFERENCE":
            _draw_others(column, context.scene)
        column.row().prop(state.show, "scan_look", expand=True)
        if state.damage is not None and state.damage.shop.readings:
            column.prop(state.show, "readings_on")
        column.prop(state.show, "section_on")
        if state.show.section_on and column.active:
            _draw_section(column, context.scene)


def _draw_values(layout, scene):
    """A button for each kind of values; the one that is shown is pressed, and plain when pressed again."""
    show = scene.gaploft.show
    grid = layout.grid_flow(row_major=True, columns=3, even_columns=True, align=True)
    for name, text, _, icon, _ in SHOWN:
        if name in shown_values.ASKED_FOR and not shown_values.can_show(scene, name):
            continue
        pressed = show.shown == name
        button = grid.operator("gaploft.show_values", text=label(text), icon=icon, depress=pressed)
        button.shown = "NONE" if pressed else name


def _draw_others(column, scene):
    """A button for each way that the surface may be held against."""
    there = shown_values.differences(scene)
    if len(there) > 1:
        row = column.row(align=True)
        for way in there:
            row.prop_enum(scene.gaploft.show, "difference_to", way.upper())


def _draw_parts(layout, damage):
    """A button for each mesh of the damage that can be looked at, where there is more than the surface."""
    there = [part for part in PARTS if damage is not None and part_of(damage, part[0]) is not None]
    if len(there) < 2:
        return
    row = layout.row(align=True)
    for name, text, _ in there:
        pressed = part_of(damage, name).visible_get()
        row.operator("gaploft.show_part", text=label(text), depress=pressed).part = name


def _draw_section(column, scene):
    show = scene.gaploft.show
    column.prop(show, "section_share", slider=True)
    column.prop(show, "section_station_mm")
    length = column.row()
    length.alignment = "RIGHT"
    length.label(text=label("of {length:.1f} mm").format(length=section_data.length_mm(scene)))
    column.prop(show, "section_factor")
    column.prop(show, "section_comb")


CLASSES = (GAPLOFT_PT_show,)
