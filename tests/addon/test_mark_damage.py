"""Marking: every way to say where the damage is leads to the same marks, or to one clear sentence."""

import bpy
import numpy as np
import pytest
from mathutils import Matrix, Vector

from blender_scan import FROM_MM, RADIUS_MM, TO_MM, add_scan, coordinates, select_points, tube_arrays


def marks():
    state = bpy.context.scene.gaploft
    bpy.context.view_layer.update()
    return np.array([state.mark_from.matrix_world.translation, state.mark_to.matrix_world.translation])


def add_empty(name, at):
    empty = bpy.data.objects.new(name, None)
    bpy.context.scene.collection.objects.link(empty)
    empty.location = at
    empty.select_set(True)
    return empty


def dented():
    vertices, quads, mask = tube_arrays(hole_deg=90.0)
    return add_scan(vertices, quads), mask


def near_axis_at(found, expected):
    """Within a quarter of the radius of the centreline, and two rings of the scan along it."""
    assert np.linalg.norm((found - expected)[:, :2], axis=1).max() < 0.25 * RADIUS_MM
    assert np.abs((found - expected)[:, 2]).max() <= 4.0


def test_given_points(broken):
    assert bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM) == {"FINISHED"}
    np.testing.assert_allclose(marks(), [FROM_MM, TO_MM], atol=1e-4)
    assert bpy.context.scene.gaploft.scan == broken
    assert bpy.context.scene.gaploft.damaged_area is None


def test_points_set_in_the_scene(broken):
    state = bpy.context.scene.gaploft
    state.from_point, state.to_point = FROM_MM, TO_MM
    assert bpy.ops.gaploft.mark_damage() == {"FINISHED"}
    np.testing.assert_allclose(marks(), [FROM_MM, TO_MM], atol=1e-4)


def test_points_taken_from_the_cursor(broken):
    for end, point in (("FROM", FROM_MM), ("TO", TO_MM)):
        bpy.context.scene.cursor.location = point
        assert bpy.ops.gaploft.take_point(end=end) == {"FINISHED"}
    bpy.ops.gaploft.mark_damage(way="POINTS")
    np.testing.assert_allclose(marks(), [FROM_MM, TO_MM], atol=1e-4)


def test_two_selected_empties(broken):
    add_empty("a", FROM_MM)
    add_empty("b", TO_MM)
    assert bpy.ops.gaploft.mark_damage() == {"FINISHED"}
    np.testing.assert_allclose(marks(), [FROM_MM, TO_MM], atol=1e-4)


def test_selection_in_edit_mode():
    scan, mask = dented()
    before = coordinates(scan)
    select_points(scan, mask)
    assert bpy.ops.gaploft.mark_damage() == {"FINISHED"}
    bpy.ops.object.mode_set(mode="OBJECT")
    near_axis_at(marks(), [FROM_MM, TO_MM])
    area = bpy.context.scene.gaploft.damaged_area
    assert len(area.data.vertices) == mask.sum()
    np.testing.assert_allclose(coordinates(area), before[mask], atol=1e-4)


@pytest.mark.parametrize(("kind", "domain"), [("BOOLEAN", "POINT"), ("FLOAT", "POINT"), ("BOOLEAN", "FACE")])
def test_painted_attribute(kind, domain):
    scan, mask = dented()
    corners = np.array([p.vertices[:] for p in scan.data.polygons])
    flags = mask if domain == "POINT" else mask[corners].all(axis=1)
    attribute = scan.data.attributes.new("gaploft_damage", kind, domain)
    attribute.data.foreach_set("value", flags.astype(bool if kind == "BOOLEAN" else np.float32))
    assert bpy.ops.gaploft.mark_damage(way="PAINTED") == {"FINISHED"}
    near_axis_at(marks(), [FROM_MM, TO_MM])
    assert len(bpy.context.scene.gaploft.damaged_area.data.vertices) == mask.sum()


def test_painted_vertex_group():
    scan, mask = dented()
    group = scan.vertex_groups.new(name="gaploft_damage")
    group.add(np.flatnonzero(mask).tolist(), 1.0, "REPLACE")
    assert bpy.ops.gaploft.mark_damage(way="PAINTED") == {"FINISHED"}
    assert len(bpy.context.scene.gaploft.damaged_area.data.vertices) == mask.sum()


def test_painted_sculpt_mask():
    scan, mask = dented()
    scan.data.attributes.new(".sculpt_mask", "FLOAT", "POINT").data.foreach_set(
        "value", mask.astype(np.float32)
    )
    assert bpy.ops.gaploft.mark_damage() == {"FINISHED"}
    assert len(bpy.context.scene.gaploft.damaged_area.data.vertices) == mask.sum()


def test_damage_all_round_needs_no_area_where_no_patch_is_wanted():
    scan, _ = dented()
    bpy.context.scene.gaploft.add_damage().patch.use = "NEVER"
    z = coordinates(scan)[:, 2]
    ring = (z > FROM_MM[2]) & (z < TO_MM[2])
    scan.data.attributes.new("gaploft_damage", "BOOLEAN", "POINT").data.foreach_set("value", ring)
    bpy.ops.gaploft.mark_damage()
    assert bpy.context.scene.gaploft.damaged_area is None
    near_axis_at(marks(), [FROM_MM, TO_MM])


def test_marking_again_replaces_marks_and_area():
    scan, mask = dented()
    scan.data.attributes.new("gaploft_damage", "BOOLEAN", "POINT").data.foreach_set("value", mask)
    bpy.ops.gaploft.mark_damage()
    count = len(bpy.data.objects), len(bpy.data.meshes)
    bpy.ops.gaploft.mark_damage()
    assert (len(bpy.data.objects), len(bpy.data.meshes)) == count
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    assert bpy.context.scene.gaploft.damaged_area is None
    assert (len(bpy.data.objects), len(bpy.data.meshes)) == (count[0] - 1, count[1] - 1)


def test_marks_move_with_the_scan(broken):
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    motion = Matrix.Translation((30, -20, 5)) @ Matrix.Rotation(0.7, 4, "X")
    broken.matrix_world = motion @ broken.matrix_world
    np.testing.assert_allclose(marks(), [motion @ Vector(FROM_MM), motion @ Vector(TO_MM)], atol=1e-3)


def test_no_line_is_drawn_from_the_marks_to_the_origin(broken):
    """Blender draws a dotted line to each parent that is visible."""
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    state = bpy.context.scene.gaploft
    assert not state.mark_from.parent.visible_get()
    assert state.mark_from.visible_get()
    assert state.mark_from.parent.parent == broken


def test_our_own_objects_are_never_taken_for_the_scan():
    scan, mask = dented()
    scan.data.attributes.new("gaploft_damage", "BOOLEAN", "POINT").data.foreach_set("value", mask)
    bpy.ops.gaploft.mark_damage()
    bpy.context.view_layer.objects.active = bpy.context.scene.gaploft.damaged_area
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    assert bpy.context.scene.gaploft.scan == scan


def test_no_scan_is_told_by_the_button():
    assert not bpy.ops.gaploft.mark_damage.poll()
    with pytest.raises(RuntimeError, match="Make the scan the active object first"):
        bpy.ops.gaploft.mark_damage()


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({}, "nothing says where the damage is"),
        ({"way": "POINTS"}, "no points are set"),
        ({"way": "SELECTION"}, "is not in Edit Mode"),
        ({"from_point": FROM_MM}, "one end of the damage was given and two are needed"),
        ({"from_point": FROM_MM, "to_point": FROM_MM}, "both ends of the damage are at the same place"),
    ],
)
def test_refusals(broken, options, sentence):
    with pytest.raises(RuntimeError, match=sentence):
        bpy.ops.gaploft.mark_damage(**options)
    assert bpy.context.scene.gaploft.mark_from is None


def test_attribute_of_another_kind_is_refused(broken):
    broken.data.attributes.new("gaploft_damage", "FLOAT_VECTOR", "POINT")
    with pytest.raises(RuntimeError, match="FLOAT_VECTOR on POINT"):
        bpy.ops.gaploft.mark_damage(way="PAINTED")


def test_library_refusal_reaches_the_technician(broken):
    broken.data.attributes.new("gaploft_damage", "BOOLEAN", "POINT")
    with pytest.raises(RuntimeError, match="0 damaged points are marked"):
        bpy.ops.gaploft.mark_damage(way="PAINTED")


@pytest.fixture
def broken():
    vertices, quads, _ = tube_arrays()
    return add_scan(vertices, quads)
