"""A target without rings inside Blender: shown, cut, touched up, given back, exported, checked for stock.

How it was rebuilt does not matter here: it is a saddle in closed form.
"""

import importlib
import json
from types import SimpleNamespace

import bpy
import numpy as np
import pytest

import plain_patch
import plain_rebuild
from blender_scan import add_scan, coordinates, marked, set_coordinates, values
from gaploft.evidence.hand import hand_changes
from gaploft.evidence.hand_back import given_back
from gaploft.evidence.hand_lock import lock_weights
from gaploft.evidence.rim import rim_edges
from gaploft.files.ply_back import read_ply_back
from gaploft.report.colours import width_scale, zone_rgba

DEPTH_MM, STOCK_MM = 0.3, 0.1
#: At the height of the break of the tube that the scene holds.
TARGET = plain_patch.saddle(depth_mm=DEPTH_MM, shift=(40.0, 0.0, 120.0))


def module(name):
    return importlib.import_module(f"bl_ext.user_default.gaploft.{name}")


def damage():
    return bpy.context.scene.gaploft.damage


def kept(target=TARGET):
    """A scene with a scan whose damage has this target: the surface's object, and the rebuild."""
    marked()
    scene, settings = bpy.context.scene, module("settings")
    rebuilt = plain_rebuild.rebuild(made=target)
    key = settings.job_key(settings.job_of(scene, damage()), 1.0, damage())
    assert module("outcome").keep(scene, damage(), SimpleNamespace(key=key), rebuilt) is None
    bpy.context.view_layer.update()
    return damage().result, rebuilt


def faces(obj):
    return np.array([polygon.vertices[:] for polygon in obj.data.polygons])


def test_mesh_is_the_triangles_with_all_their_values():
    result, _ = kept()
    np.testing.assert_array_equal(faces(result), TARGET.triangles)
    np.testing.assert_allclose(coordinates(result), TARGET.vertices_mm, atol=1e-4)
    for name, wanted in (("band95", TARGET.band95_mm), ("depth", TARGET.depth_mm)):
        np.testing.assert_allclose(values(result, name), wanted, atol=1e-6)
    zone = np.empty(len(TARGET.zone), dtype=np.int32)
    result.data.attributes["zone"].data.foreach_get("value", zone)
    np.testing.assert_array_equal(zone, TARGET.zone)
    seams = {tuple(sorted(edge.vertices)) for edge in result.data.edges if edge.use_seam}
    assert seams == {tuple(edge) for edge in rim_edges(TARGET.triangles, TARGET.zone == 1).tolist()}
    assert len(seams) > 20
    assert all(polygon.use_smooth for polygon in result.data.polygons)
    assert json.loads(damage().report)["target"]["kind"] == "patch"


def test_arrays_come_back_also_out_of_a_file(tmp_path):
    kept()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "patch.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "patch.blend"))
    arrays = module("surface_io").surface_arrays(damage().result, bpy.context.scene.gaploft.scan)
    assert (arrays.ringed, arrays.shape, arrays.quads.shape) == (False, (0, 0), (0, 4))
    np.testing.assert_array_equal(arrays.facets, TARGET.triangles)
    np.testing.assert_array_equal(arrays.current_mm, arrays.computed_mm)
    target = module("target_io").target_of(damage())[3]
    assert not target.ringed
    np.testing.assert_allclose(target.outer_mm, TARGET.outer_mm, atol=1e-4)


def test_a_patch_with_points_removed_is_told():
    result, _ = kept()
    result.data.clear_geometry()
    with pytest.raises(RuntimeError, match="added or removed"):
        bpy.ops.gaploft.recheck()


@pytest.mark.parametrize("shown", ["BAND", "ZONE", "DEPTH"])
def test_colours_and_legend_of_a_patch(shown):
    result, _ = kept()
    show = bpy.context.scene.gaploft.show
    show.tolerance_mm = 0.1
    assert bpy.ops.gaploft.show_values(shown=shown) == {"FINISHED"}
    data = result.data.attributes["gaploft_shown"].data
    found = np.empty(4 * len(data), dtype=np.float32)
    data.foreach_get("color", found)
    painted = module("overlay").painted(bpy.context.scene)
    expected = {
        "BAND": lambda: width_scale(0.1).rgba(values(result, "band95")),
        "ZONE": lambda: zone_rgba(TARGET.zone),
        "DEPTH": lambda: painted.scale.rgba(values(result, "depth")),
    }[shown]()
    np.testing.assert_allclose(found.reshape(-1, 4), expected, atol=0.01)
    place = module("section_draw").pens.Place(20, 20, 1.0)
    texts = [text for text, *_ in module("legend").sheet(show, painted, place).texts]
    assert any("mm" in text for text in texts) == (shown != "ZONE")


def test_section_is_a_cut_across_with_its_scan_points():
    """Of the outer surface, 0.3 mm above the target: y^2/50 deep at the middle of the saddle."""
    points = TARGET.outer_mm + 0.05 * TARGET.normals
    result, _ = kept()
    scene, data, draw = bpy.context.scene, module("section_data"), module("section_draw")
    bpy.context.scene.gaploft.scan = add_scan(points, TARGET.triangles, name="around")
    result.parent = None
    scene.gaploft.show.section_share, scene.gaploft.show.section_comb = 0.5, True
    scene.gaploft.show.section_factor = 10.0
    section = data.section_of(scene)
    assert data.length_mm(scene) == pytest.approx(2 * plain_patch.SADDLE_MM[0], rel=0.02)
    section.find_points(scene, wait=True)
    view = data.view_of(scene)
    assert len(view.pieces) == len(view.outline) - 1, "an open line"
    across = view.outline[:, 0] - view.outline[:, 0].mean()
    fallen = view.outline[:, 1].max() - view.outline[:, 1]
    np.testing.assert_allclose(fallen, across**2 / plain_patch.BENDS_MM[1], atol=0.03)
    assert len(view.points) > 10
    assert view.point_height_mm == pytest.approx(0.05, abs=0.005)
    sheet = draw.sheet(view, section, scene.gaploft.show, draw.pens.Place(1000, 20, 1.0))
    inside = sheet.corners()
    assert inside[:, 0].min() >= 1000 - draw.SIZE - 2.0
    assert inside[:, 0].max() <= 1000 + 2.0
    texts = [text for text, *_ in sheet.texts]
    assert f"Section at {0.5 * section.rings.length_mm:.1f} of {section.rings.length_mm:.1f} mm" in texts
    assert f"scan, {len(view.points)} points" in texts


def test_section_shows_what_the_hand_changed():
    result, _ = kept()
    scene, data = bpy.context.scene, module("section_data")
    scene.gaploft.show.section_share, scene.gaploft.show.section_factor = 0.5, 10.0
    before = data.view_of(scene)
    np.testing.assert_allclose(before.changed, before.outline, atol=1e-3)
    set_coordinates(result, TARGET.vertices_mm + 0.1 * TARGET.normals)
    data.grown_old()
    after = data.view_of(scene)
    moved = np.einsum("ij,ij->i", after.changed - after.outline, after.outward)
    # enlarged ten times; single precision at 120 mm
    np.testing.assert_allclose(moved, 1.0, atol=1e-3)


def touched_up():
    kept()
    assert bpy.ops.gaploft.touch_up() == {"FINISHED"}
    return damage().touched


def push(touched, mm):
    """Push the points outwards as a stroke with a mask does, through the lock."""
    free = 1.0 - values(touched, "lock").astype(np.float64)
    set_coordinates(touched, TARGET.vertices_mm + mm * free[:, None] * TARGET.normals)


def test_touch_up_locks_the_rim_of_a_patch():
    touched = touched_up()
    expected = lock_weights(
        TARGET.vertices_mm, TARGET.zone, TARGET.triangles, bpy.context.scene.gaploft.touch.lock_mm
    )
    for name in ("lock", ".sculpt_mask"):
        np.testing.assert_allclose(values(touched, name), expected, atol=1e-5)
    assert (expected[TARGET.zone == 0] == 1.0).all()
    assert (expected == 0.0).any()


def test_what_the_hand_did_is_measured_on_the_mesh_alone():
    touched = touched_up()
    push(touched, 0.02)
    assert bpy.ops.gaploft.touch_done() == {"FINISHED"}
    found = json.loads(damage().report)["hand"]
    expected = hand_changes(
        TARGET.vertices_mm,
        coordinates(touched),
        TARGET.normals,
        TARGET.band95_mm,
        TARGET.zone,
        TARGET.triangles,
    )
    assert found["normal_mm"][1] == pytest.approx(0.02, abs=1e-4)
    assert found["area_mm2"] == pytest.approx(expected.area_mm2, rel=1e-3)
    assert found["seam_angle_deg"] == pytest.approx(expected.seam_angle_deg, abs=0.01)
    assert (found["seam_step_mm"], found["overlap_mm"], found["folded"]) == (0.0, 0.0, 0)
    assert found["seam_holds"]
    bpy.ops.object.mode_set(mode="OBJECT")
    set_coordinates(touched, TARGET.vertices_mm + 0.3 * (TARGET.zone == 1)[:, None] * TARGET.normals)
    bpy.ops.gaploft.recheck()
    opened = json.loads(damage().report)
    assert opened["hand"]["seam_step_mm"] == pytest.approx(0.3, abs=1e-3)
    assert opened["verdict"] == "check"


def test_a_region_goes_back_with_a_feather_along_the_triangles():
    touched = touched_up()
    push(touched, 0.02)
    bpy.ops.object.mode_set(mode="OBJECT")
    pushed = coordinates(touched)
    region = np.hypot(*(TARGET.vertices_mm[:, :2] - [40.0, 0.0]).T) < 3.0
    touched.data.vertices.foreach_set("select", region)
    bpy.ops.object.mode_set(mode="EDIT")
    assert bpy.ops.gaploft.back_to_computed(region="SELECTED", feather_mm=3.0) == {"FINISHED"}
    bpy.ops.object.mode_set(mode="OBJECT")
    inside = np.empty(len(region), dtype=bool)
    touched.data.vertices.foreach_get("select", inside)
    computed = coordinates(touched, "computed")
    expected = given_back(computed, pushed, inside, TARGET.triangles, 3.0)
    np.testing.assert_allclose(coordinates(touched), expected, atol=1e-4)
    bpy.ops.gaploft.back_to_computed(region="ALL")
    np.testing.assert_array_equal(coordinates(touched), computed)


def ready_to_export(monkeypatch):
    """The rebuild that the surface is of is at hand, as after a press of Rebuild."""
    _, rebuilt = kept()
    task = module("task")
    monkeypatch.setattr(
        task, "finished", lambda _scene, _damage, arrays: task.Finished(arrays, rebuilt, None)
    )


def test_export_of_a_patch(tmp_path, monkeypatch):
    ready_to_export(monkeypatch)
    path = tmp_path / "target.stl"
    assert bpy.ops.gaploft.export_target(filepath=str(path), as_3mf=True) == {"FINISHED"}
    assert sorted(file.name for file in tmp_path.iterdir()) == [
        *("report.html", "report.json", "target.3mf", "target.ply", "target.stl")
    ]
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert report["target"]["kind"] == "patch"
    assert report["target"]["facets"] == len(TARGET.triangles)
    back = read_ply_back(tmp_path / "target.ply")
    np.testing.assert_array_equal(back.triangles, TARGET.triangles)
    np.testing.assert_allclose(back.column("depth"), DEPTH_MM, atol=1e-5)
    assert "unrolled" not in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_step_of_a_patch_is_refused_in_a_sentence(tmp_path, monkeypatch):
    ready_to_export(monkeypatch)
    with pytest.raises(RuntimeError, match="leave STEP out"):
        bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl"), as_step=True)
    assert list(tmp_path.iterdir()) == []


def test_stock_of_a_patch(tmp_path):
    """A part a tenth of a millimetre above the target where it is rebuilt, the original around it."""
    kept()
    flat, triangles = plain_patch.disc(31.0, 22.0, 0.7, seed=8)
    height, normals = plain_patch.saddle_height(*flat.T)
    inside = np.hypot(*(flat / plain_patch.SADDLE_MM).T) < 0.6
    up = np.where(inside, STOCK_MM - DEPTH_MM, 0.0)
    part = np.column_stack([flat, height]) + up[:, None] * normals + [40.0, 0.0, 120.0]
    damage().stock.measured = add_scan(part, triangles, name="part")
    assert bpy.ops.gaploft.check_stock() == {"FINISHED"}
    surface = damage().surface
    rebuilt = TARGET.zone == 1
    np.testing.assert_allclose(values(surface, "stock")[rebuilt], STOCK_MM, atol=0.005)
    found = json.loads(damage().stock.result)
    assert found["covered_fraction"] > 0.99
    assert found["alignment"]["offset_mm"] < 0.02
    assert bpy.ops.gaploft.export_stock(directory=str(tmp_path)) == {"FINISHED"}
    report = json.loads((tmp_path / "stock.json").read_text(encoding="utf-8"))
    assert report["target"]["ringed"] is False
    assert "unrolled" not in (tmp_path / "stock.html").read_text(encoding="utf-8")
