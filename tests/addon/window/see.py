"""A scripted window session: the key that changes what is shown, ghost, section, strokes that colours follow.

Needs a display, and the extension installed; ends with 1 and a traceback when anything fails. Prints how long
the drawing took at the median of the frames.

    blender --enable-event-simulate --addons bl_ext.user_default.gaploft \
        --python tests/addon/window/see.py
"""

import importlib
import os
import statistics
import sys
import time
import traceback
from pathlib import Path

import bpy

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from modal_rebuild import press, viewport

from blender_scan import coordinates, marked, set_coordinates

EXTENSION = "bl_ext.user_default.gaploft"


def show():
    """What is shown now: references die with each undo."""
    return bpy.context.scene.gaploft.show


def shading():
    """Shading of the window's 3D view."""
    return viewport()[1].spaces.active.shading


def timed(module, name, taken):
    """A module's drawing function that notes how long it took."""
    draw = getattr(module, name)

    def run():
        began = time.perf_counter()
        draw()
        taken.append(time.perf_counter() - began)

    return run


def rebuilt():
    """A rebuilt surface in a fresh file, with an undo step."""
    bpy.ops.wm.read_homefile()
    yield 1.0
    window, area, region = viewport()
    with bpy.context.temp_override(window=window, area=area, region=region):
        marked()
        bpy.ops.gaploft.rebuild()
        bpy.ops.ed.undo_push(message="rebuilt")
        bpy.ops.view3d.view_all()
    yield 0.5


def frames(count):
    """Have the view drawn some times."""
    for _ in range(count):
        viewport()[1].tag_redraw()
        yield 0.05


def steps():
    """The session; each ``yield`` gives the window that many seconds."""
    yield from rebuilt()
    legend, section = (importlib.import_module(f"{EXTENSION}.{name}") for name in ("legend", "section_draw"))
    taken = {"legend": [], "section": []}
    pens = section.pens
    legend.unregister()
    section.unregister()
    handles = [
        pens.handle(timed(legend, "draw", taken["legend"]), "POST_PIXEL"),
        pens.handle(timed(section, "draw_inset", taken["section"]), "POST_PIXEL"),
    ]
    before = shading().light, shading().color_type
    assert bpy.context.scene.gaploft.scan.hide_get(), "the ghost stands for the scan"
    for expected in ("SCAN", "BAND", "ZONE", "HAND", "STRIPES", "NONE"):
        yield from press("J")
        assert show().shown == expected, (show().shown, expected)
    assert (shading().light, shading().color_type) == before

    yield from press("J")
    show().section_on = True
    yield 2.0
    kept = importlib.import_module(f"{EXTENSION}.section_data").section_of(bpy.context.scene)
    assert kept.points is not None, "the points must be found while the window is used"
    for some in taken.values():
        some.clear()
    yield from frames(30)
    for name, some in taken.items():
        assert some, f"{name} was not drawn"
        sys.stdout.write(f"{name}: {1e3 * statistics.median(some):.2f} ms a frame\n")

    yield from press("Z", ctrl=True)
    assert show().shown == "NONE", "undo must take the colours away"
    yield from press("Z", ctrl=True, shift=True)
    assert show().shown == "SCAN"
    assert shading().color_type == "VERTEX"

    yield from hand_work()
    bpy.ops.wm.read_homefile()
    yield 1.0
    yield from frames(3)  # nothing is left that a drawing could trip over
    for handle in handles:
        pens.unhandle(handle)
    legend.register()
    section.register()
    sys.stdout.write("window session: all as it should be\n")


def hand_work():
    """Points are moved: the colours follow by themselves."""
    for _ in range(3):
        yield from press("J")
    assert show().shown == "HAND"
    surface = bpy.context.scene.gaploft.damage.surface
    set_coordinates(surface, coordinates(surface) + 0.04 * coordinates(surface, "computed_normal"))
    yield 1.0
    overlay = importlib.import_module(f"{EXTENSION}.overlay")
    assert not overlay.outdated(bpy.context.scene), "the colours must follow"
    worst = overlay.painted(bpy.context.scene).worst.worst_mm
    assert abs(worst - 0.04) < 1e-3, worst


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
