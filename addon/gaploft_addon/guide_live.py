"""Patches that follow their guides while these are dragged."""

from contextlib import suppress
from typing import Any

import bpy
from bpy.app.handlers import persistent

from gaploft.errors import InputError

from . import guide_move, ops_recheck, overlay, patch_job
from .background import redraw_sidebars
from .ops_rebuild import GAPLOFT_OT_rebuild
from .words import told

#: What was changed is measured once a guide rests this long.
PAUSE_S = 0.5
DRAG = "TRANSFORM_OT_"

#: Numbers of the damages whose guides were moved, and of those whose report is to tell of it.
_WAITING: set[int] = set()
_UNCHECKED: set[int] = set()
#: Why a patch does not follow, by the number of its damage.
_TROUBLE: dict[int, str] = {}


def trouble(damage):
    """Why the patch of a damage does not follow its guides; an empty text where it does."""
    return _TROUBLE.get(damage.uid, "")


def settled(damage):
    """The patch of a damage was moved to its guides in another way."""
    _WAITING.discard(damage.uid)
    _UNCHECKED.discard(damage.uid)
    _TROUBLE.pop(damage.uid, None)


def want(damage):
    """Have the patch of a damage follow soon, where it does; True when it will."""
    if bpy.app.background or not damage.patch.follow or not guide_move.has_patch(damage):
        return False
    _WAITING.add(damage.uid)
    if not bpy.app.timers.is_registered(follow_soon):
        bpy.app.timers.register(follow_soon, first_interval=0.0)
    return True


@persistent
def on_change(scene, depsgraph):
    """Blender calls this after any change; almost always it is none of ours."""
    damages = [damage for damage in scene.gaploft.damages if damage.patch.follow and damage.patch.guides]
    if not damages:
        return
    moved = {
        update.id.name
        for update in depsgraph.updates
        if isinstance(update.id, bpy.types.Object) and update.is_updated_transform
    }
    for damage in damages:
        if moved.intersection(mark.name for mark in patch_job.marks_of(damage)):
            want(damage)


def follow_soon():
    """Follow from a timer, since a handler must not change what it is told about."""
    scene: Any = bpy.context.scene
    uids = list(_WAITING)
    _WAITING.clear()
    if scene is None or GAPLOFT_OT_rebuild.running is not None:
        return None
    for damage in (scene.gaploft.damage_of(uid) for uid in uids):
        touched = damage and damage.live("touched")
        if damage is not None and (touched is None or touched.mode == "OBJECT"):
            follow(bpy.context, damage)
    overlay.redraw()
    return 0.0 if _WAITING else None  # a guide may have moved on while its last place was followed


def follow(context, damage):
    """Let one patch follow, or remember why it does not."""
    before = trouble(damage)
    _TROUBLE.pop(damage.uid, None)
    try:
        bend = guide_move.at_hand(damage)
        if bend is None:
            raise InputError(told("the rebuild of this surface is not at hand any more: press Solve Guides"))
        if guide_move.follow(context, damage, bend):
            _UNCHECKED.add(damage.uid)
            if not bpy.app.timers.is_registered(check_soon):
                bpy.app.timers.register(check_soon, first_interval=PAUSE_S)
    except InputError as error:
        _TROUBLE[damage.uid] = str(error)
    if trouble(damage) != before:
        redraw_sidebars()


def check_soon():
    """Measure what the guides changed, for the report, once no guide is dragged any more."""
    scene: Any = bpy.context.scene
    if scene is None or _WAITING or _dragged():
        return PAUSE_S
    for damage in (scene.gaploft.damage_of(uid) for uid in _UNCHECKED):
        if damage is not None and damage.live("touched") is not None and damage.report:
            with suppress(InputError):  # points were added or removed: the check says so when asked
                ops_recheck.check(damage)
    _UNCHECKED.clear()
    redraw_sidebars()
    return None


def _dragged():
    """Whether an object is being moved just now."""
    return any(
        operator.bl_idname.startswith(DRAG)
        for window in bpy.context.window_manager.windows
        for operator in window.modal_operators
    )


@persistent
def on_undo(*_):
    """A step holds a drag, and perhaps not all of what followed it: a copy that is there follows again."""
    scene: Any = bpy.context.scene
    for damage in scene.gaploft.damages if scene is not None else ():
        if damage.patch.guides and damage.live("touched") is not None:
            want(damage)


@persistent
def on_other_file(*_):
    """In another file nothing that was kept is right any more."""
    _WAITING.clear()
    _UNCHECKED.clear()
    _TROUBLE.clear()
    guide_move.forget()


def _handlers():
    after = bpy.app.handlers
    yield after.depsgraph_update_post, on_change
    yield after.load_post, on_other_file
    for moment in (after.undo_post, after.redo_post):
        yield moment, on_undo


def register():
    """Watch guides being moved, and files being opened."""
    for moment, handler in _handlers():
        moment.append(handler)


def unregister():
    """Watch no more."""
    for moment, handler in _handlers():
        moment.remove(handler)
    for timer in (follow_soon, check_soon):
        if bpy.app.timers.is_registered(timer):
            bpy.app.timers.unregister(timer)
    on_other_file()
