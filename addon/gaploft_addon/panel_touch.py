"""The sidebar: changes by hand."""

import json

import bpy

from .layout import Step, lines, table


class GAPLOFT_PT_check(Step, bpy.types.Panel):
    """Changes by hand, measured"""

    bl_label = "4 Changes by Hand"

    def draw(self, context):
        lines(
            self.layout, "If you know better: sculpt or move points of the rebuilt surface, then check again."
        )
        self.layout.operator("gaploft.recheck", icon="DRIVER_DISTANCE")
        state = context.scene.gaploft
        hand = json.loads(state.report).get("hand") if state.report else None
        if hand is None:
            return
        table(
            self.layout,
            (
                ("Largest change", f"{hand['largest_mm']:.3f} mm"),
                ("Changed area", f"{hand['area_mm2']:.0f} mm² ({hand['share']:.1%})"),
                ("Points off band", str(hand["outside_band"])),
                ("Step at the seam", f"{hand['seam_step_mm']:.3f} mm"),
            ),
        )


CLASSES = (GAPLOFT_PT_check,)
