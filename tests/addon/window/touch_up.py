"""A scripted window session: strokes with each brush through the locked rim, undo, marks given back, done.

Needs a display, and the extension installed; ends with 1 and a traceback when anything fails.

    blender --enable-event-simulate --addons bl_ext.user_default.gaploft \
        --python tests/addon/window/touch_up.py
"""

import json
import sys
from pathlib import Path

import bpy
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from driver import play, viewport
from driver import press as key
from hands import along, place, press, stroke

from blender_scan import coordinates, marked, values

#: What a stroke has to do at least where nothing is locked, mm.
LEAST_MM = {"FILL": 0.03, "PARE": 0.03, "SMOOTH": 1e-4, "MOVE": 0.01}
ONE_STROKE_MM = 0.05


def damage():
    """The damage worked on as it is now: references die with each undo."""
    return bpy.context.scene.gaploft.damage


def rebuilt():
    """A rebuilt tube that fills the view from the side, the scan out of the way."""
    bpy.ops.wm.read_homefile()
    yield 1.0
    for obj in list(bpy.data.objects):
        bpy.data.objects.remove(obj)
    window, area, region = viewport()
    with bpy.context.temp_override(window=window, area=area, region=region):
        scan = marked()
        assert bpy.ops.gaploft.rebuild("EXEC_DEFAULT") == {"FINISHED"}
        scan.hide_set(True)
        bpy.ops.object.select_all(action="DESELECT")
        damage().result.select_set(True)
        bpy.ops.view3d.view_axis(type="RIGHT")
        bpy.ops.view3d.view_selected()
        bpy.ops.ed.undo_push(message="rebuilt")
    yield 1.0


def roughened(touched):
    """Give a surface the roughness that Smooth is for; a script may write in Object Mode only."""
    yield from press(bpy.ops.object.mode_set, mode="OBJECT")
    touched = damage().touched
    rough = 0.02 * np.random.default_rng(6).normal(size=len(touched.data.vertices))
    rough *= 1.0 - values(touched, "lock")
    points = coordinates(touched, "computed") + rough[:, None] * coordinates(touched, "computed_normal")
    touched.data.vertices.foreach_set("co", points.astype(np.float32).ravel())
    touched.data.update()
    yield from press(bpy.ops.object.mode_set, mode="SCULPT")


def stroked(kind):
    """Draw one brush from the overlap to the middle, and hold it to what it may do; then undo and redo."""
    touched = damage().touched
    before, mask = coordinates(touched), values(touched, "lock")
    if kind == "MOVE":
        # Pulled off to the side, where the outline is: only there does the hand's way lead outwards.
        yield from stroke([place(120.0, degrees) for degrees in np.linspace(60.0, 10.0, 14)])
    else:
        yield from stroke(along(damage_end() - 4.0, 120.0))
    touched = damage().touched
    after = coordinates(touched)
    way = np.linalg.norm(after - before, axis=1)
    assert way[mask == 1.0].max() == 0.0, f"{kind} moved what is locked by {way[mask == 1.0].max()} mm"
    assert way[mask == 0.0].max() > LEAST_MM[kind], f"{kind} did {way.max()} mm"
    if kind in ("FILL", "PARE"):
        outward = np.einsum("ij,ij->i", after - before, coordinates(touched, "computed_normal"))
        outward *= 1.0 if kind == "FILL" else -1.0
        assert outward.max() < ONE_STROKE_MM + 1e-4
        assert outward.min() > -1e-4
        assert (outward <= ONE_STROKE_MM * (1.0 - mask) + 1e-4).all(), "the lock is not kept"
    sys.stdout.write(f"{kind}: up to {way.max():.4f} mm, {int((way > 0).sum())} points\n")
    yield from key("Z", ctrl=True)
    assert np.abs(coordinates(damage().touched) - before).max() < 1e-6, f"undo of {kind}"
    yield from key("Z", ctrl=True, shift=True)
    assert np.abs(coordinates(damage().touched) - after).max() < 1e-6, f"redo of {kind}"


def stroked_wide():
    """A brush wider than the tube works on the wall in sight and leaves the one behind alone; then undo."""
    sculpt = bpy.context.tool_settings.sculpt
    size = getattr(sculpt, "unified_paint_settings", None) or bpy.context.tool_settings.unified_paint_settings
    name, wide = (
        ("unprojected_size", 80.0) if hasattr(size, "unprojected_size") else ("unprojected_radius", 40.0)
    )
    usual = getattr(size, name)
    setattr(size, name, wide)
    before = coordinates(damage().touched)
    yield from stroke(along(118.0, 121.0))
    way = np.linalg.norm(coordinates(damage().touched) - before, axis=1)
    facing = coordinates(damage().touched, "computed_normal")[:, 0]
    assert way[facing > 0.8].max() > LEAST_MM["FILL"]
    # It fades out over half a right angle beyond the outline, so that no edge is drawn there.
    behind = facing < np.cos(1.5 * np.pi / 2.0)
    assert way[behind].max() == 0.0, f"went through the tube by {way[behind].max()} mm"
    setattr(size, name, usual)
    yield from key("Z", ctrl=True)
    assert np.abs(coordinates(damage().touched) - before).max() < 1e-6, "undo of a wide stroke"


def damage_end():
    """Station of the rim that lies lower."""
    touched = damage().touched
    points, zone = coordinates(touched, "computed"), values(touched, "zone")
    return points[zone == 1, 2].min()


def steps():
    """The session; each ``yield`` gives the window that many seconds."""
    yield from rebuilt()
    computed = coordinates(damage().result)
    yield from press(bpy.ops.gaploft.touch_up)
    assert bpy.context.mode == "SCULPT"
    yield from key("Z", ctrl=True)
    assert bpy.context.mode == "OBJECT", "undo of touching up"
    assert damage().touched is None
    yield from key("Z", ctrl=True, shift=True)
    assert bpy.context.mode == "SCULPT", "redo of touching up"
    assert (coordinates(damage().touched) == computed).all()
    for kind in LEAST_MM:
        if kind == "SMOOTH":
            yield from roughened(damage().touched)
        yield from press(bpy.ops.gaploft.touch_brush, kind=kind)
        assert bpy.context.tool_settings.sculpt.brush.name == f"Gaploft {kind.title()}"
        yield from stroked(kind)
        if kind == "FILL":
            yield from stroked_wide()

    before, lock = coordinates(damage().touched), values(damage().touched, "lock")
    yield from press(bpy.ops.gaploft.touch_brush, kind="MARK")
    yield from stroke(along(115.0, 122.0))
    marked_points = values(damage().touched, ".sculpt_mask") - lock > 0.5 * (1.0 - lock)
    assert marked_points.any()
    yield from press(bpy.ops.gaploft.back_to_computed, region="PAINTED", feather_mm=2.0)
    assert bpy.context.mode == "SCULPT"
    given = coordinates(damage().touched)
    assert (given[marked_points] == coordinates(damage().touched, "computed")[marked_points]).all()
    assert np.abs(given - before).max() > 1e-3
    yield from key("Z", ctrl=True)
    assert np.abs(coordinates(damage().touched) - before).max() < 1e-6, "undo of giving back"
    yield from key("Z", ctrl=True, shift=True)
    assert np.abs(coordinates(damage().touched) - given).max() < 1e-6, "redo of giving back"
    yield from press(bpy.ops.gaploft.touch_brush, kind="FILL")
    yield from stroke(along(115.0, 122.0, 10.0))
    filled = coordinates(damage().touched)
    assert np.abs(filled - given).max() > LEAST_MM["FILL"]
    yield from key("Z", ctrl=True)
    assert np.abs(coordinates(damage().touched) - given).max() < 1e-6, "undo of a stroke after giving back"
    yield from key("Z", ctrl=True, shift=True)
    yield from press(bpy.ops.gaploft.recheck)
    yield from key("Z", ctrl=True)
    assert np.abs(coordinates(damage().touched) - filled).max() < 1e-6, "undo of a check"
    yield from press(bpy.ops.gaploft.lock_rim)
    yield from key("Z", ctrl=True)
    assert np.abs(coordinates(damage().touched) - filled).max() < 1e-6, "undo of a new lock"
    yield from stroke(along(110.0, 116.0, -10.0))
    assert np.abs(coordinates(damage().touched) - filled).max() > LEAST_MM["FILL"]
    yield from key("Z", ctrl=True)
    assert np.abs(coordinates(damage().touched) - filled).max() < 1e-6, "undo of a stroke after that"

    yield from press(bpy.ops.gaploft.touch_done)
    assert bpy.context.mode == "OBJECT"
    hand = json.loads(damage().report)["hand"]
    assert hand["moved_points"] > 0
    assert hand["seam_holds"]
    assert hand["seam_step_mm"] == hand["overlap_mm"] == 0.0
    assert (coordinates(damage().result) == computed).all(), "the computed surface is kept"
    told = {name: hand[name] for name in ("largest_mm", "mean_mm", "outside_band", "seam_angle_deg")}
    sys.stdout.write(f"after all: {told}\nwindow session: all as it should be\n")


if __name__ == "__main__":
    play(steps())
