"""A scripted window session: the rebuild in the background, Esc, undo and redo, and loading a file meanwhile.

Needs a display, and the extension installed; ends with 1 and a traceback when anything fails.

    blender --enable-event-simulate --addons bl_ext.user_default.gaploft \
        --python tests/addon/window/modal_rebuild.py
"""

import os
import sys
import time
import traceback
from pathlib import Path

import bpy

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from blender_scan import marked

LIMIT_S = 120.0


def state():
    """The job of the scene as it is now: references die with each undo."""
    return bpy.context.scene.gaploft


def running():
    """Stage and share of the rebuild at work, or None."""
    return bpy.types.GAPLOFT_OT_rebuild.running


def viewport():
    """Context of the window's 3D viewport."""
    window = bpy.context.window_manager.windows[0]
    area = next(a for a in window.screen.areas if a.type == "VIEW_3D")
    region = next(r for r in area.regions if r.type == "WINDOW")
    return window, area, region


def start():
    """Press the button."""
    window, area, region = viewport()
    with bpy.context.temp_override(window=window, area=area, region=region):
        assert bpy.ops.gaploft.rebuild("INVOKE_DEFAULT") == {"RUNNING_MODAL"}
        assert not bpy.ops.gaploft.rebuild.poll()  # one at a time


def press(key, **held):
    """A key over the middle of the viewport."""
    window, _, region = viewport()
    x, y = region.x + region.width // 3, region.y + region.height // 2
    window.event_simulate(type="MOUSEMOVE", value="NOTHING", x=x, y=y)
    yield 0.2
    for value in ("PRESS", "RELEASE"):
        window.event_simulate(type=key, value=value, x=x, y=y, **held)
    yield 1.0


def until_done():
    """Wait for the rebuild; the stages seen and how often the window could do something meanwhile."""
    began, stages, turns = time.monotonic(), [], 0
    while running() is not None:
        assert time.monotonic() - began < LIMIT_S, "the rebuild does not end"
        stages += [running()[0]] * (running()[0] not in stages)
        turns += 1
        yield 0.05
    yield 0.5
    return stages, turns


def new_scene():
    """A marked scan in a fresh file, with an undo step that a script's changes lack."""
    bpy.ops.wm.read_homefile()
    yield 1.0
    window, area, region = viewport()
    with bpy.context.temp_override(window=window, area=area, region=region):
        marked()
        bpy.ops.ed.undo_push(message="marked")
    yield 0.5


def steps():
    """The session; each ``yield`` gives the window that many seconds."""
    yield from new_scene()
    start()
    yield 0.3
    assert running() is not None
    yield from press("ESC")
    yield from until_done()
    assert state().live("result") is None, "Esc must leave no surface"
    assert not state().report

    start()
    stages, turns = yield from until_done()
    assert len(stages) >= 3, stages
    assert turns >= 10, f"the window was asleep: {turns} turns"
    assert state().live("result") is not None
    report = state().report
    assert report

    yield from press("Z", ctrl=True)
    assert state().live("result") is None, "undo must take the surface away"
    assert not state().report
    assert state().marked
    yield from press("Z", ctrl=True, shift=True)
    assert state().live("result") is not None, "redo must bring it back"
    assert state().report == report
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}

    start()
    yield 0.3
    assert running() is not None
    yield from new_scene()
    assert running() is None, "loading a file must stop the rebuild"
    assert state().live("result") is None
    start()
    yield from until_done()
    assert state().live("result") is not None
    sys.stdout.write("window session: all as it should be\n")


def main():
    """Take the steps with a timer, then end Blender."""
    session = steps()

    def turn():
        try:
            return next(session)
        except StopIteration:
            code = 0
        except BaseException:  # noqa: BLE001 - whatever it is, Blender has to end with 1
            traceback.print_exc()
            code = 1
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)

    bpy.app.timers.register(turn, first_interval=1.0, persistent=True)


if __name__ == "__main__":
    main()
