"""Operators: what the colours of the surface show, by a click or step by step with a key."""

from typing import Literal

import bpy
from bpy.props import EnumProperty

from gaploft.errors import GeometryError

from . import look, overlay, polls, shown_values
from .show_state import SHOWN
from .words import label, told

#: Free in Blender's own keys for Object and Sculpt Mode, from 4.2 to 5.2.
KEY: Literal["J"] = "J"
MODES = ("Object Mode", "Sculpt")

#: What is to be done before values can be shown.
MISSING = {
    "DEPTH": "The target has no layers: set their thickness under 3 Rebuild, or look at something else",
    "WALL": "The wall is not known: switch it on under 3 Rebuild and rebuild",
    "REACH": "The tool is not known: switch Reach on under 3 Rebuild and rebuild",
    "STOCK": "No part was measured: check the stock under 7 Stock first",
    "CORRECTION": "The shape was taken from no other part: see Where the Shape Comes From under 3 Rebuild",
    "ORIGIN": "The surface is no patch: see Junction Patch under 3 Rebuild",
    "DIFFERENCE": "No other way was tried: see Where the Shape Comes From under 3 Rebuild",
}

_KEYMAPS: list[tuple[bpy.types.KeyMap, bpy.types.KeyMapItem]] = []


class GAPLOFT_OT_show_values(bpy.types.Operator):
    """Show values as colours on the rebuilt surface. Pressed once more, the surface is plain again"""

    bl_idname = "gaploft.show_values"
    bl_label = "Show Values"
    bl_options = {"REGISTER", "UNDO"}

    shown: EnumProperty(
        name="Values", description="What the colours of the surface show", items=SHOWN, default="NONE"
    )

    @classmethod
    def description(cls, _context, properties):
        return next(label(text) for name, _, text, *_ in SHOWN if name == properties.shown)

    @classmethod
    def poll(cls, context):
        if not shown_values.surfaces(context.scene):
            return polls.refused(cls, "Rebuild the surface first")
        return True

    def execute(self, context):
        show = context.scene.gaploft.show
        if self.shown == "STRIPES" and look.stripes() is None:
            self.report({"ERROR"}, told("This Blender has no picture for stripes: look at the sections"))
            return {"CANCELLED"}
        if not shown_values.can_show(context.scene, self.shown):
            self.report({"ERROR"}, told(MISSING[self.shown]))
            return {"CANCELLED"}
        before, show.shown = show.shown, self.shown
        try:
            overlay.paint(context.scene)
        except GeometryError as error:
            show.shown = before
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        look.set_shading(context.scene)
        overlay.redraw()
        return {"FINISHED"}


class GAPLOFT_OT_show_next(bpy.types.Operator):
    """Show the next values on the rebuilt surface: scan, band, zone, change by hand and so on, then plain"""

    bl_idname = "gaploft.show_next"
    bl_label = "Show Next Values"
    bl_options = {"REGISTER", "UNDO"}

    poll = GAPLOFT_OT_show_values.poll

    def execute(self, context):
        names = [name for name, *_ in SHOWN if _can_show(context.scene, name)]
        now = context.scene.gaploft.show.shown
        following = names[(names.index(now) + 1) % len(names)] if now in names else names[0]
        return bpy.ops.gaploft.show_values(shown=following)  # type: ignore[attr-defined]


PARTS = (
    ("SURFACE", "Target", "Show the surface that is machined"),
    ("INNER", "Inner", "Show the inner surface of the tube, for a mandrel or a bladder"),
    ("SECTION", "Missing", "Show the closed solid of the laminate that is missing"),
    ("BED", "Bed", "Show the surface to be ground before the lay-up"),
)


class GAPLOFT_OT_show_part(bpy.types.Operator):
    """Show one of the meshes of this damage and hide the others"""

    bl_idname = "gaploft.show_part"
    bl_label = "Show Part"
    bl_options = {"REGISTER", "UNDO"}

    part: EnumProperty(name="Part", description="Which mesh to show", items=PARTS)

    @classmethod
    def description(cls, _context, properties):
        return next(label(text) for name, _, text in PARTS if name == properties.part)

    @classmethod
    def poll(cls, context):
        return polls.surface_there(cls, context) and polls.object_mode(cls, context)

    def execute(self, context):
        damage = context.scene.gaploft.damage
        parts = {name: part_of(damage, name) for name, *_ in PARTS}
        if parts[self.part] is None:
            self.report({"ERROR"}, told("There is no such part: switch it on under 3 Rebuild and rebuild"))
            return {"CANCELLED"}
        for name, part in parts.items():
            if part is not None and part.name in context.view_layer.objects:
                part.hide_set(name != self.part)
                part.show_in_front = name == self.part and context.scene.gaploft.show.ghost is not None
        return {"FINISHED"}


def part_of(damage, name):
    """The object of a part, or None."""
    return damage.surface if name == "SURFACE" else damage.live(name.lower())


def _can_show(scene, name):
    return look.stripes() is not None if name == "STRIPES" else shown_values.can_show(scene, name)


def register():
    """The key, in a keymap of our own that Blender's preferences list."""
    keys = bpy.context.window_manager.keyconfigs.addon
    if keys is None:  # without a window there are no keys
        return
    for mode in MODES:
        keymap = keys.keymaps.new(name=mode)
        _KEYMAPS.append((keymap, keymap.keymap_items.new("gaploft.show_next", KEY, "PRESS")))


def unregister():
    """Take the key away."""
    for keymap, item in _KEYMAPS:
        keymap.keymap_items.remove(item)
    _KEYMAPS.clear()


CLASSES = (GAPLOFT_OT_show_values, GAPLOFT_OT_show_next, GAPLOFT_OT_show_part)
