"""A rebuilt patch that is bent to guides inside Blender: at once, as by a hand, and by the next rebuild."""

import importlib
import json

import bpy
import numpy as np
import pytest

from blender_patch import HALF_MM, height, off, rebuilt_sheet
from blender_scan import coordinates, set_coordinates, values
from gaploft.evidence.hand_lock import lock_weights

#: Places in the dent, and how far above the sheet a guide is put.
MIDDLE, BESIDE, UP_MM = (0.3, -0.2), (-1.2, 1.0), 0.3


def module(name):
    return importlib.import_module(f"bl_ext.user_default.gaploft.{name}")


def place(at, up_mm):
    x, y = at
    return np.array([x, y, height(x, y) + up_mm])


@pytest.fixture
def damage():
    return rebuilt_sheet()


def add(at=MIDDLE, up_mm=UP_MM):
    bpy.ops.gaploft.add_guide(point=place(at, up_mm))
    patch = bpy.context.scene.gaploft.damage.patch
    return patch.guides[-1].mark


def missed(obj, at):
    """How far a surface lies above a place, mm: of a plane through its points nearest to it."""
    points, normals = coordinates(obj), coordinates(obj, "computed_normal")
    near = np.argsort(np.linalg.norm(points - at, axis=1))[:7]
    normal = normals[near].mean(axis=0)
    system = np.column_stack([np.ones(len(near)), points[near] - at])
    return float((np.linalg.lstsq(system, (points[near] - at) @ normal, rcond=None)[0])[0])


def lock_of(obj):
    zone = np.empty(len(obj.data.vertices), dtype=np.int32)
    obj.data.attributes["zone"].data.foreach_get("value", zone)
    faces = np.array([polygon.vertices[:] for polygon in obj.data.polygons])
    lock_mm = bpy.context.scene.gaploft.touch.lock_mm
    return lock_weights(coordinates(obj, "computed"), zone, faces, lock_mm), zone == 1


def test_a_copy_passes_through_guides_and_its_rim_stays(damage):
    computed = coordinates(damage.result)
    marks = [add(MIDDLE, UP_MM), add(BESIDE, -0.1)]
    assert bpy.ops.gaploft.solve_guides() == {"FINISHED"}
    touched = damage.touched
    for mark in marks:
        assert missed(touched, np.array(mark.location)) == pytest.approx(0.0, abs=0.01)
    lock, rebuilt = lock_of(touched)
    np.testing.assert_array_equal(coordinates(touched)[lock == 1.0], computed[lock == 1.0])
    assert (lock[~rebuilt] == 1.0).all()
    np.testing.assert_array_equal(coordinates(damage.result), computed)
    assert damage.result.hide_get()
    assert touched.visible_get()
    hand = json.loads(damage.report)["hand"]
    raised = values(touched, "guided").astype(float)
    assert hand["normal_mm"] == pytest.approx([raised.min(), raised.max()], abs=1e-3)
    assert hand["overlap_mm"] == 0.0
    assert hand["normal_mm"][1] > 0.25
    assert hand["outside_band"] > 0
    assert json.loads(damage.report)["verdict"] == "check"


def test_guides_that_are_solved_leave_nothing_outdated(damage, tmp_path):
    mark = add()
    stale = module("settings").is_stale
    path = tmp_path / "target.stl"
    assert stale(bpy.context.scene, damage)
    with pytest.raises(RuntimeError, match="rebuild it first"):
        bpy.ops.gaploft.export_target(filepath=str(path))
    bpy.ops.gaploft.solve_guides()
    assert not stale(bpy.context.scene, damage)
    assert bpy.ops.gaploft.export_target(filepath=str(path), as_3mf=True) == {"FINISHED"}
    written = np.fromfile(path, dtype=np.dtype([("n", "<3f4"), ("v", "<9f4"), ("a", "<u2")]), offset=84)
    assert off(written["v"].reshape(-1, 3)).max() == pytest.approx(UP_MM, abs=0.05)
    assert json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))["hand"]["normal_mm"][1] > 0.2
    mark.location.z += 0.05
    bpy.context.view_layer.update()
    assert stale(bpy.context.scene, damage)


def test_a_guide_that_goes_takes_its_change_along_and_leaves_that_of_the_hand(damage):
    add()
    bpy.ops.gaploft.solve_guides()
    touched = damage.touched
    lock, _ = lock_of(touched)
    stroke = (0.01 * (1.0 - lock))[:, None] * coordinates(touched, "computed_normal")
    set_coordinates(touched, coordinates(touched) + stroke)
    bpy.ops.gaploft.remove_guide()
    assert bpy.ops.gaploft.solve_guides() == {"FINISHED"}
    np.testing.assert_allclose(coordinates(touched), coordinates(damage.result) + stroke, atol=1e-5)
    set_coordinates(touched, coordinates(damage.result))
    add()
    bpy.ops.gaploft.solve_guides()
    bpy.ops.gaploft.remove_guide()
    bpy.ops.gaploft.solve_guides()
    np.testing.assert_array_equal(coordinates(touched), coordinates(damage.result))
    assert json.loads(damage.report)["hand"]["moved_points"] == 0


def test_the_next_rebuild_passes_through_the_guides(damage):
    mark = add(MIDDLE, UP_MM)
    bpy.ops.gaploft.solve_guides()
    moved = coordinates(damage.touched)
    lock, _ = lock_of(damage.touched)
    at_guide = np.linalg.norm(moved - np.array(mark.location), axis=1).argmin()
    assert lock[at_guide] < 0.05
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert damage.touched is None
    assert missed(damage.result, np.array(mark.location)) == pytest.approx(0.0, abs=0.005)
    assert not module("settings").is_stale(bpy.context.scene, damage)
    quick = coordinates(damage.result)
    module("task").forget()
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    np.testing.assert_array_equal(coordinates(damage.result), quick)
    # and from there on a guide moves the surface that passes through it
    before = coordinates(damage.result)
    mark.location.z -= 0.1
    bpy.context.view_layer.update()
    assert bpy.ops.gaploft.solve_guides() == {"FINISHED"}
    assert missed(damage.touched, np.array(mark.location)) == pytest.approx(0.0, abs=0.005)
    np.testing.assert_array_equal(coordinates(damage.result), before)
    assert not module("settings").is_stale(bpy.context.scene, damage)
    bpy.ops.gaploft.remove_guide()
    assert bpy.ops.gaploft.solve_guides() == {"FINISHED"}
    free = lock_of(damage.touched)[0] < 0.01
    assert free.any()
    assert np.abs(off(coordinates(damage.touched)[free])).max() < 0.06, "as without any guide"


def test_a_region_given_back_is_raised_again_by_the_next_move(damage):
    mark = add()
    bpy.ops.gaploft.solve_guides()
    assert bpy.ops.gaploft.back_to_computed(region="ALL") == {"FINISHED"}
    np.testing.assert_array_equal(coordinates(damage.touched), coordinates(damage.result))
    assert module("settings").is_stale(bpy.context.scene, damage), "its guide is not met any more"
    mark.location.z += 0.05
    bpy.context.view_layer.update()
    assert bpy.ops.gaploft.solve_guides() == {"FINISHED"}
    assert missed(damage.touched, np.array(mark.location)) == pytest.approx(0.0, abs=0.01)


def test_a_drag_is_followed_at_once(damage, monkeypatch):
    """As in a window: the handler hears of the move, and a timer does the work."""
    live = module("guide_live")
    asked = []
    monkeypatch.setattr(live, "want", lambda one: asked.append(one.uid))
    mark = add()
    asked.clear()
    mark.location.z += 0.1
    bpy.context.view_layer.update()
    assert asked == [damage.uid]
    asked.clear()
    damage.result.location.x += 0.0
    bpy.context.view_layer.update()
    assert asked == []
    live._WAITING.add(damage.uid)
    with monkeypatch.context() as gone:
        gone.setattr(module("guide_move"), "at_hand", lambda _: None)
        assert live.follow_soon() is None
    assert "press Solve Guides" in live.trouble(damage)
    bpy.ops.gaploft.solve_guides()
    assert live.trouble(damage) == ""
    mark.location.z -= 0.2
    bpy.context.view_layer.update()
    live._WAITING.add(damage.uid)
    live.follow_soon()
    assert live.trouble(damage) == ""
    assert missed(damage.touched, np.array(mark.location)) == pytest.approx(0.0, abs=0.01)
    live.check_soon()
    hand = json.loads(damage.report)["hand"]
    assert hand["normal_mm"][1] == pytest.approx(values(damage.touched, "guided").max(), abs=1e-3)
    damage.patch.follow = False
    asked.clear()
    mark.location.z -= 0.2
    bpy.context.view_layer.update()
    assert asked == []


def test_a_file_that_was_opened_goes_on_where_it_was(damage, tmp_path):
    mark_name = add().name
    bpy.ops.gaploft.solve_guides()
    moved = coordinates(damage.touched)
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "guided.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "guided.blend"))
    module("task").forget()
    damage = bpy.context.scene.gaploft.damage
    assert not module("settings").is_stale(bpy.context.scene, damage)
    assert bpy.ops.gaploft.solve_guides() == {"FINISHED"}
    np.testing.assert_allclose(coordinates(damage.touched), moved, atol=1e-4)
    bpy.data.objects[mark_name].location.z += 0.1
    bpy.context.view_layer.update()
    assert bpy.ops.gaploft.solve_guides() == {"FINISHED"}
    assert missed(damage.touched, np.array(bpy.data.objects[mark_name].location)) == pytest.approx(
        0, abs=0.01
    )


@pytest.mark.parametrize(
    ("at", "up_mm", "match"),
    [
        (MIDDLE, 20.0, "a guide point lies 20 mm off the patch"),
        ((0.7 * HALF_MM, 0.0), 0.2, "guide 1 lies over intact scan or the locked rim, 0.2 mm off"),
    ],
)
def test_a_guide_that_can_not_be_met_is_told_and_changes_nothing(damage, at, up_mm, match):
    add(at, up_mm)
    with pytest.raises(RuntimeError, match=match) as told:
        bpy.ops.gaploft.solve_guides()
    assert len(str(told.value).strip().splitlines()) == 1
    assert damage.touched is None
    assert not damage.result.hide_get()


def test_a_guide_on_the_locked_rim_is_told(damage):
    """At the very rim, where the lock leaves nothing, no change can meet it."""
    guide = module("guiding")
    bend = module("guide_move").at_hand(damage) or module("ops_solve").again_of(
        bpy.context.scene, damage
    ).run(lambda *_: None)
    free = np.zeros(len(damage.result.data.vertices))
    with pytest.raises(
        guide.InputError, match=r"guide 1 lies over intact scan or the locked rim, 0\.3 mm off"
    ):
        bend.raised(place(MIDDLE, 0.3)[None], free)
