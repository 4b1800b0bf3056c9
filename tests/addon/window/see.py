"""A scripted window session: the key that changes what is shown, ghost, section, strokes that colours follow.

Prints how long the drawing took at the median of the frames. `driver.py` says how to run it.
"""

import importlib
import statistics
import sys
import time
from pathlib import Path

import bpy

sys.path.insert(0, str(Path(__file__).resolve().parent))

from driver import in_view, play, press, undo_step, viewport

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
    with in_view():
        marked()
        bpy.ops.gaploft.rebuild()
        bpy.ops.view3d.view_all()
    undo_step("rebuilt")
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


play(steps())
