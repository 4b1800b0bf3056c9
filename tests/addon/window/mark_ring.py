"""A scripted window session: a scan comes in, its unit, the check in the background, two clicks, ways out."""

import contextlib
import sys
import tempfile
from pathlib import Path

import bpy
import numpy as np
from bpy_extras import view3d_utils
from mathutils import Vector

sys.path.insert(0, str(Path(__file__).resolve().parent))

from driver import in_view, play, state, until, viewport

import plain_tube
from blender_scan import RADIUS_MM, everything, marked, tube_arrays


def module(name):
    """A module of the installed extension."""
    return sys.modules[f"bl_ext.user_default.gaploft.{name}"]


def pixel(point):
    """Where a point in world space is in the window."""
    _, area, region = viewport()
    x, y = view3d_utils.location_3d_to_region_2d(region, area.spaces.active.region_3d, point)
    return region.x + round(x), region.y + round(y)


def near_side(z):
    """Where the side of the tube that faces the viewer is in the window, at a height."""
    towards = np.array(viewport()[1].spaces.active.region_3d.view_rotation @ Vector((0.0, 0.0, 1.0)))[:2]
    radius = RADIUS_MM - 0.01 * z
    return pixel((*(radius * towards / np.linalg.norm(towards)), z))


def at(place, kind="MOUSEMOVE", **held):
    """Move the pointer somewhere, and press and release something there."""
    window, _, _ = viewport()
    x, y = place
    window.event_simulate(type="MOUSEMOVE", value="NOTHING", x=x, y=y)
    yield 0.3
    if kind != "MOUSEMOVE":
        for value in ("PRESS", "RELEASE"):
            window.event_simulate(type=kind, value=value, x=x, y=y, **held)
        yield 0.4


def start():
    """Press the button of the two clicks."""
    with in_view():
        assert bpy.ops.gaploft.mark_ring("INVOKE_DEFAULT") == {"RUNNING_MODAL"}
        assert not bpy.ops.gaploft.mark_ring.poll()  # one at a time


def drawing():
    """Whether rings may be drawn, that is, whether the tool runs."""
    return module("ring_draw").drawing()


def sidebar():
    """Open our tab, which exists once the sidebar was drawn."""
    viewport()[1].spaces.active.show_region_ui = True
    for _ in range(20):
        yield 0.3
        region = next(r for r in viewport()[1].regions if r.type == "UI")
        if region.active_panel_category == "Gaploft":
            return
        with contextlib.suppress(AttributeError):
            region.active_panel_category = "Gaploft"
        viewport()[1].tag_redraw()
    raise AssertionError("the sidebar has no such tab")


def chosen(path):
    """Choose a file in the file dialog that is open."""
    browsers = [
        (window, area)
        for window in bpy.context.window_manager.windows
        for area in window.screen.areas
        if area.type == "FILE_BROWSER"
    ]
    window, area = browsers[0]
    params = area.spaces.active.params
    params.directory, params.filename = bytes(path.parent), path.name
    yield 0.5
    region = next(r for r in area.regions if r.type == "WINDOW")
    with bpy.context.temp_override(window=window, area=area, region=region):
        bpy.ops.file.execute()
    yield 1.0


def scan_comes_in(folder):
    """A file in metres through the importer, as if dropped, with its unit given in the dialog."""
    vertices, quads, _ = tube_arrays()
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    plain_tube.write_stl(folder / "scan.stl", vertices / 1000.0, faces)
    bpy.ops.wm.read_homefile()
    yield 1.0
    yield from sidebar()
    window, _, _ = viewport()
    with in_view():
        assert bpy.ops.gaploft.import_scan("INVOKE_DEFAULT") == {"RUNNING_MODAL"}
    yield 1.5
    yield from chosen(folder / "scan.stl")
    window.event_simulate(type="RET", value="PRESS", x=window.width // 2, y=window.height // 2)
    window.event_simulate(type="RET", value="RELEASE", x=window.width // 2, y=window.height // 2)
    yield 0.5
    yield from until(lambda: not module("scan_check").running(), "the end of the check")
    yield 0.3
    assert state().scan is not None, "Return must accept the dialog"
    assert state().scan_unit == "mm"
    assert max(state().scan.dimensions) > 200.0, "metres must be taken for metres and brought to millimetres"
    assert '"error": null' in state().scan_findings


def two_clicks():
    """Both clicks, with one taken back on the way."""
    before = everything(state().scan)
    start()
    yield 0.5
    yield from at(near_side(60.0), "LEFTMOUSE")
    yield from at(near_side(160.0))
    yield from at(near_side(160.0), "BACK_SPACE")
    yield from at(near_side(95.0), "LEFTMOUSE")
    yield from at(near_side(145.0))
    before_zoom = viewport()[1].spaces.active.region_3d.view_distance
    yield from at(near_side(145.0), "WHEELUPMOUSE")
    yield 0.5
    assert viewport()[1].spaces.active.region_3d.view_distance < before_zoom, "looking around must go on"
    assert drawing()
    yield from at(near_side(145.0), "LEFTMOUSE")
    yield 0.5
    assert not drawing(), "the second click must end the tool"
    assert state().marked
    for mark, z in ((state().mark_from, 95.0), (state().mark_to, 145.0)):
        off = np.array(mark.matrix_world.translation) - (0.0, 0.0, z)
        assert np.linalg.norm(off) < 1.0, off
    assert everything(state().scan) == before, "the scan must stay as it is"


def undone_at_once():
    """One step takes the whole marking back, and one brings it again."""
    _, _, region = viewport()
    middle = region.x + region.width // 2, region.y + region.height // 2
    yield from at(middle, "Z", ctrl=True)
    assert not state().marked, "one undo must take both marks"
    assert state().scan is not None, "and no more than them"
    yield from at(middle, "Z", ctrl=True, shift=True)
    assert state().marked


def ways_out():
    """Esc, loading a file and switching the extension off leave no drawing behind."""
    marks = tuple(state().mark_from.matrix_world.translation)
    start()
    yield 0.3
    yield from at(near_side(40.0), "LEFTMOUSE")
    yield from at(near_side(40.0), "ESC")
    assert not drawing(), "Esc must end the tool"
    assert tuple(state().mark_from.matrix_world.translation) == marks
    _, area, _ = viewport()
    with in_view():
        bpy.ops.view3d.view_axis(type="RIGHT")
    yield 0.5
    area.spaces.active.region_3d.view_perspective = "ORTHO"
    start()
    yield 0.3
    yield from at(near_side(40.0), "LEFTMOUSE")
    yield from at(near_side(200.0))
    yield from at(near_side(200.0), "LEFTMOUSE")
    off = np.array(state().mark_to.matrix_world.translation) - (0.0, 0.0, 200.0)
    assert np.linalg.norm(off) < 1.0, off
    start()
    yield 0.3
    bpy.ops.wm.read_homefile()
    yield 1.0
    assert not drawing(), "loading a file must end the tool"
    with in_view():
        marked()
    start()
    yield 0.3
    ring_draw = module("ring_draw")
    bpy.ops.preferences.addon_disable(module="bl_ext.user_default.gaploft")
    yield 0.5
    assert not ring_draw.drawing(), "switching the extension off must end the tool"


def steps():
    """The session; each ``yield`` gives the window that many seconds."""
    with tempfile.TemporaryDirectory() as folder:
        yield from scan_comes_in(Path(folder))
    yield from two_clicks()
    yield from undone_at_once()
    yield from ways_out()


if __name__ == "__main__":
    play(steps())
