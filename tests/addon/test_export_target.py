"""Exporting: the files hold the surface as it is now, and the scene stays as it was."""

import hashlib
import json

import bpy
import numpy as np
import pytest
from mathutils import Euler

from blender_scan import (
    FROM_MM,
    TO_MM,
    add_scan,
    coordinates,
    marked_and_rebuilt,
    set_coordinates,
    tube_arrays,
    values,
)


def exported(folder, name="target.stl"):
    """Corners of the exported facets, (k, 3, 3), read by the published layout of binary STL."""
    assert bpy.ops.gaploft.export_target(filepath=str(folder / name)) == {"FINISHED"}
    data = (folder / name).read_bytes()
    (count,) = np.frombuffer(data, "<u4", 1, offset=80)
    assert len(data) == 84 + 50 * count
    facets = np.frombuffer(data, np.dtype([("floats", "<f4", (4, 3)), ("spare", "<u2")]), offset=84)
    return facets["floats"][:, 1:]


def ply_vertices(file):
    """The vertices of a binary PLY as a structured array, by what its header says."""
    head, body = file.read_bytes().split(b"end_header\n", 1)
    lines = head.decode("ascii").splitlines()
    element = next(k for k, line in enumerate(lines) if line.startswith("element vertex"))
    kinds = {"float": "<f4", "uchar": "u1"}
    fields = []
    for line in lines[element + 1 :]:
        if not line.startswith("property"):
            break
        _, kind, name = line.split()
        fields.append((name, kinds[kind]))
    return np.frombuffer(body, np.dtype(fields), count=int(lines[element].split()[-1]))


def as_set(points):
    return {tuple(p) for p in points.reshape(-1, 3).astype(np.float32).tolist()}


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
    corners = exported(tmp_path).astype(np.float64)
    assert as_set(corners) == as_set(coordinates(result))
    assert len(corners) == 2 * len(result.data.polygons)
    facing = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    # The tube lies along z through the origin.
    assert (np.einsum("ij,ij->i", facing[:, :2], corners.mean(axis=1)[:, :2]) > 0).all()


def test_ply_and_report_lie_beside_it(tmp_path):
    _, result = marked_and_rebuilt()
    exported(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        *("report.html", "report.json", "target.ply", "target.stl", "target_flanks.ply")
    ]
    vertex = ply_vertices(tmp_path / "target.ply")
    np.testing.assert_array_equal(vertex["band95"], values(result, "band95"))
    np.testing.assert_array_equal(vertex["zone"], values(result, "zone"))
    np.testing.assert_allclose(vertex["nx"] ** 2 + vertex["ny"] ** 2 + vertex["nz"] ** 2, 1.0, atol=1e-6)
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert report["target"]["sha256"] == hashlib.sha256((tmp_path / "target.stl").read_bytes()).hexdigest()
    assert report["target"]["facets"] == 2 * len(result.data.polygons)
    assert report["target"]["manifold"]
    for told in report["files"]:
        assert told["sha256"] == hashlib.sha256((tmp_path / told["file"]).read_bytes()).hexdigest()
    assert [told["file"] for told in report["files"]] == ["target.stl", "target.ply", "target_flanks.ply"]
    assert report["hand"]["moved_points"] == 0


def test_another_name_names_all_files(tmp_path):
    marked_and_rebuilt()
    exported(tmp_path, "left stay.stl")
    endings = (".ply", ".stl", "_flanks.ply", "_report.html", "_report.json")
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"left stay{end}" for end in endings]


def test_changes_by_hand_are_exported_and_told(tmp_path):
    _, result = marked_and_rebuilt()
    points = coordinates(result)
    points[:, 0] += 0.5
    set_coordinates(result, points)
    assert as_set(exported(tmp_path)) == as_set(points)
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert report["verdict"] == "check"
    assert report["hand"]["largest_mm"] == pytest.approx(0.5, abs=1e-4)
    assert "hand_changes" in [w["code"] for w in report["warnings"]]
    vertex = ply_vertices(tmp_path / "target.ply")
    assert vertex["band95"].max() > 0.49  # a point 0.5 mm off can't claim the narrow band of before


def warning_codes(folder):
    report = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    return report["verdict"], [w["code"] for w in report["warnings"]]


def test_facets_that_no_longer_fit_are_told(tmp_path):
    _, result = marked_and_rebuilt()
    before = bpy.context.scene.gaploft.report
    points = coordinates(result)
    one, other = result.data.polygons[len(result.data.polygons) // 2].vertices[:2]
    points[one] = points[other]
    set_coordinates(result, points)
    exported(tmp_path)
    verdict, codes = warning_codes(tmp_path)
    assert verdict == "check"
    assert "target_not_manifold" in codes
    assert bpy.context.scene.gaploft.report == before


def test_single_precision_far_from_the_origin_is_told(tmp_path):
    """At 300 m from the origin single precision numbers lie 2^-5 mm apart, more than the facets may err."""
    vertices, quads, _ = tube_arrays()
    shift = np.array([300_000.0, 0.0, 0.0])
    add_scan(vertices + shift, quads)
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM + shift, to_point=TO_MM + shift)
    bpy.ops.gaploft.rebuild()
    exported(tmp_path)
    verdict, codes = warning_codes(tmp_path)
    assert verdict == "check"
    assert "far_from_origin" in codes
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert report["target"]["rounding_mm"] == pytest.approx(2**-6, rel=0.05)


def test_a_sound_target_keeps_its_verdict(tmp_path):
    marked_and_rebuilt()
    computed = json.loads(bpy.context.scene.gaploft.report)
    exported(tmp_path)
    assert warning_codes(tmp_path) == (computed["verdict"], [w["code"] for w in computed["warnings"]])


def test_folder_in_the_place_of_a_file_is_refused_and_kept(tmp_path):
    marked_and_rebuilt()
    (tmp_path / "target.ply").mkdir()
    (tmp_path / "target.ply" / "mine").write_text("keep me")
    with pytest.raises(RuntimeError, match="is a folder, but a file of that name"):
        bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl"))
    assert (tmp_path / "target.ply" / "mine").read_text() == "keep me"
    assert len(list(tmp_path.iterdir())) == 1


def test_frame_is_that_of_the_scan_wherever_the_object_stands(tmp_path):
    scan, _ = marked_and_rebuilt()
    there = exported(tmp_path)
    scan.location, scan.rotation_euler = (500.0, 20.0, -40.0), Euler((0.5, 0.1, 2.0))
    np.testing.assert_array_equal(exported(tmp_path), there)


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
