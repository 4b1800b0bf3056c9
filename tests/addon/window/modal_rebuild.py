"""A scripted window session: the rebuild in the background, Esc, undo and redo, and loading a file meanwhile.

`driver.py` says how to run it.
"""

import sys
import time
from pathlib import Path

import bpy

sys.path.insert(0, str(Path(__file__).resolve().parent))

from driver import LIMIT_S, in_view, play, press, running, state, undo_step

from blender_scan import marked  # found through the driver


def start():
    """Press the button."""
    with in_view():
        assert bpy.ops.gaploft.rebuild("INVOKE_DEFAULT") == {"RUNNING_MODAL"}
        assert not bpy.ops.gaploft.rebuild.poll()  # one at a time


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
    with in_view():
        marked()
    undo_step("marked")
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

    # From what is kept it would be done before a file is loaded.
    sys.modules["bl_ext.user_default.gaploft.task"].forget()
    start()
    yield 0.3
    assert running() is not None
    yield from new_scene()
    assert running() is None, "loading a file must stop the rebuild"
    assert state().live("result") is None
    start()
    yield from until_done()
    assert state().live("result") is not None


play(steps())
