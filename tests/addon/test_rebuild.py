"""Rebuilding: what comes into the scene is what the plain function returns, and the scan stays as it is."""

import hashlib
import importlib
import json

import bpy
import numpy as np
import pytest
from mathutils import Euler, Matrix

from blender_scan import (
    FROM_MM,
    LENGTH_MM,
    RADIUS_MM,
    TO_MM,
    add_scan,
    coordinates,
    marked,
    marked_and_rebuilt,
    tube_arrays,
    values,
)
from gaploft.job import Damage, Job, TargetSettings
from gaploft.pipeline import rebuild
from gaploft.progress import silent
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource


def plain_rebuild(scan, *, mm_per_unit=1.0, **job):
    """The same without Blender's objects: the mesh's own coordinates through the library."""
    vertices = coordinates(scan)
    scan.data.calc_loop_triangles()
    faces = np.array([t.vertices[:] for t in scan.data.loop_triangles])
    source = ScanSource("scan", "", "mm", len(vertices), len(faces))
    mended = scan_from_arrays(vertices, faces, mm_per_unit=mm_per_unit, source=source)
    return rebuild(mended, Job(damage=Damage(FROM_MM, TO_MM), **job))


def test_result_equals_the_plain_function():
    scan, result = marked_and_rebuilt()
    target = plain_rebuild(scan).target
    np.testing.assert_array_equal(coordinates(result), target.vertices_mm.astype(np.float32))
    np.testing.assert_array_equal(coordinates(result, "computed"), coordinates(result))
    np.testing.assert_array_equal(values(result, "band95"), target.band95_mm.astype(np.float32))
    np.testing.assert_array_equal(values(result, "zone"), target.zone)
    np.testing.assert_array_equal([p.vertices[:] for p in result.data.polygons], target.quads)


def test_result_lies_on_the_tube_that_was_there():
    _, result = marked_and_rebuilt()
    x, y, z = coordinates(result).T
    away = np.hypot(x, y) - (RADIUS_MM - 0.01 * z)
    # The scan's noise is 0.02 mm; an average over thousands of points lies well inside it.
    assert np.abs(away[values(result, "zone") == 1]).max() < 0.05


def test_settings_of_the_scene_reach_the_library():
    state = bpy.context.scene.gaploft
    state.overlap_mm, state.paint_mm, state.cover_mm, state.chord_tolerance_mm = 6.5, 0.12, 0.8, 0.02
    scan = marked()
    bpy.ops.gaploft.rebuild()
    result = bpy.context.scene.gaploft.result
    x, y, z = coordinates(result).T
    # The wall of a cone of slope 0.01 is that much thinner across than along its normal: 0.92 mm * 5e-5.
    assert np.median(np.hypot(x, y) - (RADIUS_MM - 0.01 * z)) == pytest.approx(-0.92, abs=0.02)
    deeper = plain_rebuild(scan, target=TargetSettings(chord_tolerance_mm=0.02, overlap_mm=6.5))
    assert len(result.data.polygons) == len(deeper.target.quads)


def test_mesh_is_quads_with_outward_normals_and_seams_at_the_rims():
    _, result = marked_and_rebuilt()
    mesh = result.data
    assert {len(p.vertices) for p in mesh.polygons} == {4}
    assert all(p.use_smooth for p in mesh.polygons)
    centres = np.array([p.center[:2] for p in mesh.polygons])
    normals = np.array([p.normal[:2] for p in mesh.polygons])
    assert (np.einsum("ij,ij->i", centres, normals) > 0).all()
    seam_z = {round(mesh.vertices[v].co.z, 1) for e in mesh.edges if e.use_seam for v in e.vertices}
    assert min(seam_z) == pytest.approx(FROM_MM[2], abs=12.0)
    assert max(seam_z) == pytest.approx(TO_MM[2], abs=12.0)
    n_around = mesh["gaploft_shape"][1]
    assert sum(e.use_seam for e in mesh.edges) == 2 * n_around


def test_saved_file_reopens_where_it_was(tmp_path):
    """The helper opens a file that was saved after the rebuild: all of the state comes out of it."""
    marked_and_rebuilt()
    state = bpy.context.scene.gaploft
    report = json.loads(state.report)
    assert report["gap"]["length_mm"] == pytest.approx(30.0, abs=12.0)
    assert report["scan"]["file"] == "scan"
    assert state.result.name == "Rebuilt Surface"
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}
    assert bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl")) == {"FINISHED"}


def test_scan_is_never_altered():
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, quads)
    scan.modifiers.new("Thickness", "SOLIDIFY")

    def state():
        mesh = scan.data
        loops = np.array([corner.vertex_index for corner in mesh.loops])
        return (
            hashlib.sha256(coordinates(scan).tobytes() + loops.tobytes()).hexdigest(),
            [tuple(row) for row in scan.matrix_world],
            [m.name for m in scan.modifiers],
            [g.name for g in scan.vertex_groups],
            sorted(a.name for a in mesh.attributes),
            [c.name for c in scan.users_collection],
            scan.parent,
            len(mesh.materials),
            sorted(scan.keys()),
        )

    before = state()
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    bpy.ops.gaploft.rebuild()
    bpy.ops.gaploft.recheck()
    assert state() == before


def test_second_run_replaces_the_first():
    marked_and_rebuilt()
    counts = [
        len(data) for data in (bpy.data.objects, bpy.data.meshes, bpy.data.materials, bpy.data.collections)
    ]
    bpy.ops.gaploft.rebuild()
    again = [
        len(data) for data in (bpy.data.objects, bpy.data.meshes, bpy.data.materials, bpy.data.collections)
    ]
    assert again == counts
    assert bpy.context.scene.gaploft.result.name == "Rebuilt Surface"


@pytest.mark.parametrize(("scan_unit", "unit_scale"), [("cm", 1.0), ("scene", 0.01), ("scene", 0.0254)])
def test_moved_rotated_scaled_object_and_another_unit(extension, scan_unit, unit_scale):
    """A tube in units of 10 or 25.4 mm, whose object has half the size and lies anywhere in the world."""
    scene = bpy.context.scene
    scene.unit_settings.scale_length = unit_scale
    scene.gaploft.scan_unit = scan_unit
    mm = 10.0 if scan_unit == "cm" else 1000.0 * unit_scale
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, quads, mm_per_unit=0.5 * mm)
    rigid = Matrix.Translation((3.0, -4.0, 12.0)) @ Euler((0.4, -1.1, 2.0)).to_matrix().to_4x4()
    scan.matrix_world = rigid @ Matrix.Diagonal((0.5, 0.5, 0.5, 1.0))
    bpy.context.view_layer.update()
    ends = [
        rigid @ Matrix.Diagonal((1 / mm, 1 / mm, 1 / mm, 1)) @ Matrix.Translation(p).translation
        for p in (FROM_MM, TO_MM)
    ]
    bpy.ops.gaploft.mark_damage(from_point=ends[0], to_point=ends[1])
    task = importlib.import_module(f"{extension.__name__}.task").task_of(scene, scene.gaploft.damage)
    # Coordinates, matrices and marks are single precision.
    atol = 1e-6 * LENGTH_MM
    np.testing.assert_allclose(task.scan.vertices * task.scan.mm_per_unit, vertices, atol=atol)
    found = [task.job.damage.from_mm, task.job.damage.to_mm]
    np.testing.assert_allclose(found, [FROM_MM, TO_MM], atol=10 * atol)

    bpy.ops.gaploft.rebuild()
    result = scene.gaploft.result
    expected = task.run(silent).target.vertices_mm
    np.testing.assert_allclose(coordinates(result) * mm, expected, atol=atol)
    world = np.array([result.matrix_world @ v.co for v in result.data.vertices])
    placed = np.array([rigid @ v.co for v in result.data.vertices])
    np.testing.assert_allclose(world, placed, atol=10 * atol / mm)


def test_mirrored_object_keeps_the_outside_out():
    vertices, quads, _ = tube_arrays()
    vertices[:, 0] += 40.0
    scan = add_scan(vertices, quads)
    scan.scale = (-1.0, 1.0, 1.0)
    bpy.context.view_layer.update()
    shift = [-40.0, 0.0, 0.0]
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM + shift, to_point=TO_MM + shift)
    bpy.ops.gaploft.rebuild()
    result = bpy.context.scene.gaploft.result
    world = np.array([result.matrix_world @ v.co for v in result.data.vertices])
    quads = np.array([p.vertices[:] for p in result.data.polygons])
    corner = world[quads]
    facing = np.cross(corner[:, 2] - corner[:, 0], corner[:, 3] - corner[:, 1])
    outward = corner.mean(axis=1) - [-40.0, 0.0, 0.0]
    assert np.median(np.hypot(*(world - [-40.0, 0, 0])[:, :2].T)) == pytest.approx(RADIUS_MM - 1.2, abs=0.1)
    assert (np.einsum("ij,ij->i", facing[:, :2], outward[:, :2]) > 0).all()


def test_a_dragged_mark_is_what_counts():
    marked_and_rebuilt()
    state = bpy.context.scene.gaploft
    first = json.loads(state.report)["gap"]["length_mm"]
    state.mark_to.location.z += 20.0
    bpy.ops.gaploft.rebuild()
    assert json.loads(state.report)["gap"]["length_mm"] > first + 10.0


def test_panel_knows_when_the_report_is_of_another_damage(extension):
    panel = importlib.import_module(f"{extension.__name__}.panel_rebuild")
    marked_and_rebuilt()
    scene = bpy.context.scene
    assert not panel._outdated(scene, scene.gaploft.damage)
    scene.gaploft.cover_mm = 0.3
    assert panel._outdated(scene, scene.gaploft.damage)
    scene.gaploft.cover_mm = 0.0
    assert not panel._outdated(scene, scene.gaploft.damage)
    scene.gaploft.mark_from.location.x += 1.0
    bpy.context.view_layer.update()
    assert panel._outdated(scene, scene.gaploft.damage)


def test_damage_on_one_side():
    vertices, quads, mask = tube_arrays(hole_deg=90.0)
    scan = add_scan(vertices, quads)
    scan.data.attributes.new("gaploft_damage", "BOOLEAN", "POINT").data.foreach_set("value", mask)
    bpy.ops.gaploft.mark_damage()
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    x, y, z = coordinates(bpy.context.scene.gaploft.result).T
    # The dent is 3 mm deep; the surface across it must not know of it.
    assert np.abs(np.hypot(x, y) - (RADIUS_MM - 0.01 * z)).max() < 0.1


def test_poll_says_what_is_missing():
    with pytest.raises(RuntimeError, match="Mark the damage first"):
        bpy.ops.gaploft.rebuild()
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    bpy.ops.object.mode_set(mode="EDIT")
    with pytest.raises(RuntimeError, match="Go back to Object Mode first"):
        bpy.ops.gaploft.rebuild()
    bpy.ops.object.mode_set(mode="OBJECT")


def test_scan_changed_since_marking_is_refused():
    vertices, quads, mask = tube_arrays(hole_deg=90.0)
    scan = add_scan(vertices, quads)
    scan.data.attributes.new("gaploft_damage", "BOOLEAN", "POINT").data.foreach_set("value", mask)
    bpy.ops.gaploft.mark_damage()
    scan.data.vertices.add(1)
    with pytest.raises(RuntimeError, match="mark the damage again"):
        bpy.ops.gaploft.rebuild()


def test_damaged_area_that_forgot_its_points_is_refused():
    vertices, quads, mask = tube_arrays(hole_deg=90.0)
    scan = add_scan(vertices, quads)
    scan.data.attributes.new("gaploft_damage", "BOOLEAN", "POINT").data.foreach_set("value", mask)
    bpy.ops.gaploft.mark_damage()
    attributes = bpy.context.scene.gaploft.damaged_area.data.attributes
    attributes.remove(attributes["source_vertex"])
    with pytest.raises(RuntimeError, match="no longer knows the damaged points"):
        bpy.ops.gaploft.rebuild()


def test_library_refusal_leaves_no_surface():
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM + [900, 0, 0], to_point=TO_MM + [900, 0, 0])
    with pytest.raises(RuntimeError, match=r"^Error: [^\n]+\n"):
        bpy.ops.gaploft.rebuild()
    assert bpy.context.scene.gaploft.result is None


def test_refused_verdict_takes_an_earlier_surface_away(tmp_path):
    """Too little intact tube is left beside a gap from nearly end to end: a report, but no target."""
    marked_and_rebuilt()
    bpy.ops.gaploft.mark_damage(from_point=(0, 0, 6.0), to_point=(0, 0, 234.0))
    with pytest.raises(RuntimeError):
        bpy.ops.gaploft.rebuild()
    assert bpy.context.scene.gaploft.result is None
    assert "Rebuilt Surface" not in bpy.data.objects
    with pytest.raises(RuntimeError, match="The last rebuild was refused"):
        bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl"))
    assert not list(tmp_path.iterdir())


def test_scan_of_impossible_size_is_refused():
    bpy.context.scene.gaploft.scan_unit = "m"
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    with pytest.raises(RuntimeError, match="mm"):
        bpy.ops.gaploft.rebuild()
