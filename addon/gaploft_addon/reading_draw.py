"""Readings of the damage that is worked on, drawn where they were taken."""

from typing import Any

import bpy
from bpy_extras import view3d_utils
from mathutils import Vector

from . import mesh_io, pens

#: Sizes in pixels at scale 1.
DOT, ASIDE, TEXT_HEIGHT = 7.0, 7.0, 14.0
INK = {
    "WALL": (0.96, 0.62, 0.28, 1.0),
    "PAINT": (0.45, 0.76, 0.93, 1.0),
    "FILLER": (0.80, 0.70, 0.93, 1.0),
    "COVER": (0.60, 0.86, 0.55, 1.0),
    "OTHER": (0.93, 0.93, 0.93, 1.0),
}
_HANDLES: list[object] = []


def draw():
    """Draw dots and figures into the 3D view that Blender is drawing."""
    context: Any = bpy.context
    scene, region = context.scene, context.region
    state = scene.gaploft
    damage, scan = state.damage, state.live("scan")
    if damage is None or scan is None or not damage.shop.readings or not state.show.readings_on:
        return
    if not context.space_data.overlay.show_overlays:
        return
    scale, placed = context.preferences.system.ui_scale, mesh_io.placement(scan)
    for number, reading in enumerate(damage.shop.readings, start=1):
        at = view3d_utils.location_3d_to_region_2d(
            region, context.region_data, placed @ Vector(reading.place)
        )
        if at is not None:
            sheet(pens.Place(round(at.x), round(at.y), scale), number, reading).made().draw()


def sheet(place, number, reading):
    """One reading at a place: a dot, and beside it its number and figure."""
    paper = pens.Sheet(place)
    text = f"{number}: {reading.value_mm:.3f} mm"
    width = pens.text_width(text, place.scale) / place.scale
    paper.box(-DOT / 2 - 1.5, -DOT / 2 - 1.5, DOT / 2 + 1.5, DOT / 2 + 1.5, pens.PAPER)
    paper.box(-DOT / 2, -DOT / 2, DOT / 2, DOT / 2, INK[reading.kind])
    left = ASIDE + 2.0
    paper.box(left, -TEXT_HEIGHT / 2 - 2.0, left + width + 8.0, TEXT_HEIGHT / 2 + 1.0, pens.PAPER)
    paper.text(text, left + 4.0, -4.0, INK[reading.kind])
    return paper


def register():
    """Draw into all 3D views."""
    _HANDLES.append(pens.handle(draw, "POST_PIXEL"))


def unregister():
    """Draw no more."""
    while _HANDLES:
        pens.unhandle(_HANDLES.pop())
