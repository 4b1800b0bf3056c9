"""Colours and drawings kept up to date: after hand work, undo, and opening a file."""

from typing import Any

import bpy
from bpy.app.handlers import persistent

from gaploft.errors import InputError

from . import look, overlay, section_data, shown_values

#: A stroke tells of itself many times; the colours follow once it has ended and rests this long.
PAUSE_S = 0.1
STROKE = "SCULPT_OT_"
#: What hand work changes.
FOLLOWING = ("HAND", "SCAN", "DEPTH", "WALL")


@persistent
def on_change(scene, depsgraph):
    """Blender calls this after any change; almost always it is none of ours."""
    if not _surface_changed(scene, depsgraph):
        return
    section_data.grown_old()
    if scene.gaploft.show.shown in FOLLOWING and not bpy.app.timers.is_registered(paint_soon):
        bpy.app.timers.register(paint_soon, first_interval=PAUSE_S)


def paint_soon():
    """Paint from a timer, since a handler must not change what it is told about."""
    scene: Any = bpy.context.scene
    if scene is None or scene.gaploft.show.shown not in FOLLOWING:
        return None
    if _in_stroke():
        return PAUSE_S
    try:
        if overlay.outdated(scene):
            overlay.paint(scene)
            overlay.redraw()
    except InputError:  # points were added or removed: the check says so when asked
        return None
    return None


def _in_stroke():
    """Whether a brush is on a surface just now."""
    return any(
        operator.bl_idname.startswith(STROKE)
        for window in bpy.context.window_manager.windows
        for operator in window.modal_operators
    )


@persistent
def on_other_state(*_):
    """After undo, redo or opening a file nothing that was kept is right any more."""
    overlay.forget()
    section_data.forget()
    scene = bpy.context.scene
    if scene is not None and shown_values.surfaces(scene):
        look.set_shading(scene)
        section_data.want(scene)


def _surface_changed(scene, depsgraph):
    """Whether points of one of our surfaces may have moved.

    Sculpting tells of another look only, not of another shape.
    """
    ours = {obj.name for obj in shown_values.surfaces(scene)}
    return any(
        isinstance(update.id, bpy.types.Object)
        and (update.is_updated_geometry or (update.is_updated_shading and update.id.mode == "SCULPT"))
        and update.id.name in ours
        for update in depsgraph.updates
    )


def _handlers():
    after = bpy.app.handlers
    yield after.depsgraph_update_post, on_change
    for moment in (after.undo_post, after.redo_post, after.load_post):
        yield moment, on_other_state


def register():
    """Watch changes, undo, and files being opened."""
    for moment, handler in _handlers():
        moment.append(handler)


def unregister():
    """Watch no more."""
    for moment, handler in _handlers():
        moment.remove(handler)
    if bpy.app.timers.is_registered(paint_soon):
        bpy.app.timers.unregister(paint_soon)
    overlay.forget()
    section_data.forget()
