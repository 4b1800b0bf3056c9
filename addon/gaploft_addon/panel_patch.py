"""The sidebar, under the rebuild: the patch over damage that no tube leads across."""

import bpy

from . import guide_live, guide_move
from .layout import lines, sentence_case
from .patch_state import USES
from .words import label


class GAPLOFT_UL_creases(bpy.types.UIList):
    """Edges that the patch is to have: the curve along each, and its radius"""

    def draw_item(self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "curve", text="", emboss=False)
        row.prop(item, "radius_mm", text="", emboss=False)


class GAPLOFT_UL_guides(bpy.types.UIList):
    """Places that the patch is to pass through"""

    def draw_item(self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0):
        mark = data.live(item.mark)
        if mark is None:
            layout.label(text="Deleted", icon="ERROR")
        else:
            layout.prop(mark, "name", text="", emboss=False, icon="EMPTY_AXIS")


def draw_patch(layout, damage):
    """All of it, folded away until it is wanted."""
    patch = damage.patch
    header, body = layout.panel("gaploft_patch", default_closed=True)
    if body is None and patch.use != "AUTO":
        name = next(name for use, name, _ in USES if use == patch.use)
        header.label(text=label("Junction Patch: {use}").format(use=label(name).lower()))
    else:
        header.label(text="Junction Patch")
    if body is None:
        return
    body.prop(patch, "use", text="")
    column = body.column()
    column.active = patch.use != "NEVER"
    column.label(text="Creases along curves, with radius in mm:")
    _draw_list(column, patch, "crease", "creases")
    column.label(text="Guides, added at the 3D cursor:")
    _draw_list(column, patch, "guide", "guides")
    if not guide_move.has_patch(damage):
        return
    column.prop(patch, "follow")
    column.operator("gaploft.solve_guides", icon="FORCE_CURVE")
    if guide_live.trouble(damage):
        lines(column, sentence_case(guide_live.trouble(damage)), icon="ERROR")


def _draw_list(layout, patch, one, many):
    """A list with its two buttons."""
    row = layout.row()
    row.template_list(f"GAPLOFT_UL_{many}", "", patch, many, patch, f"{one}_index", rows=2)
    buttons = row.column(align=True)
    buttons.operator(f"gaploft.add_{one}", text="", icon="ADD")
    buttons.operator(f"gaploft.remove_{one}", text="", icon="REMOVE")


CLASSES = (GAPLOFT_UL_creases, GAPLOFT_UL_guides)
