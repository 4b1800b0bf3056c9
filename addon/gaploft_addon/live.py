"""Rebuilding on its own when a setting was changed, once the person has stopped changing it."""

import bpy

#: A number that is being dragged changes many times a second.
PAUSE_S = 0.6


def settings_changed(damage, context):
    """Ask for a rebuild of what was rebuilt before; Blender calls this whenever a setting changes."""
    scene = damage.id_data
    if bpy.app.background or context is None or context.scene != scene:
        return
    if not scene.gaploft.update_live or damage.live("result") is None or damage.live("touched") is not None:
        return
    if bpy.app.timers.is_registered(rebuild_soon):
        bpy.app.timers.unregister(rebuild_soon)
    bpy.app.timers.register(rebuild_soon, first_interval=PAUSE_S)


def part_changed(part, context):
    """The same for what is set in a part of a damage, such as one reading: the one worked on is meant."""
    damage = part.id_data.gaploft.damage
    if damage is not None:
        settings_changed(damage, context)


def rebuild_soon():
    """Start the rebuild from a timer, in the first window that shows a 3D view."""
    for window in bpy.context.window_manager.windows:
        area = next((area for area in window.screen.areas if area.type == "VIEW_3D"), None)
        if area is None:
            continue
        with bpy.context.temp_override(window=window, area=area):
            rebuild = bpy.ops.gaploft.rebuild  # type: ignore[attr-defined]
            if rebuild.poll():
                rebuild("INVOKE_DEFAULT", as_changed=True)
        return


def register():
    """Nothing to put in place."""


def unregister():
    """Take a rebuild back that was still to come."""
    if bpy.app.timers.is_registered(rebuild_soon):
        bpy.app.timers.unregister(rebuild_soon)
