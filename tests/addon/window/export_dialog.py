"""A scripted window session: the file dialogs, writing in the background while work goes on, and Esc.

`driver.py` says how to run it. With a folder behind ``--`` it leaves pictures there.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import bpy

sys.path.insert(0, str(Path(__file__).resolve().parent))

from driver import in_view, play, press, state, until, viewport

from blender_scan import FROM_MM, TO_MM, marked  # found through the driver

PICTURES = Path(sys.argv[sys.argv.index("--") + 1]) if "--" in sys.argv else None
ENDINGS = [".ply", ".stl", "_flanks.ply", "_report.html", "_report.json"]


def writing():
    """Share of the writing at work in the background, or None."""
    return bpy.types.GAPLOFT_OT_write_target.running


def written():
    """Wait for the files; how often the window could do something meanwhile, and its longest sleep, s."""
    return (yield from until(lambda: writing() is None, "the files", pause_s=0.02))


def picture(name):
    """Leave a picture of the whole screen."""
    if PICTURES is not None:
        yield 1.0
        subprocess.run(["import", "-window", "root", str(PICTURES / f"{name}.png")], check=True, timeout=60)


def browser():
    """Window, area and main region of the file dialog, which takes the whole window."""
    window = bpy.context.window_manager.windows[0]
    area = next(a for a in window.screen.areas if a.type == "FILE_BROWSER")
    return window, area, next(r for r in area.regions if r.type == "WINDOW")


def dialog(operator):
    """Press a button that opens a file dialog; gives what is set in it."""
    with in_view():
        assert operator("INVOKE_DEFAULT") == {"RUNNING_MODAL"}
    yield 1.5
    return browser()[1].spaces.active.params


def confirm(params, folder):
    """Enter over the list of files of a folder, which is as good as the dialog's own button."""
    params.directory = os.fsencode(folder)
    yield 0.5
    window, _, region = browser()
    x, y = region.x + region.width // 3, region.y + region.height // 3
    window.event_simulate(type="MOUSEMOVE", value="NOTHING", x=x, y=y)
    yield 0.05
    for value in ("PRESS", "RELEASE"):
        window.event_simulate(type="RET", value=value, x=x, y=y)
    yield 0.1
    assert writing() is not None, "what a dialog has named is written in the background"


def steps():
    """The session."""
    bpy.ops.wm.read_homefile()
    yield 1.0
    bpy.context.preferences.view.filebrowser_display_type = "SCREEN"
    bpy.context.preferences.system.viewport_aa = "OFF"  # each drawing again hides how alive the window is
    with in_view():
        marked()
        bpy.ops.gaploft.rebuild()
        bpy.ops.view3d.view_all()
    yield 0.5
    with tempfile.TemporaryDirectory() as name:
        yield from export_one(Path(name))
        yield from stop_by_escape(Path(name) / "stopped")
        yield from export_all(Path(name) / "all")
    yield from refuse_stale()


def export_one(folder):
    """Choose a folder, confirm, go on working while the files are written."""
    params = yield from dialog(bpy.ops.gaploft.export_target)
    assert params.filename == "scan_Damage_target_mm.stl", params.filename
    yield from picture("export_dialog")
    yield from confirm(params, folder)
    assert not bpy.ops.gaploft.export_target.poll()
    bpy.ops.mesh.primitive_cube_add()
    turns, longest = yield from written()
    assert turns >= 5, f"the window was asleep: {turns} turns"
    assert "Cube.001" in bpy.data.objects, "work went on meanwhile"
    names = sorted(path.name for path in folder.iterdir())
    assert [name.partition("mm")[2] for name in names] == ENDINGS
    assert state().damage.exported
    sys.stdout.write(f"written in the background: {turns} turns, the longest {longest:.2f} s\n")
    area = viewport()[1]
    area.spaces.active.show_region_ui = True
    yield 0.5
    next(r for r in area.regions if r.type == "UI").active_panel_category = "Gaploft"
    yield from picture("export_panel")


def stop_by_escape(folder):
    """Esc leaves no file."""
    folder.mkdir()
    params = yield from dialog(bpy.ops.gaploft.export_target)
    yield from confirm(params, folder)
    yield from press("ESC")
    yield from written()
    assert not list(folder.iterdir()), "Esc must leave no file"


def export_all(folder):
    """A dialog that asks for a folder alone."""
    folder.mkdir()
    with in_view():
        bpy.context.view_layer.objects.active = state().scan
        bpy.ops.gaploft.add_damage()
        bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
        bpy.ops.gaploft.rebuild()
    params = yield from dialog(bpy.ops.gaploft.export_all)
    yield from confirm(params, folder)
    yield from written()
    assert len(list(folder.iterdir())) == 2 * len(ENDINGS)


def refuse_stale():
    """A changed setting is said before a dialog opens."""
    state().update_live = False
    state().damage.cover_mm = 0.2
    with in_view():
        try:
            bpy.ops.gaploft.export_target("INVOKE_DEFAULT")
            said = ""
        except RuntimeError as error:
            said = str(error)
    assert "changed since the surface was rebuilt" in said
    yield 0.2


if __name__ == "__main__":
    play(steps())
