"""Back to the computed surface: each region, from each mode, with and without a feather."""

import json

import bpy
import numpy as np
import pytest

from blender_scan import coordinates, marked_and_rebuilt, set_coordinates, values
from gaploft.evidence.hand_back import given_back

PUSH_MM = 0.2


def damage():
    return bpy.context.scene.gaploft.damage


def hand():
    return json.loads(damage().report)["hand"]


def sculpted(mode="OBJECT"):
    """A touched copy pushed outwards over its whole zone, and its points as computed and as pushed."""
    marked_and_rebuilt()
    bpy.ops.gaploft.touch_up()
    bpy.ops.object.mode_set(mode="OBJECT")
    touched = damage().touched
    computed = coordinates(touched, "computed")
    free = 1.0 - values(touched, "lock").astype(np.float64)
    set_coordinates(touched, computed + PUSH_MM * free[:, None] * coordinates(touched, "computed_normal"))
    bpy.ops.object.mode_set(mode=mode)
    return touched, computed, now(touched)


def now(obj):
    """Points as they are, whatever the mode."""
    if obj.mode == "EDIT":
        obj.update_from_editmode()
    return coordinates(obj)


def quads_of(obj):
    return np.array([polygon.vertices for polygon in obj.data.polygons])


@pytest.mark.parametrize("mode", ["OBJECT", "EDIT", "SCULPT"])
def test_all_of_it_goes_back_to_the_bit_from_every_mode(mode):
    touched, computed, pushed = sculpted(mode)
    assert np.abs(pushed - computed).max() > 0.1
    assert bpy.ops.gaploft.back_to_computed(region="ALL") == {"FINISHED"}
    assert touched.mode == mode
    assert np.array_equal(now(touched), computed)
    assert hand()["moved_points"] == 0


@pytest.mark.parametrize("feather_mm", [0.0, 4.0])
def test_what_is_selected_goes_back_and_the_rest_fades(feather_mm):
    touched, computed, pushed = sculpted("EDIT")
    bpy.ops.mesh.select_all(action="DESELECT")
    bpy.ops.object.mode_set(mode="OBJECT")
    region = np.abs(computed[:, 2] - 120.0) < 4.0
    for vertex in np.flatnonzero(region):
        touched.data.vertices[vertex].select = True
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.gaploft.back_to_computed(region="SELECTED", feather_mm=feather_mm)
    assert bpy.context.mode == "EDIT_MESH"
    expected = given_back(computed, pushed, region, quads_of(touched), feather_mm)
    found = now(touched)
    assert np.array_equal(found[region], computed[region])
    np.testing.assert_allclose(found, expected, atol=3e-5)  # single precision at 240 mm
    fading = (np.abs(found - pushed).max(axis=1) > 1e-4) & ~region
    assert fading.any() == (feather_mm > 0.0)


@pytest.mark.parametrize("mode", ["OBJECT", "SCULPT"])
def test_what_left_the_band_goes_back(mode):
    touched, computed, pushed = sculpted(mode)
    bpy.ops.gaploft.recheck()
    before = hand()
    assert before["outside_band"] > 0
    bpy.ops.gaploft.back_to_computed(region="OUTSIDE", feather_mm=0.0)
    assert hand()["outside_band"] == 0
    outward = np.einsum("ij,ij->i", pushed - computed, coordinates(touched, "computed_normal"))
    inside = np.abs(outward) < values(touched, "band95") - 1e-4
    assert np.array_equal(now(touched)[inside], pushed[inside]), "what is within its band stays"
    assert hand()["moved_points"] < before["moved_points"]


def test_nothing_off_the_band_is_no_error():
    marked_and_rebuilt()
    assert bpy.ops.gaploft.back_to_computed(region="OUTSIDE") == {"FINISHED"}
    assert hand()["moved_points"] == 0


def test_what_is_marked_goes_back_and_the_marks_go_too():
    touched, computed, pushed = sculpted("OBJECT")
    lock = values(touched, "lock").astype(np.float64)
    marked = (np.abs(computed[:, 2] - 120.0) < 3.0) & (lock < 0.5)
    painted = np.maximum(lock, 0.9 * marked).astype(np.float32)
    touched.data.attributes[".sculpt_mask"].data.foreach_set("value", painted)
    bpy.ops.object.mode_set(mode="SCULPT")
    bpy.ops.gaploft.back_to_computed(region="PAINTED", feather_mm=0.0)
    assert bpy.context.mode == "SCULPT"
    found = now(touched)
    assert np.array_equal(found[marked], computed[marked])
    assert np.array_equal(found[~marked], pushed[~marked])
    assert (values(touched, ".sculpt_mask") == lock.astype(np.float32)).all()


@pytest.mark.parametrize(
    ("region", "words"), [("SELECTED", "no point is selected"), ("PAINTED", "nothing is marked")]
)
def test_an_empty_region_is_told(region, words):
    touched, _, pushed = sculpted("EDIT")
    bpy.ops.mesh.select_all(action="DESELECT")
    with pytest.raises(RuntimeError, match=words):
        bpy.ops.gaploft.back_to_computed(region=region)
    assert np.array_equal(now(touched), pushed)


def test_a_surface_moved_as_an_object_goes_back_as_a_whole_only():
    touched, computed, _ = sculpted()
    touched.location.x += 0.5
    with pytest.raises(RuntimeError, match="moved as an object"):
        bpy.ops.gaploft.back_to_computed(region="OUTSIDE")
    bpy.ops.gaploft.back_to_computed(region="ALL")
    assert np.array_equal(now(touched), computed)
    assert hand()["moved_points"] == 0


def test_the_computed_surface_itself_goes_back_when_somebody_moved_its_points():
    _, result = marked_and_rebuilt()
    computed = coordinates(result)
    set_coordinates(result, computed + 0.1)
    bpy.ops.gaploft.back_to_computed(region="ALL")
    assert np.array_equal(coordinates(result), computed)


def test_a_scan_in_metres_that_was_moved_gives_the_same_points_back():
    """The feather is in millimetres whatever the unit."""
    touched, computed, pushed = sculpted()
    region = np.abs(computed[:, 2] - 120.0) < 4.0
    expected = given_back(computed, pushed, region, quads_of(touched), 4.0)
    mesh, size = touched.data, 1e-3
    mesh["gaploft_mm_per_unit"] = 1000.0
    for name, points in (("computed", computed), (None, pushed)):
        data = mesh.vertices if name is None else mesh.attributes[name].data
        data.foreach_set("co" if name is None else "vector", (size * points).astype(np.float32).ravel())
    mesh.update()
    damage().id_data.gaploft.scan.location = (40.0, -3.0, 2.0)
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="DESELECT")
    bpy.ops.object.mode_set(mode="OBJECT")
    for vertex in np.flatnonzero(region):
        mesh.vertices[vertex].select = True
    bpy.ops.gaploft.back_to_computed(region="SELECTED", feather_mm=4.0)
    np.testing.assert_allclose(now(touched) / size, expected, atol=6e-5)


@pytest.mark.parametrize("mode", ["OBJECT", "EDIT", "SCULPT"])
def test_undo_brings_the_change_by_hand_back(mode):
    bpy.ops.ed.undo_push(message="before")
    _, computed, pushed = sculpted(mode)
    bpy.ops.ed.undo_push(message="sculpted")
    bpy.ops.gaploft.back_to_computed("EXEC_DEFAULT", True, region="ALL")
    assert np.array_equal(now(damage().touched), computed)
    bpy.ops.ed.undo()
    assert damage().touched.mode == mode
    assert np.array_equal(now(damage().touched), pushed)
    bpy.ops.ed.redo()
    assert np.array_equal(now(damage().touched), computed)


def test_its_tooltip_says_which_region(extension):
    ours = next(c for c in extension.CLASSES if c.__name__ == "GAPLOFT_OT_back_to_computed")
    tips = {ours.description(None, type("P", (), {"region": key})) for key in ("ALL", "OUTSIDE", "SELECTED")}
    assert len(tips) == 3
