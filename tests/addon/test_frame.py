"""Files in the machine's frame: three points or fixture spheres that are marked in the scan."""

import importlib
import json
import struct
import zipfile

import bpy
import numpy as np
import pytest

from blender_scan import FROM_MM, TO_MM, add_scan, marked, marked_and_rebuilt, tube_arrays

#: Fixture spheres beside the tube, mm; the first three set the axes.
CENTRES_MM = np.array([[60.0, 10.0, 40.0], [60.0, 10.0, 200.0], [60.0, 70.0, 40.0]])
BALL_MM, NOISE_MM = 6.0, 0.005


def machine():
    return bpy.context.scene.gaploft.machine


def ball(centre, *, n=60):
    """A sphere's vertices and quads, poles left open, with noise along the radius."""
    rng = np.random.default_rng(5)
    lat, lon = np.meshgrid(
        np.linspace(0.05, np.pi - 0.05, n), 2 * np.pi * np.arange(2 * n) / (2 * n), indexing="ij"
    )
    radius = BALL_MM + rng.normal(0.0, NOISE_MM, lat.shape)
    unit = np.stack([np.sin(lat) * np.cos(lon), np.sin(lat) * np.sin(lon), np.cos(lat)], axis=2)
    i, j = (a.ravel() for a in np.meshgrid(np.arange(n - 1), np.arange(2 * n), indexing="ij"))
    k = (j + 1) % (2 * n)
    quads = np.column_stack([i * 2 * n + j, (i + 1) * 2 * n + j, (i + 1) * 2 * n + k, i * 2 * n + k])
    return (centre + radius[..., None] * unit).reshape(-1, 3), quads


def with_balls():
    """The broken tube with three fixture spheres beside it, marked."""
    vertices, quads, _ = tube_arrays()
    for centre in CENTRES_MM:
        more, faces = ball(centre)
        quads = np.concatenate([quads, faces + len(vertices)])
        vertices = np.concatenate([vertices, more])
    scan = add_scan(vertices, quads)
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    return scan


def stl_points(path):
    """Corners in a binary STL, (n, 3)."""
    data = path.read_bytes()
    (count,) = struct.unpack("<I", data[80:84])
    facets = np.frombuffer(data[84:], dtype=np.dtype("3<f4, 9<f4, <u2"), count=count)
    return facets["f1"].reshape(-1, 3).astype(np.float64)


def export(folder, **how):
    assert bpy.ops.gaploft.export_target(filepath=str(folder / "target.stl"), **how) == {"FINISHED"}
    return json.loads((folder / "report.json").read_text(encoding="utf-8"))


def test_points_set_origin_and_axes(tmp_path):
    scan, _ = marked_and_rebuilt()
    (tmp_path / "scan").mkdir()
    (tmp_path / "machine").mkdir()
    report = export(tmp_path / "scan")
    assert report["frame_fit"] is None
    machine().kind = "POINTS"
    scan.location = (10.0, 0.0, 0.0)  # the marks move along, and so nothing changes
    bpy.context.view_layer.update()
    points = np.array([[20.0, 0.0, 100.0], [20.0, 0.0, 150.0], [20.0, 30.0, 100.0]])
    for point in points + [10.0, 0.0, 0.0]:
        assert bpy.ops.gaploft.add_frame_mark(point=point) == {"FINISHED"}
    with pytest.raises(RuntimeError, match="All three points are marked"):
        bpy.ops.gaploft.add_frame_mark(point=(0, 0, 0))
    assert bpy.ops.gaploft.fit_frame() == {"FINISHED"}
    report = export(tmp_path / "machine", as_3mf=True)
    assert "machine" in report["frame"]
    # x of the machine is z of the scan, its y is y, its z is minus x.
    turn = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])
    matrix = np.array(report["frame_fit"]["matrix"])
    np.testing.assert_allclose(matrix[:3, :3], turn, atol=1e-6)
    expected = (stl_points(tmp_path / "scan" / "target.stl") - points[0]) @ turn.T
    np.testing.assert_allclose(stl_points(tmp_path / "machine" / "target.stl"), expected, atol=1e-4)
    with zipfile.ZipFile(tmp_path / "machine" / "target.3mf") as archive:
        assert b'unit="millimeter"' in archive.read("3D/3dmodel.model")[:500]


def test_spheres_set_the_frame(tmp_path):
    with_balls()
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    machine().kind, machine().radius_mm = "SPHERES", BALL_MM
    for centre in CENTRES_MM:  # clicked on their near side
        assert bpy.ops.gaploft.add_frame_mark(point=centre + [BALL_MM, 0.0, 0.0]) == {"FINISHED"}
    assert [entry.mark.name for entry in machine().spheres] == [f"Frame Sphere {n}" for n in (1, 2, 3)]
    assert bpy.ops.gaploft.fit_frame() == {"FINISHED"}
    frame_job = importlib.import_module("bl_ext.user_default.gaploft.frame_job")
    found = frame_job.found(bpy.context.scene)
    # Thousands of points of 0.005 mm noise, rounded to single precision.
    for sphere, centre in zip(found["spheres"], CENTRES_MM, strict=True):
        np.testing.assert_allclose(sphere["centre_mm"], centre, atol=0.002)
        assert sphere["radius_mm"] == pytest.approx(BALL_MM, abs=0.002)
    report = export(tmp_path)
    carried = np.array(report["frame_fit"]["matrix"]) @ np.append(CENTRES_MM[1], 1.0)
    np.testing.assert_allclose(carried[:3], [160.0, 0.0, 0.0], atol=0.004)


def test_known_places_leave_residuals():
    with_balls()
    machine().kind, machine().places, machine().radius_mm = "SPHERES", "KNOWN", BALL_MM
    for number, centre in enumerate(CENTRES_MM):
        bpy.ops.gaploft.add_frame_mark(point=centre)
        machine().spheres[number].at_mm = centre + [0.0, 0.0, 0.03 * number]
    assert bpy.ops.gaploft.fit_frame() == {"FINISHED"}
    frame_job = importlib.import_module("bl_ext.user_default.gaploft.frame_job")
    found = frame_job.found(bpy.context.scene)
    assert 0.005 < found["residual_most_mm"] < 0.05
    machine().spheres[0].at_mm[0] += 1.0
    assert frame_job.found(bpy.context.scene) is None, "another place was asked for"


def test_marks_that_are_missing_are_told(tmp_path):
    marked_and_rebuilt()
    with pytest.raises(RuntimeError, match="Choose Three Points or Spheres"):
        bpy.ops.gaploft.add_frame_mark(point=(0, 0, 0))
    machine().kind = "POINTS"
    with pytest.raises(RuntimeError, match="three points, and 0 are marked"):
        export(tmp_path)
    with pytest.raises(RuntimeError, match="give a place on the scan"):
        bpy.ops.gaploft.add_frame_mark()
    with pytest.raises(RuntimeError, match="first"):
        bpy.ops.gaploft.fit_frame()
    machine().kind = "SPHERES"
    bpy.ops.gaploft.add_frame_mark(point=(0, 0, 0))
    with pytest.raises(RuntimeError, match="three spheres or more, and 1 are marked"):
        export(tmp_path)
    assert not list(tmp_path.iterdir())


def test_points_on_a_line_are_refused_by_the_library():
    marked()
    machine().kind = "POINTS"
    for z in (0.0, 50.0, 100.0):
        bpy.ops.gaploft.add_frame_mark(point=(0.0, 0.0, z))
    with pytest.raises(RuntimeError, match="line"):
        bpy.ops.gaploft.fit_frame()
    assert bpy.ops.gaploft.clear_frame_marks() == {"FINISHED"}
    assert len(machine().points) == 0
    assert not [obj for obj in bpy.data.objects if obj.name.startswith("Frame ")]
    with pytest.raises(RuntimeError, match="no marks of a frame"):
        bpy.ops.gaploft.clear_frame_marks()


def test_a_mark_that_was_deleted_is_marked_again():
    marked()
    machine().kind = "POINTS"
    for place in ((0, 0, 0), (50, 0, 0), (0, 50, 0)):
        bpy.ops.gaploft.add_frame_mark(point=place)
    bpy.data.objects.remove(machine().points[1].mark)
    assert bpy.ops.gaploft.add_frame_mark(point=(60, 0, 0)) == {"FINISHED"}
    assert machine().points[1].mark.name == "Frame On X"


def test_step_wants_a_kernel_and_no_hand_work(tmp_path, monkeypatch):
    marked_and_rebuilt()
    dialog = importlib.import_module("bl_ext.user_default.gaploft.export_dialog")
    assert not dialog.has_kernel(), "the zip holds no CAD kernel"
    with pytest.raises(RuntimeError, match="STEP"):
        export(tmp_path, as_step=True)
    assert not list(tmp_path.iterdir())
    result = bpy.context.scene.gaploft.result
    result.data.vertices[len(result.data.vertices) // 2].co.x += 0.05
    with pytest.raises(RuntimeError, match="changed by hand"):
        export(tmp_path, as_step=True)
