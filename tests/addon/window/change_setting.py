"""A scripted window session: a changed setting brings the surface up to date, and hand work is safe.

`driver.py` says how to run it.
"""

import sys
from pathlib import Path

import bpy

sys.path.insert(0, str(Path(__file__).resolve().parent))

from driver import in_view, play, running, state, undo_step, until

from blender_scan import marked  # found through the driver


def depth_mm():
    """How far the target of the last rebuild lies below the outer surface; None without one."""
    result = state().live("result")
    return None if result is None else round(result.data["gaploft_deepest_mm"], 3)


def steps():
    """The session."""
    bpy.ops.wm.read_homefile()
    yield 1.0
    with in_view():
        marked()
    undo_step("marked")
    yield 0.5
    state().cover_mm = 0.1
    yield 2.0
    assert running() is None, "nothing was rebuilt yet, so nothing is to be done again"

    with in_view():
        assert bpy.ops.gaploft.rebuild("INVOKE_DEFAULT") == {"RUNNING_MODAL"}
    yield from until(lambda: running() is None and depth_mm() is not None, "the rebuild")
    assert depth_mm() == 0.1
    state().cover_mm = 0.3
    yield 0.2
    state().cover_mm = 0.4  # as a number that is dragged
    yield from until(lambda: running() is None and depth_mm() == 0.4, "the surface to follow")

    state().damage.shop.wall_on = True
    yield 2.0
    assert state().live("result") is not None, "a wall that was not measured yet takes nothing away"
    state().damage.shop.wall_mm = 1.2
    yield from until(lambda: running() is None and state().damage.live("inner") is not None, "the wall")

    state().update_live = False
    state().cover_mm = 0.2
    yield 2.0
    assert depth_mm() == 0.4, "switched off, nothing follows"
    state().update_live = True

    with in_view():
        assert bpy.ops.gaploft.touch_up("INVOKE_DEFAULT") == {"FINISHED"}
    yield 1.0
    state().cover_mm = 0.6
    yield 2.0
    assert depth_mm() == 0.4, "a surface that a hand works on is not taken away"


play(steps())
