"""The scan comes in: by file in any unit, or as a mesh that is there, and what is wrong with it is said."""

import json

import bpy
import numpy as np
import pytest
from mathutils import Matrix

import plain_tube
from blender_scan import add_scan, coordinates, everything, tube_arrays

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}


def state():
    return bpy.context.scene.gaploft


def found():
    return json.loads(state().scan_findings)


def write(path, vertices, faces):
    """A mesh file by Blender's own exporters for PLY and OBJ, by this project's own text for STL."""
    if path.suffix == ".stl":
        plain_tube.write_stl(path, vertices, faces)
        return path
    obj = add_scan(vertices, faces)
    if path.suffix == ".ply":
        bpy.ops.wm.ply_export(filepath=str(path), forward_axis="Y", up_axis="Z", global_scale=1.0)
    else:
        bpy.ops.wm.obj_export(filepath=str(path), forward_axis="Y", up_axis="Z", export_materials=False)
    bpy.data.objects.remove(obj)
    return path


@pytest.mark.parametrize("kind", [".stl", ".ply", ".obj"])
def test_each_kind_of_file_keeps_its_axes(tmp_path, kind):
    vertices, faces = plain_tube.open_tube(radius=12.0, length=90.0, n_u=91, n_v=60)
    vertices = vertices + [100.0, 20.0, -30.0]
    path = write(tmp_path / f"scan{kind}", vertices, faces)
    assert bpy.ops.gaploft.import_scan(filepath=str(path), unit="mm") == {"FINISHED"}
    scan = state().scan
    assert scan == bpy.context.active_object
    bpy.context.view_layer.update()
    world = np.array([scan.matrix_world @ v.co for v in scan.data.vertices])
    np.testing.assert_allclose(world.min(axis=0), vertices.min(axis=0), atol=1e-4)
    np.testing.assert_allclose(world.max(axis=0), vertices.max(axis=0), atol=1e-4)
    assert len(scan.data.polygons) == len(faces)
    assert found() == {"points": len(scan.data.vertices), "mm_per_unit": 1.0, "notes": [], "error": None}


@pytest.mark.parametrize("unit", MM_PER_UNIT)
def test_a_file_in_any_unit_comes_in_as_millimetres(tmp_path, unit):
    vertices, faces = plain_tube.open_tube(radius=12.0, length=90.0, n_u=91, n_v=60)
    plain_tube.write_stl(tmp_path / "scan.stl", vertices / MM_PER_UNIT[unit], faces)
    assert bpy.ops.gaploft.import_scan(filepath=str(tmp_path / "scan.stl"), unit=unit) == {"FINISHED"}
    scan, units = state().scan, bpy.context.scene.unit_settings
    np.testing.assert_allclose(np.ptp(coordinates(scan), axis=0), np.ptp(vertices, axis=0), rtol=1e-6)
    assert tuple(scan.scale) == (1.0, 1.0, 1.0)
    assert state().scan_unit == "mm"
    assert (units.system, units.length_unit) == ("METRIC", "MILLIMETERS")
    assert units.scale_length == pytest.approx(0.001)
    assert found()["error"] is None


@pytest.mark.parametrize("unit", MM_PER_UNIT)
def test_a_mesh_that_is_there_is_never_changed(unit):
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, quads, mm_per_unit=MM_PER_UNIT[unit])
    scan.data.materials.append(bpy.data.materials.new("own"))
    scan.matrix_world = Matrix.Translation((3, -2, 5)) @ Matrix.Rotation(0.7, 4, "X")
    bpy.context.view_layer.update()
    before = everything(scan)
    assert bpy.ops.gaploft.use_scan(unit=unit) == {"FINISHED"}
    assert everything(scan) == before
    assert (state().scan, state().scan_unit) == (scan, unit)
    assert bpy.context.scene.unit_settings.scale_length == pytest.approx(MM_PER_UNIT[unit] / 1000.0)
    assert found()["mm_per_unit"] == MM_PER_UNIT[unit]


def test_what_is_found_is_said(extension):
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, np.concatenate([quads, quads[:3]]))
    bpy.ops.gaploft.use_scan(unit="mm")
    assert [note["code"] for note in found()["notes"]] == ["repeated_faces", "pieces"]
    assert extension.scan_check.findings(bpy.context.scene, scan) == found()


def test_a_wrong_unit_is_an_error_before_any_work():
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    assert bpy.ops.gaploft.use_scan(unit="m") == {"FINISHED"}
    assert "is the unit mm (240 mm)" in found()["error"]
    assert bpy.ops.gaploft.use_scan(unit="mm") == {"FINISHED"}
    assert found()["error"] is None


def test_another_unit_is_said_of_the_scan_in_use():
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, quads)
    bpy.ops.gaploft.use_scan(unit="cm")
    add_scan(vertices, quads, name="other")
    bpy.ops.gaploft.use_scan(unit="mm", same=True)
    assert (state().scan, state().scan_unit) == (scan, "mm")
    bpy.ops.gaploft.use_scan(unit="mm")
    assert state().scan.name == "other"


@pytest.mark.parametrize("count", [0, 500])
def test_a_mesh_without_faces_is_an_error_before_any_work(count):
    add_scan(np.array(tube_arrays()[0])[:count], np.empty((0, 3), dtype=int))
    assert bpy.ops.gaploft.use_scan(unit="mm") == {"FINISHED"}
    assert "holds no faces" in found()["error"]


def test_findings_of_another_scan_or_unit_do_not_count(extension):
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, quads)
    assert extension.scan_check.findings(bpy.context.scene, scan) is None
    bpy.ops.gaploft.use_scan(unit="mm")
    state().scan_unit = "cm"
    assert extension.scan_check.findings(bpy.context.scene, scan) is None
    assert bpy.ops.gaploft.check_scan() == {"FINISHED"}
    assert extension.scan_check.findings(bpy.context.scene, scan) == found()
    other = add_scan(vertices[:-1], quads[(quads < len(vertices) - 1).all(axis=1)])
    assert extension.scan_check.findings(bpy.context.scene, other) is None


def test_findings_are_saved_with_the_file(tmp_path):
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    bpy.ops.gaploft.use_scan(unit="mm")
    before = found()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "job.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "job.blend"))
    assert found() == before


def broken_files(folder):
    """Files that can't come in, and what is said of each."""
    (folder / "scan.step").write_text("ISO-10303-21;\n")
    (folder / "points.obj").write_text("".join(f"v {k} 0 0\n" for k in range(20)))
    (folder / "empty.stl").write_bytes(b"")
    return {
        "scan.step": "choose an STL, PLY or OBJ file",
        "missing.stl": "choose an STL, PLY or OBJ file",
        "points.obj": "holds no faces",
        "empty.stl": r"can't be imported|holds no faces",
    }


@pytest.mark.parametrize("name", ["scan.step", "missing.stl", "points.obj", "empty.stl"])
def test_a_file_that_can_not_come_in_is_refused_in_one_sentence(tmp_path, name):
    sentence = broken_files(tmp_path)[name]
    with pytest.raises(RuntimeError, match=sentence):
        bpy.ops.gaploft.import_scan(filepath=str(tmp_path / name), unit="mm")
    assert state().scan is None


def test_without_a_window_the_unit_has_to_be_given(tmp_path):
    plain_tube.write_stl(tmp_path / "scan.stl", *plain_tube.open_tube())
    with pytest.raises(RuntimeError, match="give the unit as mm, cm, m or in"):
        bpy.ops.gaploft.import_scan(filepath=str(tmp_path / "scan.stl"))
    assert not bpy.data.objects


def test_buttons_say_why_they_can_not_be_pressed():
    with pytest.raises(RuntimeError, match="Make the scan the active object first"):
        bpy.ops.gaploft.use_scan(unit="mm")
    with pytest.raises(RuntimeError, match="make a mesh the scan, first"):
        bpy.ops.gaploft.check_scan()
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    bpy.ops.object.mode_set(mode="EDIT")
    for operator in (bpy.ops.gaploft.use_scan, bpy.ops.gaploft.import_scan):
        with pytest.raises(RuntimeError, match="Go back to Object Mode first"):
            operator()


def test_files_can_be_dropped_into_the_view(extension):
    handler = extension.ops_import.GAPLOFT_FH_scan
    assert handler.is_registered
    assert set(handler.bl_file_extensions.split(";")) == set(extension.importing.IMPORTERS)
    assert not handler.poll_drop(bpy.context)  # no view without a window
