"""The touched-up copy of a patch, moved to its guides as by a hand: through its lock."""

import numpy as np

from gaploft.errors import InputError

from . import draw, guiding, mesh_io, patch_job, surface_io, task, touch_io
from .words import told

#: How far guides have raised each point of the copy, mm; the rest of what the hand changed is kept.
RAISED = "guided"
#: Changes within this many times the rounding of single precision are none.
ROUNDING = 4.0

#: Patches ready to be bent, by the number of their damage: an aid to speed and nothing else.
_BENDS: dict[int, guiding.Bend] = {}
_MOST_BENDS = 3


def at_hand(damage):
    """The bend of the surface of a damage where it can be had at once, or None. Raises InputError."""
    known = task.known_of(damage) if has_patch(damage) else None
    if known is None:
        return None
    return ready(damage.uid, known)


def ready(uid, rebuilt):
    """The bend of a rebuild, made the first time. Raises InputError when it is no patch."""
    found = _BENDS.pop(uid, None)
    if found is None or found.rebuilt is not rebuilt:
        found = guiding.bend_of(rebuilt)
    _BENDS[uid] = found
    while len(_BENDS) > _MOST_BENDS:
        _BENDS.pop(next(iter(_BENDS)))
    return found


def forget():
    """Keep nothing."""
    _BENDS.clear()


def follow(context, damage, bend):
    """Move the touched-up copy to where its guides want it; whether any point moved. Raises InputError."""
    scene, is_new = context.scene, damage.live("touched") is None
    guides = patch_job.guides_of(scene, damage)
    if is_new and patch_job.same_guides(patch_job.guides_on(damage.live("result")), guides):
        return False
    touched = touch_io.copy_for_touching(scene, damage)
    if touched.mode != "OBJECT":
        raise InputError(told("the surface is being sculpted or edited: go back to Object Mode first"))
    try:
        if touch_io.LOCK not in touched.data.attributes:
            touch_io.set_lock(context, touched, scene.gaploft.touch.lock_mm, keep_painted=True)
        raised = bend.raised(guides, 1.0 - _values(touched.data, touch_io.LOCK))
    except InputError:
        if is_new:
            draw.remove(touched)
        raise
    if is_new:
        touch_io.show_instead(context, damage)
    moved = _move(touched, raised)
    patch_job.write_guides(touched.data, guides)
    return moved


def _move(touched, raised):
    """Raise points by so many mm along their normals in the place of what they were raised by before."""
    mesh = touched.data
    before = _values(mesh, RAISED)
    if np.array_equal(before, raised.astype(np.float32)):
        return False
    mm = float(mesh["gaploft_mm_per_unit"])
    computed, normals = (
        mesh_io.read(mesh.attributes[name].data, "vector", np.float32, 3).astype(np.float64)
        for name in ("computed", "computed_normal")
    )
    now = mesh_io.positions(mesh).astype(np.float64)
    by_hand = now - computed - (before / mm)[:, None] * normals
    still = ROUNDING * np.finfo(np.float32).eps * np.abs(computed).max(initial=0.0)
    by_hand[np.linalg.norm(by_hand, axis=1) <= still] = 0.0
    raised = raised.astype(np.float32).astype(np.float64)  # as it is kept, so that it can be taken back
    touch_io.put_values(touched, RAISED, raised)
    touch_io.put_points(touched, computed + (raised / mm)[:, None] * normals + by_hand)
    return True


def given_back(damage, obj, surface, given_mm):
    """Points went back towards where they were computed, (n, 3) mm: so did what guides raised them by."""
    if RAISED not in obj.data.attributes:
        return
    before = np.linalg.norm(surface.current_mm - surface.computed_mm, axis=1)
    after = np.linalg.norm(given_mm - surface.computed_mm, axis=1)
    left = np.divide(after, before, out=np.zeros_like(after), where=before > 0.0)
    touch_io.put_values(obj, RAISED, left * _values(obj.data, RAISED))
    if not after.any():
        patch_job.write_guides(obj.data, patch_job.guides_on(damage.live("result") or obj))


def _values(mesh, name):
    """A number for each point, (n,) float64; zeros where there is no such attribute. In Object Mode."""
    attribute = mesh.attributes.get(name)
    if attribute is None:
        return np.zeros(len(mesh.vertices))
    return mesh_io.read(attribute.data, "value", np.float32, 1).astype(np.float64)


def has_patch(damage):
    """Whether the surface of a damage is a patch, by its mesh alone."""
    result = damage.live("result")
    return result is not None and surface_io.ORIGIN in result.data.attributes
