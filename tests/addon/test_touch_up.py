"""Touching up: a copy with a locked rim, brushes for hundredths, and what the hand did in the report."""

import json

import bpy
import numpy as np
import pytest

from blender_scan import coordinates, marked_and_rebuilt, set_coordinates, values
from gaploft.evidence.hand import hand_changes
from gaploft.evidence.hand_lock import lock_weights

MASK = ".sculpt_mask"


def damage():
    return bpy.context.scene.gaploft.damage


def arrays_of(result):
    """Points, normals, band, zone and quads as computed, in mm: the scan of these tests is in mm."""
    mesh = result.data
    quads = np.array([polygon.vertices for polygon in mesh.polygons])
    normals = coordinates(result, "computed_normal")
    return coordinates(result, "computed"), normals, values(result, "band95"), values(result, "zone"), quads


def touched_up():
    """A rebuilt tube being touched up: the touched copy, and the arrays of the computed surface."""
    _, result = marked_and_rebuilt()
    arrays = arrays_of(result)
    assert bpy.ops.gaploft.touch_up() == {"FINISHED"}
    return damage().touched, arrays


def pushed(touched, arrays, push_mm):
    """Push the points outwards as a stroke with a mask does, through the lock."""
    points, normals, *_ = arrays
    free = 1.0 - values(touched, "lock").astype(np.float64)
    set_coordinates(touched, points + push_mm * free[:, None] * normals)


def paint_mask(touched, value):
    """The whole mask at one value; Blender's own flood fill needs a window."""
    bpy.ops.object.mode_set(mode="OBJECT")
    mask = touched.data.attributes[MASK].data
    mask.foreach_set("value", np.full(len(mask), value, dtype=np.float32))
    bpy.ops.object.mode_set(mode="SCULPT")


def hand():
    return json.loads(damage().report)["hand"]


def test_one_click_makes_a_locked_copy_and_keeps_the_computed_surface():
    _, result = marked_and_rebuilt()
    before = coordinates(result).tobytes()
    points, _, _, zone, quads = arrays_of(result)
    assert bpy.ops.gaploft.touch_up() == {"FINISHED"}
    touched = damage().touched
    assert bpy.context.mode == "SCULPT"
    assert bpy.context.active_object == touched
    assert damage().surface == touched
    assert touched.data != result.data
    assert result.hide_get()
    assert not touched.hide_get()
    assert touched.matrix_world == result.matrix_world
    assert coordinates(touched).tobytes() == before
    expected = lock_weights(points, zone, quads, bpy.context.scene.gaploft.touch.lock_mm)
    for name in (MASK, "lock"):
        np.testing.assert_allclose(values(touched, name), expected, atol=1e-6)
    assert (values(touched, MASK)[zone == 0] == 1.0).all()
    assert (values(touched, MASK) == 0.0).any()
    assert MASK not in result.data.attributes
    touched.data.use_mirror_x = True
    set_coordinates(touched, coordinates(touched) + 0.1)
    assert coordinates(result).tobytes() == before


def test_a_second_time_takes_the_same_copy_and_keeps_what_was_done():
    touched, arrays = touched_up()
    bpy.ops.gaploft.touch_done()
    pushed(touched, arrays, 0.03)
    bpy.ops.gaploft.touch_up()
    assert damage().touched == touched
    assert len([obj for obj in bpy.data.objects if obj.name.startswith("Touched-Up")]) == 1
    assert np.abs(coordinates(touched) - arrays[0]).max() > 0.02


def test_it_starts_from_edit_mode_as_well():
    _, result = marked_and_rebuilt()
    bpy.context.view_layer.objects.active = result
    bpy.ops.object.mode_set(mode="EDIT")
    assert bpy.ops.gaploft.touch_up() == {"FINISHED"}
    assert result.mode == "OBJECT"
    assert bpy.context.mode == "SCULPT"


def test_mirroring_and_tiling_are_off_and_strengths_are_the_brushes_own():
    _, result = marked_and_rebuilt()
    result.data.use_mirror_x = True
    bpy.context.scene.tool_settings.sculpt.tile_y = True
    tools = bpy.context.scene.tool_settings
    # Blender 5 keeps these in each mode, and counts the size across instead of from the middle.
    unified = getattr(tools.sculpt, "unified_paint_settings", None) or tools.unified_paint_settings
    unified.use_unified_strength = True
    bpy.ops.gaploft.touch_up()
    assert not damage().touched.data.use_mirror_x
    assert not bpy.context.tool_settings.sculpt.tile_y
    assert not unified.use_unified_strength
    assert unified.use_locked_size == "SCENE"
    across = getattr(unified, "unprojected_size", None) or 2.0 * unified.unprojected_radius
    assert across == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("kind", "tool", "setting", "value"),
    [
        ("FILL", "LAYER", "direction", "ADD"),
        ("PARE", "LAYER", "direction", "SUBTRACT"),
        ("SMOOTH", "SMOOTH", "smooth_deform_type", "SURFACE"),
        ("MOVE", "GRAB", "strength", pytest.approx(0.05)),
        ("MARK", "MASK", "mask_tool", "DRAW"),
    ],
)
def test_each_brush_is_there_and_comes_to_hand(kind, tool, setting, value):
    touched_up()
    assert bpy.ops.gaploft.touch_brush(kind=kind) == {"FINISHED"}
    brush = bpy.context.tool_settings.sculpt.brush
    assert brush.name == f"Gaploft {kind.title()}"
    assert (getattr(brush, "sculpt_brush_type", None) or brush.sculpt_tool) == tool
    assert getattr(brush, setting) == value
    masking = getattr(brush, "mesh_automasking_settings", brush)
    assert masking.use_automasking_topology == (kind == "MOVE")
    assert masking.use_automasking_view_normal == (kind != "MOVE"), "strokes stay on the wall in sight"


def test_brushes_are_made_once_and_keep_what_their_user_sets():
    touched_up()
    bpy.ops.gaploft.touch_brush(kind="MOVE")
    bpy.context.tool_settings.sculpt.brush.strength = 0.2
    bpy.ops.gaploft.touch_brush(kind="SMOOTH")
    bpy.ops.gaploft.touch_brush(kind="MOVE")
    assert bpy.context.tool_settings.sculpt.brush.strength == pytest.approx(0.2)
    assert len([brush for brush in bpy.data.brushes if brush.name.startswith("Gaploft Move")]) == 1


def test_the_height_of_a_stroke_follows_setting_and_unit():
    touched_up()
    bpy.ops.gaploft.touch_brush(kind="FILL")
    brush, touch = bpy.context.tool_settings.sculpt.brush, bpy.context.scene.gaploft.touch
    assert brush.height == pytest.approx(0.05)
    touch.layer_mm = 0.02
    assert brush.height == pytest.approx(0.02)
    bpy.context.scene.gaploft.scan_unit = "m"
    bpy.ops.gaploft.touch_brush(kind="PARE")
    assert bpy.context.tool_settings.sculpt.brush.height == pytest.approx(0.02e-3)


def test_the_lock_comes_back_after_the_mask_was_cleared():
    touched, (points, _, _, zone, quads) = touched_up()
    paint_mask(touched, 0.0)
    assert values(touched, MASK).max() == 0.0
    bpy.context.scene.gaploft.touch.lock_mm = 4.0
    assert bpy.ops.gaploft.lock_rim() == {"FINISHED"}
    assert bpy.context.mode == "SCULPT"
    for name in (MASK, "lock"):
        np.testing.assert_allclose(values(touched, name), lock_weights(points, zone, quads, 4.0), atol=1e-6)


def test_touching_up_again_keeps_what_is_marked_and_a_new_lock_drops_it():
    touched, _ = touched_up()
    paint_mask(touched, 0.7)
    bpy.ops.object.mode_set(mode="OBJECT")
    bpy.ops.gaploft.touch_up()
    assert values(touched, MASK).min() == pytest.approx(0.7)
    assert values(touched, MASK).max() == pytest.approx(1.0)
    bpy.ops.gaploft.lock_rim()
    assert values(touched, MASK).min() == 0.0


def test_done_measures_as_the_library_does():
    touched, arrays = touched_up()
    pushed(touched, arrays, 0.03)
    assert bpy.ops.gaploft.touch_done() == {"FINISHED"}
    assert bpy.context.mode == "OBJECT"
    report = json.loads(damage().report)
    seam = report["seam"]["step_mm"], report["seam"]["angle_deg"]
    points, normals, band, zone, quads = arrays
    expected = hand_changes(points, coordinates(touched), normals, band, zone, quads, seam=seam)
    found = hand()
    assert found["moved_points"] == expected.moved_points > 100
    for name in ("largest_mm", "mean_mm", "area_mm2", "share", "beyond_band_mm", "seam_angle_deg"):
        assert found[name] == pytest.approx(getattr(expected, name), rel=1e-6, abs=1e-12), name
    assert found["area_over"] == pytest.approx(np.array(expected.area_over))
    assert found["outside_band"] == expected.outside_band
    assert found["largest_mm"] == pytest.approx(0.03, abs=3e-5)  # single precision at 240 mm
    assert found["seam_step_mm"] == found["overlap_mm"] == 0.0
    assert found["seam_holds"]


def test_an_opened_seam_makes_the_verdict_check():
    touched, (points, normals, _, zone, _) = touched_up()
    report = json.loads(damage().report)
    damage().report = json.dumps(report | {"verdict": "ready"})
    bpy.ops.object.mode_set(mode="OBJECT")
    touched.data.attributes["band95"].data.foreach_set("value", np.full(len(points), 9.0, dtype=np.float32))
    set_coordinates(touched, points + 0.03 * (zone == 1)[:, None] * normals)
    bpy.ops.gaploft.recheck()
    report = json.loads(damage().report)
    assert report["hand"]["outside_band"] == 0
    assert not report["hand"]["seam_holds"]
    assert report["verdict"] == touched["verdict"] == "check"
    assert "a seam no longer holds" in report["warnings"][-1]["text"]
    bpy.ops.gaploft.back_to_computed(region="ALL")
    assert json.loads(damage().report)["verdict"] == "ready"


def test_the_copy_is_checked_where_there_is_one_and_else_the_surface_itself():
    _, result = marked_and_rebuilt()
    points = coordinates(result)
    moved = points.copy()
    moved[len(points) // 2] += (0.2, 0.0, 0.0)
    set_coordinates(result, moved)
    bpy.ops.gaploft.recheck()
    assert hand()["moved_points"] == 1
    bpy.ops.gaploft.touch_up()
    bpy.ops.gaploft.touch_done()
    assert hand()["moved_points"] == 1, "what was changed before goes along"
    set_coordinates(damage().touched, points)
    bpy.ops.gaploft.recheck()
    assert hand()["moved_points"] == 0


def test_undo_takes_the_copy_away_and_redo_brings_it_back():
    bpy.ops.ed.undo_push(message="before")
    marked_and_rebuilt()
    bpy.ops.ed.undo_push(message="rebuilt")
    bpy.ops.gaploft.touch_up()
    bpy.ops.ed.undo_push(message="touching up")
    bpy.ops.ed.undo()
    assert damage().touched is None
    assert bpy.context.mode == "OBJECT"
    assert not damage().result.hide_get()
    bpy.ops.ed.redo()
    assert damage().live("touched") is not None


def test_added_points_are_refused():
    touched, _ = touched_up()
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    bpy.ops.mesh.subdivide()
    bpy.ops.object.mode_set(mode="OBJECT")
    for operator in ("touch_up", "lock_rim", "recheck", "back_to_computed"):
        with pytest.raises(RuntimeError, match="were added or removed"):
            getattr(bpy.ops.gaploft, operator)()
    assert touched.mode == "OBJECT"


@pytest.mark.parametrize(
    ("way", "words"), [("exclude", "leaves out"), ("hide_viewport", "hidden collection")]
)
def test_a_copy_out_of_sight_is_told(way, words):
    touched_up()
    bpy.ops.object.mode_set(mode="OBJECT")
    setattr(bpy.context.view_layer.layer_collection.children["Gaploft"], way, True)
    with pytest.raises(RuntimeError, match=words):
        bpy.ops.gaploft.touch_up()


@pytest.mark.parametrize("operator", ["touch_up", "back_to_computed", "recheck"])
def test_polls_without_a_surface(operator):
    with pytest.raises(RuntimeError, match="Rebuild the surface first"):
        getattr(bpy.ops.gaploft, operator)()


@pytest.mark.parametrize(
    ("operator", "words"),
    [
        ("touch_brush", "Press Touch Up by Hand first"),
        ("lock_rim", "Press Touch Up by Hand first"),
        ("touch_done", "is not being touched up"),
    ],
)
def test_polls_before_touching_up(operator, words):
    marked_and_rebuilt()
    with pytest.raises(RuntimeError, match=words):
        getattr(bpy.ops.gaploft, operator)()


def test_poll_while_touching_up():
    touched_up()
    with pytest.raises(RuntimeError, match="being touched up already"):
        bpy.ops.gaploft.touch_up()


def test_a_saved_file_reopens_where_it_was(tmp_path):
    touched, arrays = touched_up()
    bpy.ops.gaploft.touch_brush(kind="FILL")
    pushed(touched, arrays, 0.02)
    lock = values(touched, "lock")
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "job.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "job.blend"))
    touched = damage().live("touched")
    assert (values(touched, MASK) == lock).all()
    if bpy.context.mode != "OBJECT":
        bpy.ops.object.mode_set(mode="OBJECT")
    bpy.ops.gaploft.recheck()
    assert hand()["largest_mm"] == pytest.approx(0.02, abs=3e-5)
    assert "Gaploft Fill" in bpy.data.brushes
