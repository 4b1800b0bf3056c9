"""A scripted window session: the file dialog, writing in the background while work goes on, and Esc.

Needs a display, and the extension installed; ends with 1 and a traceback when anything fails. With a folder
behind ``--`` it leaves pictures there.

    blender --enable-event-simulate --addons bl_ext.user_default.gaploft \
        --python tests/addon/window/export_dialog.py -- FOLDER
"""

import os
import subprocess
import sys
import tempfile
import time
import traceback
from pathlib import Path

import bpy

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from blender_scan import FROM_MM, TO_MM, marked

LIMIT_S = 60.0
PICTURES = Path(sys.argv[sys.argv.index("--") + 1]) if "--" in sys.argv else None


def state():
    """The state of the scene as it is now."""
    return bpy.context.scene.gaploft


def running():
    """Share of the writing at work in the background, or None."""
    return bpy.types.GAPLOFT_OT_write_target.running


def place(kind):
    """Window, area and main region of an editor in any window."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == kind:
                return window, area, next(r for r in area.regions if r.type == "WINDOW")
    raise AssertionError(f"no {kind} is open")


def picture(name):
    """Leave a picture of the whole screen."""
    if PICTURES is not None:
        yield 1.0
        subprocess.run(["import", "-window", "root", str(PICTURES / f"{name}.png")], check=True, timeout=60)


def dialog(operator):
    """Press a button that opens a file dialog; gives the browser's settings."""
    window, area, region = place("VIEW_3D")
    with bpy.context.temp_override(window=window, area=area, region=region):
        assert operator("INVOKE_DEFAULT") == {"RUNNING_MODAL"}
    yield 1.5
    return place("FILE_BROWSER")[1].spaces.active.params


def confirm():
    """Enter over the list of files, which is as good as the dialog's button."""
    yield from press("RET", over="FILE_BROWSER")


def press(key, over="VIEW_3D"):
    """A key over the middle of an editor."""
    window, _, region = place(over)
    x, y = region.x + region.width // 3, region.y + region.height // 3
    window.event_simulate(type="MOUSEMOVE", value="NOTHING", x=x, y=y)
    yield 0.05
    for value in ("PRESS", "RELEASE"):
        window.event_simulate(type=key, value=value, x=x, y=y)
    yield 0.1


def until_done():
    """Wait for the files; how often the window could do something meanwhile, and its longest sleep."""
    began, turns, longest, last = time.monotonic(), 0, 0.0, time.monotonic()
    while running() is not None:
        assert time.monotonic() - began < LIMIT_S, "the writing does not end"
        turns += 1
        yield 0.02
        longest, last = max(longest, time.monotonic() - last), time.monotonic()
    yield 0.3
    return turns, longest


def steps():
    """The session; each ``yield`` gives the window that many seconds."""
    bpy.ops.wm.read_homefile()
    yield 1.0
    bpy.context.preferences.view.filebrowser_display_type = "SCREEN"
    bpy.context.preferences.system.viewport_aa = "OFF"  # each drawing again hides how alive the window is
    window, area, region = place("VIEW_3D")
    with bpy.context.temp_override(window=window, area=area, region=region):
        marked()
        bpy.ops.gaploft.rebuild()
        bpy.ops.view3d.view_all()
    yield 0.5
    with tempfile.TemporaryDirectory() as name:
        yield from export_one(Path(name))
        yield from stop_by_escape(Path(name) / "stopped")
        yield from export_all(Path(name) / "all")
    yield from refuse_stale()
    sys.stdout.write("window session: all as it should be\n")


def export_one(folder):
    """Choose a folder, confirm, go on working while the files are written."""
    params = yield from dialog(bpy.ops.gaploft.export_target)
    assert params.filename == "scan_Damage_target_mm.stl", params.filename
    yield from picture("export_dialog")
    params.directory = os.fsencode(folder)
    yield 0.5
    yield from confirm()
    assert running() is not None, "a dialog's export runs in the background"
    assert not bpy.ops.gaploft.export_target.poll()
    bpy.ops.mesh.primitive_cube_add()
    turns, longest = yield from until_done()
    assert turns >= 5, f"the window was asleep: {turns} turns"
    assert len(bpy.data.objects) > 3, "work went on meanwhile"
    names = sorted(path.name for path in folder.iterdir())
    assert [name.partition("mm")[2] for name in names] == [".ply", ".stl", "_report.html", "_report.json"]
    assert state().damage.exported
    sys.stdout.write(f"written in the background: {turns} turns, the longest {longest:.2f} s\n")
    area = place("VIEW_3D")[1]
    area.spaces.active.show_region_ui = True
    yield 0.5
    next(r for r in area.regions if r.type == "UI").active_panel_category = "Gaploft"
    yield from picture("export_panel")


def stop_by_escape(folder):
    """Esc leaves no file."""
    folder.mkdir()
    params = yield from dialog(bpy.ops.gaploft.export_target)
    params.directory = os.fsencode(folder)
    yield 0.5
    yield from confirm()
    assert running() is not None
    yield from press("ESC")
    yield from until_done()
    assert not list(folder.iterdir()), "Esc must leave no file"


def export_all(folder):
    """A dialog that asks for a folder alone."""
    folder.mkdir()
    window, area, region = place("VIEW_3D")
    with bpy.context.temp_override(window=window, area=area, region=region):
        bpy.context.view_layer.objects.active = state().scan
        bpy.ops.gaploft.add_damage()
        bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
        bpy.ops.gaploft.rebuild()
    params = yield from dialog(bpy.ops.gaploft.export_all)
    yield from picture("export_all")
    params.directory = os.fsencode(folder)
    yield 0.5
    yield from confirm()
    yield from until_done()
    assert len(list(folder.iterdir())) == 8, list(folder.iterdir())


def refuse_stale():
    """A changed setting is said before a dialog opens."""
    state().update_live = False
    state().damage.cover_mm = 0.2
    window, area, region = place("VIEW_3D")
    with bpy.context.temp_override(window=window, area=area, region=region):
        try:
            bpy.ops.gaploft.export_target("INVOKE_DEFAULT")
            said = ""
        except RuntimeError as error:
            said = str(error)
    assert "changed since the surface was rebuilt" in said
    yield 0.2


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
