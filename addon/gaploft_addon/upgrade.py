"""From the state as an earlier release kept it in a file to that of today, when the file is opened."""

import json

import bpy
import numpy as np
from bpy.app.handlers import persistent

from . import surface_io
from .damage_state import SETTINGS
from .properties import VERSION
from .shop_job import NOTHING

#: What version 1 kept once for the whole scene, where now each damage of a list has its own.
OF_ONE_DAMAGE = (
    *SETTINGS,
    *("mark_from", "mark_to", "damaged_area", "result", "report", "built_with"),
)
#: How many numbers version 2 kept of damage and settings.
BUILT_WITH_2 = 13
DEPTH_2 = "gaploft_depth_mm"
HALVES = ("HOLD", "FROM", "TO")


def kept_values(scene):
    """What a scene holds of our state, also under names that today's state does not know; a dict or None."""
    # Since Blender 5.0 the values of registered properties lie apart from a scene's own.
    holder = scene.bl_system_properties_get() if hasattr(scene, "bl_system_properties_get") else scene
    group = None if holder is None else holder.get("gaploft")
    return None if group is None else dict(group.items())


def upgrade(scene):
    """Bring one scene up to date; True when there was something to do.

    From versions 3 and 4 there is nothing to bring over: where the shape came from, and for a patch, was not
    asked, and what is not asked for is the plain way.
    """
    state, kept = scene.gaploft, kept_values(scene)
    if state.version >= VERSION or not kept:
        return False
    if any(name in kept for name in OF_ONE_DAMAGE):
        _first_of_list(state, kept)
    for damage in state.damages:
        _without_workshop(damage)
    state.version = VERSION
    return len(state.damages) > 0


def _first_of_list(state, kept):
    """From version 1: what was one damage becomes the first of the list."""
    damage = state.add_damage()
    for name in OF_ONE_DAMAGE:
        if name in kept:
            value = kept[name]
            setattr(damage, name, HALVES[value] if name == "halves" else value)


def _without_workshop(damage):
    """From version 2: what was built asked for nothing of the workshop, since there was nothing to ask.

    Its surface lies at one depth below the outer one, which the mesh told as one number.
    """
    for surface in (damage.result, damage.touched):
        if surface is not None and surface_io.DEPTH not in surface.data.attributes:
            count, depth_mm = len(surface.data.vertices), float(surface.data.get(DEPTH_2, 0.0))
            surface_io.write_depth(surface.data, np.full(count, depth_mm))
    built = json.loads(damage.built_with) if damage.built_with else []
    if len(built) == BUILT_WITH_2:
        damage.built_with = json.dumps([*built, *NOTHING])


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
