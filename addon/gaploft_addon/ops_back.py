"""Operator: give a region that was changed by hand back to where it was computed."""

import bpy
import numpy as np
from bpy.props import EnumProperty, FloatProperty

from gaploft.errors import GeometryError, InputError
from gaploft.evidence.hand_back import given_back
from gaploft.evidence.hand_moves import moves, strayed

from . import draw, guide_move, mesh_io, ops_recheck, polls, region_io, surface_io, touch_io
from .words import told

REGIONS = (
    ("ALL", "All", "The whole surface, also when it was moved as an object"),
    ("SELECTED", "Selected", "The points selected in Edit Mode"),
    (
        "OUTSIDE",
        "Off the Band",
        "All points that left their 95 % band, and those of the intact overlap that were moved",
    ),
    ("PAINTED", "Marked", "What was painted with the brush Mark in Sculpt Mode"),
)
#: What is missing when a region is empty.
EMPTY = {
    "SELECTED": "no point is selected: select some in Edit Mode",
    "PAINTED": "nothing is marked: paint over the region with the brush Mark first",
}


class GAPLOFT_OT_back_to_computed(bpy.types.Operator):
    """Give a region that was changed by hand back to where it was computed"""

    bl_idname = "gaploft.back_to_computed"
    bl_label = "Back to Computed"
    bl_options = {"REGISTER", "UNDO"}

    region: EnumProperty(name="Region", description="Which points go back", items=REGIONS)
    feather_mm: FloatProperty(
        name="Feather (mm)",
        description="Around the region, the change by hand fades over this distance along the surface, in "
        "millimetres, so that no step stays",
        default=3.0,
        min=0.0,
        max=100.0,
        precision=1,
    )

    @classmethod
    def description(cls, _context, properties):
        tips = {key: tip for key, _, tip in REGIONS}
        what = told(tips[properties.region])
        return told("Give back to where it was computed: {what}").format(what=what)

    @classmethod
    def poll(cls, context):
        return polls.surface_there(cls, context)

    def execute(self, context):
        damage = context.scene.gaploft.damage
        context.view_layer.update()
        try:
            with touch_io.busy(context):
                count = _give_back(context, damage, self.region, self.feather_mm)
                changes = ops_recheck.check(damage)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        text = told("{count} points are back where they were computed. {rest}")
        self.report({"INFO"}, text.format(count=count, rest=ops_recheck.sentence(changes)))
        return {"FINISHED"}


def _give_back(context, damage, region, feather_mm):
    """Move a region's points back; return how many points it has. Raises InputError."""
    obj, scan = damage.surface, context.scene.gaploft.live("scan")
    surface = surface_io.surface_arrays(obj, None)
    inside = _region(obj, surface, region)
    if region in EMPTY and not inside.any():
        raise InputError(told(EMPTY[region]))
    is_moved = (
        mesh_io.moved_as_object(surface.current_mm, obj, scan, surface.mm_per_unit) is not surface.current_mm
    )
    if is_moved and region != "ALL":
        raise InputError(
            f"'{obj.name}' was moved as an object, so no part of it can go back alone: undo that or give all "
            "back"
        )
    given = given_back(surface.computed_mm, surface.current_mm, inside, surface.facets, feather_mm)
    with touch_io.object_mode(context, obj):
        touch_io.put_points(obj, given / surface.mm_per_unit)
        guide_move.given_back(damage, obj, surface, given)
        if region == "PAINTED":
            touch_io.take_painting_back(obj)
    if is_moved:
        draw.attach(context.scene, obj, scan)
        context.view_layer.update()
    return int(inside.sum())


def _region(obj, surface, region):
    """The points of a region, (n,) bool."""
    if region == "SELECTED":
        return region_io.selected_vertices(obj)
    if region == "PAINTED":
        return touch_io.painted_beyond_lock(obj)
    if region == "OUTSIDE":
        found = moves(surface.computed_mm, surface.current_mm, surface.normals)
        return strayed(found, surface.band95_mm, surface.zone)
    return np.ones(len(surface.computed_mm), dtype=bool)


CLASSES = (GAPLOFT_OT_back_to_computed,)
