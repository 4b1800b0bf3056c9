"""The sidebar: touching up by hand, and what the hand changed."""

import json

import bpy

from . import brushes
from .layout import Step, lines, table
from .ops_touch import is_touching
from .words import label


class GAPLOFT_PT_touch(Step, bpy.types.Panel):
    """The surface touched up by hand, and what the hand changed"""

    bl_label = "5 Touch Up"

    def draw(self, context):
        state = context.scene.gaploft
        if is_touching(context):
            _draw_touching(self.layout, context)
        else:
            row = self.layout.row()
            row.scale_y = 1.5
            row.operator("gaploft.touch_up", icon="SCULPTMODE_HLT")
            self.layout.prop(state.touch, "lock_mm")
        if state.damage is None or state.damage.surface is None:
            return
        _draw_back(self.layout, context)
        self.layout.operator("gaploft.recheck", icon="DRIVER_DISTANCE")
        hand = json.loads(state.report).get("hand") if state.report else None
        if hand is not None:
            _draw_changes(self.layout, hand)


def _draw_touching(layout, context):
    touch, in_hand = context.scene.gaploft.touch, brushes.active_kind(context)
    row = layout.row()
    row.scale_y = 1.5
    row.operator("gaploft.touch_done", icon="CHECKMARK")
    grid = layout.grid_flow(row_major=True, columns=3, even_columns=True, align=True)
    for key, kind in brushes.KINDS.items():
        button = grid.operator(
            "gaploft.touch_brush", text=label(kind.label), icon=kind.icon, depress=key == in_hand
        )
        button.kind = key
    column = layout.column(align=True)
    if context.tool_settings.sculpt.brush is not None:
        holder, name, text = brushes.size_setting(context)
        column.prop(holder, name, text=label(text))
        column.prop(context.tool_settings.sculpt.brush, "strength", slider=True)
    column.prop(touch, "layer_mm")
    row = layout.row(align=True)
    row.prop(touch, "lock_mm")
    row.operator("gaploft.lock_rim", text="", icon="LOCKED")
    lines(layout, label("Smooth with the brush here: Blender's own, on Shift, pulls round walls inwards."))


def _draw_back(layout, context):
    touch = context.scene.gaploft.touch
    layout.label(text="Back to computed:")
    row = layout.row(align=True)
    regions = [("ALL", "All"), ("OUTSIDE", "Off the Band")]
    if context.mode == "EDIT_MESH":
        regions.append(("SELECTED", "Selected"))
    if context.mode == "SCULPT":
        regions.append(("PAINTED", "Marked"))
    for region, text in regions:
        button = row.operator("gaploft.back_to_computed", text=label(text))
        button.region, button.feather_mm = region, touch.feather_mm
    layout.prop(touch, "feather_mm")


def _draw_changes(layout, hand):
    if not hand["moved_points"]:
        lines(layout, label("Nothing was changed by hand."))
        return
    inwards, outwards = hand["normal_mm"]
    table(
        layout,
        (
            (label("Inwards, outwards"), f"{inwards:.3f}, {outwards:.3f} mm"),
            (label("Mean size"), f"{hand['mean_mm']:.3f} mm"),
            (label("Changed area"), f"{hand['area_mm2']:.0f} mm² ({hand['share']:.1%})"),
            *((label("  over {mm:g} mm").format(mm=mm), f"{area:.0f} mm²") for mm, area in hand["area_over"]),
            (label("Points off band"), f"{hand['outside_band']}"),
            (label("Step at seams"), f"{hand['seam_step_mm']:.3f} mm"),
            (label("Angle at seams"), f"{hand['seam_angle_deg']:.2f}°"),
            (label("Overlap moved"), f"{hand['overlap_mm']:.3f} mm"),
        ),
    )
    if hand["seam_holds"]:
        lines(layout, label("The seams hold."), icon="CHECKMARK")
    else:
        lines(layout, label("A seam no longer holds."), icon="ERROR")


CLASSES = (GAPLOFT_PT_touch,)
