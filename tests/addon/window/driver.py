"""What all scripted window sessions share: the viewport, clicks and keys, waiting, and the end of Blender.

A session is a generator; each ``yield SECONDS`` gives the window that much time. Sessions need a display and
the extension installed, and end with 1 and a traceback when anything fails:

    blender --enable-event-simulate --addons bl_ext.user_default.gaploft \
        --python tests/addon/window/NAME.py
"""

import os
import sys
import time
import traceback
from pathlib import Path

import bpy

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

LIMIT_S = 240.0


def state():
    """The job of the scene as it is now: references die with each undo."""
    return bpy.context.scene.gaploft


def running():
    """Stage and share of the rebuild at work, or None."""
    return bpy.types.GAPLOFT_OT_rebuild.running


def viewport():
    """Window, area and main region of the 3D view."""
    window = bpy.context.window_manager.windows[0]
    area = next(a for a in window.screen.areas if a.type == "VIEW_3D")
    return window, area, next(r for r in area.regions if r.type == "WINDOW")


def in_view():
    """Context for operators that need a 3D view."""
    window, area, region = viewport()
    return bpy.context.temp_override(window=window, area=area, region=region)


def undo_step(message):
    """An undo step, which a script's changes lack."""
    with in_view():
        bpy.ops.ed.undo_push(message=message)


def press(key, **held):
    """A key over the middle of the viewport."""
    window, _, region = viewport()
    x, y = region.x + region.width // 3, region.y + region.height // 2
    window.event_simulate(type="MOUSEMOVE", value="NOTHING", x=x, y=y)
    yield 0.2
    for value in ("PRESS", "RELEASE"):
        window.event_simulate(type=key, value=value, x=x, y=y, **held)
    yield 1.0


def until(done, what, *, pause_s=0.05):
    """Wait until ``done()``; how often the window could do something meanwhile, and its longest sleep, s."""
    began = last = time.monotonic()
    turns, longest = 0, 0.0
    while not done():
        assert time.monotonic() - began < LIMIT_S, f"waited in vain for {what}"
        yield pause_s
        now = time.monotonic()
        turns, longest, last = turns + 1, max(longest, now - last), now
    return turns, longest


def play(session):
    """Take the steps of a session with a timer, then end Blender."""

    def turn():
        try:
            return next(session)
        except StopIteration:
            sys.stdout.write("window session: all as it should be\n")
            code = 0
        except BaseException:  # noqa: BLE001 - whatever it is, Blender has to end with 1
            traceback.print_exc()
            code = 1
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)

    bpy.app.timers.register(turn, first_interval=1.0, persistent=True)
