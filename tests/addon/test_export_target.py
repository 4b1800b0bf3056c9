"""Exporting: the files hold the surface as it is now, and the scene stays as it was."""

import hashlib
import json

import bpy
import numpy as np
import pytest
import trimesh
from mathutils import Euler

from blender_scan import coordinates, marked_and_rebuilt, set_coordinates


def exported(folder, name="target.stl"):
    assert bpy.ops.gaploft.export_target(filepath=str(folder / name)) == {"FINISHED"}
    return trimesh.load(folder / name, process=False)


def scene_state():
    scene = bpy.context.scene
    return (
        sorted(o.name for o in bpy.data.objects),
        sorted(m.name for m in bpy.data.meshes),
        [o.name for o in bpy.context.selected_objects],
        bpy.context.active_object,
        {o.name: [tuple(row) for row in o.matrix_world] for o in bpy.data.objects},
        {o.name: coordinates(o).tobytes() for o in bpy.data.objects if o.type == "MESH"},
        scene.gaploft.report,
        bpy.context.mode,
    )


def test_stl_holds_the_surface_in_millimetres(tmp_path):
    _, result = marked_and_rebuilt()
    mesh = exported(tmp_path)
    corners = coordinates(result)
    found = {tuple(v) for v in mesh.vertices.astype(np.float32).tolist()}
    assert found == {tuple(v) for v in corners.astype(np.float32).tolist()}
    assert len(mesh.faces) == 2 * len(result.data.polygons)
    outward = mesh.triangles_center[:, :2]
    assert (np.einsum("ij,ij->i", mesh.face_normals[:, :2], outward) > 0).all()


def test_ply_and_report_lie_beside_it(tmp_path):
    _, result = marked_and_rebuilt()
    exported(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["report.json", "target.ply", "target.stl"]
    vertex = trimesh.load(tmp_path / "target.ply", process=False).metadata["_ply_raw"]["vertex"]["data"]
    assert {"nx", "ny", "nz", "band95", "zone"} <= set(vertex.dtype.names)
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert report["target"]["sha256"] == hashlib.sha256((tmp_path / "target.stl").read_bytes()).hexdigest()
    assert report["target"]["facets"] == 2 * len(result.data.polygons)
    assert report["target"]["manifold"]
    assert report["hand"]["moved_points"] == 0


def test_another_name_names_all_files(tmp_path):
    marked_and_rebuilt()
    exported(tmp_path, "left stay.stl")
    names = ["left stay.ply", "left stay.stl", "left stay_report.json"]
    assert sorted(p.name for p in tmp_path.iterdir()) == names


def test_changes_by_hand_are_exported_and_told(tmp_path):
    _, result = marked_and_rebuilt()
    points = coordinates(result)
    points[:, 0] += 0.5
    set_coordinates(result, points)
    mesh = exported(tmp_path)
    np.testing.assert_allclose(
        mesh.vertices.mean(axis=0), points[result_corners(result)].mean(axis=0), atol=1e-3
    )
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert report["verdict"] == "check"
    assert report["hand"]["largest_mm"] == pytest.approx(0.5, abs=1e-4)
    assert "hand_changes" in [w["code"] for w in report["warnings"]]
    vertex = trimesh.load(tmp_path / "target.ply", process=False).metadata["_ply_raw"]["vertex"]["data"]
    assert vertex["band95"].max() > 0.49  # a point 0.5 mm off can't claim the narrow band of before


def result_corners(result):
    """Vertex numbers of an STL's corners, each triangle with its own three."""
    mesh = result.data
    mesh.calc_loop_triangles()
    return np.array([t.vertices[:] for t in mesh.loop_triangles]).ravel()


def test_frame_is_that_of_the_scan_wherever_the_object_stands(tmp_path):
    scan, _ = marked_and_rebuilt()
    there = exported(tmp_path).vertices
    scan.location, scan.rotation_euler = (500.0, 20.0, -40.0), Euler((0.5, 0.1, 2.0))
    np.testing.assert_array_equal(exported(tmp_path).vertices, there)


def test_scene_stays_as_it_was(tmp_path):
    scan, _ = marked_and_rebuilt()
    bpy.context.view_layer.objects.active = scan
    before = scene_state()
    exported(tmp_path)
    assert scene_state() == before


def test_same_again_gives_the_same_bytes(tmp_path):
    marked_and_rebuilt()
    exported(tmp_path)
    first = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    exported(tmp_path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == first


def test_poll_says_what_is_missing(tmp_path):
    with pytest.raises(RuntimeError, match="Rebuild the surface first"):
        bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl"))


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("target.obj", "end its name in .stl"),
        ("missing/target.stl", "does not exist"),
        ("", "no file was named"),
    ],
)
def test_bad_paths_are_refused(tmp_path, name, sentence):
    marked_and_rebuilt()
    with pytest.raises(RuntimeError, match=sentence):
        bpy.ops.gaploft.export_target(filepath=str(tmp_path / name) if name else "")
    assert not list(tmp_path.iterdir())


def test_what_the_disk_refuses_is_told_and_leaves_nothing(tmp_path):
    marked_and_rebuilt()
    with pytest.raises(RuntimeError, match="can't be written"):
        bpy.ops.gaploft.export_target(filepath=str(tmp_path / f"{'long' * 70}.stl"))
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("change", ["setting", "mark", "unit"])
def test_stale_surface_is_refused(tmp_path, change):
    marked_and_rebuilt()
    state = bpy.context.scene.gaploft
    if change == "setting":
        state.cover_mm = 0.01
    elif change == "mark":
        state.mark_to.location.z += 0.5
    else:
        state.scan_unit = "cm"
    with pytest.raises(RuntimeError, match="changed since the surface was rebuilt"):
        bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl"))
    assert not list(tmp_path.iterdir())


def test_changed_topology_is_refused(tmp_path):
    _, result = marked_and_rebuilt()
    result.data.vertices.add(1)
    with pytest.raises(RuntimeError, match="were added or removed"):
        bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl"))
    assert not list(tmp_path.iterdir())
