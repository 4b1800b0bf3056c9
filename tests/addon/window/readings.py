"""A scripted window session: readings typed and clicked on the tube, the zero of angles, marks of a frame.

`driver.py` says how to run it.
"""

import sys
from pathlib import Path

import bpy
import numpy as np
from bpy_extras import view3d_utils
from mathutils import Vector

sys.path.insert(0, str(Path(__file__).resolve().parent))

from driver import in_view, play, state, undo_step, until, viewport

from blender_scan import RADIUS_MM, marked

NAMES = ("ZERO", "ONE", "TWO", "THREE", "FOUR", "FIVE", "SIX", "SEVEN", "EIGHT", "NINE")
DIGITS = {".": "PERIOD", **{str(digit): name for digit, name in enumerate(NAMES)}}


def module(name):
    """A module of the installed extension."""
    return sys.modules[f"bl_ext.user_default.gaploft.{name}"]


def near_side(z):
    """Where the side of the tube that faces the viewer is in the window, at a height; and in the world."""
    _, area, region = viewport()
    view = area.spaces.active.region_3d
    towards = np.array(view.view_rotation @ Vector((0.0, 0.0, 1.0)))[:2]
    place = (*((RADIUS_MM - 0.01 * z) * towards / np.linalg.norm(towards)), z)
    x, y = view3d_utils.location_3d_to_region_2d(region, view, place)
    return (region.x + round(x), region.y + round(y)), np.array(place)


def click(place):
    """Move the pointer somewhere and click."""
    window, _, _ = viewport()
    x, y = place
    window.event_simulate(type="MOUSEMOVE", value="NOTHING", x=x, y=y)
    yield 0.3
    for value in ("PRESS", "RELEASE"):
        window.event_simulate(type="LEFTMOUSE", value=value, x=x, y=y)
    yield 0.4


def typed(text, place):
    """Type a number over the view."""
    window, _, _ = viewport()
    for letter in text:
        for value in ("PRESS", "RELEASE"):
            told = {"unicode": letter} if value == "PRESS" else {}
            window.event_simulate(type=DIGITS[letter], value=value, x=place[0], y=place[1], **told)
        yield 0.1


def key(name, place):
    """Press and release one key over the view."""
    window, _, _ = viewport()
    for value in ("PRESS", "RELEASE"):
        window.event_simulate(type=name, value=value, x=place[0], y=place[1])
    yield 0.5


def start(operator, **settings):
    """Press a button that waits for clicks, and wait until the scan is read."""
    with in_view():
        assert operator("INVOKE_DEFAULT", **settings) == {"RUNNING_MODAL"}
        assert not operator.poll()  # one at a time
    yield 2.0


def drawing():
    """Whether something is being clicked."""
    return module("ring_draw").drawing()


def readings():
    """Two readings, each typed before its click; a click beside the tube adds none."""
    for z, text in ((60.0, "1.12"), (160.0, "1.05")):
        if z == 60.0:
            yield from start(bpy.ops.gaploft.add_reading, kind="WALL")
        place, world = near_side(z)
        yield from typed(text, place)
        yield from click(place)
        reading = state().damage.shop.readings[-1]
        assert reading.value_mm == np.float32(text), reading.value_mm
        # The pointer hits within a spacing of the scan's points, 2 mm here.
        assert np.linalg.norm(np.array(reading.place) - world) < 3.0, (reading.place[:], world)
    _, _, region = viewport()
    yield from click((region.x + 150, region.y + 150))
    assert len(state().damage.shop.readings) == 2
    assert drawing()
    yield from key("RET", near_side(60.0)[0])
    yield from key("MOUSEMOVE", near_side(60.0)[0]) if drawing() else iter(())
    yield 0.5
    assert not drawing()
    assert len(state().damage.shop.readings) == 2


def zero_and_frame():
    """One click for the zero, three for the frame, which ends by itself; Esc leaves nothing."""
    yield from start(bpy.ops.gaploft.mark_zero)
    yield from click(near_side(70.0)[0])
    assert not drawing()
    assert state().damage.shop.mark_zero is not None
    state().machine.kind = "POINTS"
    yield from start(bpy.ops.gaploft.add_frame_mark)
    for z in (40.0, 200.0):
        yield from click(near_side(z)[0])
    assert drawing()
    yield from key("ESC", near_side(60.0)[0])
    assert not drawing()
    assert len(state().machine.points) == 2


def steps():
    """The session; each ``yield`` gives the window that many seconds."""
    bpy.ops.wm.read_homefile()
    yield 1.0
    with in_view():
        marked()
        state().update_live = False
        bpy.ops.view3d.view_axis(type="FRONT")
        bpy.ops.view3d.view_all()
    undo_step("marked")
    yield 1.0
    yield from readings()
    yield from zero_and_frame()
    yield from until(lambda: not drawing(), "the end of the clicks")


play(steps())
