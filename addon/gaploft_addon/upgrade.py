"""From the state as an earlier release kept it in a file to that of today, when the file is opened."""

import bpy
from bpy.app.handlers import persistent

from .damage_state import SETTINGS
from .properties import VERSION

#: What version 1 kept once for the whole scene, where now each damage of a list has its own.
OF_ONE_DAMAGE = (
    *SETTINGS,
    *("mark_from", "mark_to", "damaged_area", "result", "report", "built_with"),
)
HALVES = ("HOLD", "FROM", "TO")


def kept_values(scene):
    """What a scene holds of our state, also under names that today's state does not know; a dict or None."""
    # Since Blender 5.0 the values of registered properties lie apart from a scene's own.
    holder = scene.bl_system_properties_get() if hasattr(scene, "bl_system_properties_get") else scene
    group = None if holder is None else holder.get("gaploft")
    return None if group is None else dict(group.items())


def upgrade(scene):
    """Bring one scene up to date; True when there was something to do."""
    state, kept = scene.gaploft, kept_values(scene)
    if state.version >= VERSION or not kept or not any(name in kept for name in OF_ONE_DAMAGE):
        return False
    damage = state.add_damage()
    for name in OF_ONE_DAMAGE:
        if name in kept:
            value = kept[name]
            setattr(damage, name, HALVES[value] if name == "halves" else value)
    return True


@persistent
def on_load(_file):
    """Bring all scenes of the file that was opened up to date."""
    for scene in bpy.data.scenes:
        upgrade(scene)


def register():
    """Watch files being opened."""
    bpy.app.handlers.load_post.append(on_load)


def unregister():
    """Watch no more."""
    bpy.app.handlers.load_post.remove(on_load)
