"""A patch from mark to file inside Blender: a dented sheet that is no tube, whose shape is a formula."""

import importlib
import json
import re
from dataclasses import replace
from types import SimpleNamespace

import bpy
import numpy as np
import pytest

import plain_patch
from blender_patch import DENT_MM, NOISE_MM, marked_sheet, off, rebuilt_sheet, sheet
from blender_scan import (
    FROM_MM,
    TO_MM,
    add_scan,
    coordinates,
    select_points,
    set_coordinates,
    tube_arrays,
    values,
)
from gaploft.report.colours import origin_rgba

STOCK_MM = 0.1


def module(name):
    return importlib.import_module(f"bl_ext.user_default.gaploft.{name}")


def numbers(obj, name):
    data = obj.data.attributes[name].data
    found = np.empty(len(data), dtype=np.int32)
    data.foreach_get("value", found)
    return found


def test_the_sheet_comes_back_under_its_dent():
    damage = rebuilt_sheet()
    result, report = damage.result, json.loads(damage.report)
    away = np.abs(off(coordinates(result)))
    rebuilt = numbers(result, "zone") == 1
    assert np.hypot(*coordinates(result)[rebuilt, :2].T).min() < 0.2 * DENT_MM
    assert away[rebuilt].max() < 3.0 * NOISE_MM
    assert (away[rebuilt] <= values(result, "band95")[rebuilt]).mean() >= 0.95
    assert report["target"]["kind"] == "patch"
    assert report["verdict"] in {"ready", "check"}
    assert damage.patch.told == "fair surface of its own"
    assert not module("settings").is_stale(bpy.context.scene, damage)


def test_where_needed_a_patch_is_made_by_itself():
    marked_sheet("AUTO")
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    damage = bpy.context.scene.gaploft.damage
    codes = [warning["code"] for warning in json.loads(damage.report)["warnings"]]
    assert "patch_used" in codes
    assert np.abs(off(coordinates(damage.result))).max() < 3.0 * NOISE_MM


def test_without_a_patch_the_refusal_is_one_sentence():
    marked_sheet("NEVER")
    with pytest.raises(RuntimeError, match="Error: ") as told:
        bpy.ops.gaploft.rebuild()
    assert len(str(told.value).strip().splitlines()) == 1
    assert bpy.context.scene.gaploft.damage.result is None


def test_two_marks_alone_do_not_say_what_a_patch_is_to_cover():
    vertices, triangles, _ = sheet()
    add_scan(vertices, triangles)
    bpy.ops.gaploft.mark_damage(from_point=(-4.0, 0.0, 0.0), to_point=(4.0, 0.0, 0.0))
    bpy.context.scene.gaploft.damage.patch.use = "ALWAYS"
    with pytest.raises(RuntimeError, match="a patch needs the damaged area"):
        bpy.ops.gaploft.rebuild()


def test_an_area_all_round_a_tube_is_kept_and_changes_no_tube():
    """A patch may need the very area; the tube is rebuilt as between two marks."""
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, quads)
    # around both rims of the gap, as one paints over torn edges
    mask = (vertices[:, 2] > FROM_MM[2] - 5.0) & (vertices[:, 2] < TO_MM[2] + 5.0)
    select_points(scan, mask)
    bpy.ops.gaploft.mark_damage(way="SELECTION")
    bpy.ops.object.mode_set(mode="OBJECT")
    damage = bpy.context.scene.gaploft.damage
    assert len(damage.damaged_area.data.vertices) == mask.sum()
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert json.loads(damage.report)["target"]["kind"] == "tube"
    rebuilt = numbers(damage.result, "zone") == 1
    z = coordinates(damage.result)[rebuilt, 2]
    assert z.min() < FROM_MM[2]
    assert z.max() > TO_MM[2]
    between = np.abs(coordinates(damage.result)[:, 2] - 120.0) < 10.0
    assert rebuilt[between].all()
    assert damage.patch.told == ""
    with pytest.raises(RuntimeError, match="The surface is no patch"):
        bpy.ops.gaploft.solve_guides()


def test_other_settings_do_not_fit_the_patch_again():
    damage = rebuilt_sheet()
    kept = module("task")._KEPT
    before = kept[damage.uid].stages.patch
    damage.chord_tolerance_mm = 0.01
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert kept[damage.uid].stages.patch is before


def test_what_it_stands_on_is_told_by_area():
    """Of the rebuilt ellipse of half axes 12 and 7.5 mm, in plan: shares of strips, by the area of a segment.

    The saddle is steeper away from its middle, so that its true area differs from the plan's by some percent.
    """
    made = plain_patch.saddle()
    target = replace(made, origin=np.where(np.abs(made.vertices_mm[:, 0]) < 6.0, 1, 0).astype(np.uint8))
    stage = SimpleNamespace(fit=SimpleNamespace(joined=SimpleNamespace(tubes=(1, 2))))
    text = module("patch_told").standing_on(
        SimpleNamespace(target=target, stages=SimpleNamespace(patch=stage))
    )
    half = np.arccos(0.5)
    fillet = 1.0 - 2.0 * (half - 0.5 * np.sqrt(0.75)) / np.pi
    loft_told, fillet_told = (int(share) / 100.0 for share in re.findall(r"(\d+)%", text))
    assert text.startswith("loft of 2 tubes ")
    assert fillet_told == pytest.approx(fillet, abs=0.05)
    assert loft_told + fillet_told == pytest.approx(1.0, abs=0.011)


def test_colours_of_what_it_stands_on():
    damage = rebuilt_sheet()
    result = damage.result
    assert set(numbers(result, "origin")) == {2}
    number = np.digitize(coordinates(result)[:, 0], [-3.0, 3.0]).astype(np.int32)
    result.data.attributes["origin"].data.foreach_set("value", number)
    assert bpy.ops.gaploft.show_values(shown="ORIGIN") == {"FINISHED"}
    data = result.data.attributes["gaploft_shown"].data
    found = np.empty(4 * len(data), dtype=np.float32)
    data.foreach_get("color", found)
    np.testing.assert_allclose(found.reshape(-1, 4), origin_rgba(number), atol=0.01)
    painted = module("overlay").painted(bpy.context.scene)
    place = module("section_draw").pens.Place(20, 20, 1.0)
    texts = [
        text for text, *_ in module("legend").sheet(bpy.context.scene.gaploft.show, painted, place).texts
    ]
    assert texts == [
        *("What the patch stands on", "Fair surface of its own", "Fillet between tubes", "Loft of a tube")
    ]


def mesh_faces(obj):
    return np.array([polygon.vertices[:] for polygon in obj.data.polygons])


def test_from_sculpting_to_file(tmp_path):
    """The whole way: rim locked, pushed, given back, checked, exported, and measured as stock."""
    damage = rebuilt_sheet()
    assert bpy.ops.gaploft.touch_up() == {"FINISHED"}
    touched, rebuilt = damage.touched, numbers(damage.result, "zone") == 1
    lock = values(touched, ".sculpt_mask")
    assert (lock[~rebuilt] == 1.0).all()
    assert lock.min() == 0.0
    bpy.ops.object.mode_set(mode="OBJECT")
    computed, normals = coordinates(touched), coordinates(touched, "computed_normal")
    free = (1.0 - lock)[:, None]
    set_coordinates(touched, computed + 0.01 * free * normals)
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}
    hand = json.loads(damage.report)["hand"]
    assert hand["normal_mm"][1] == pytest.approx(0.01, abs=1e-4)
    assert hand["overlap_mm"] == 0.0
    path = tmp_path / "target.stl"
    assert bpy.ops.gaploft.export_target(filepath=str(path)) == {"FINISHED"}
    written = np.fromfile(path, dtype=np.dtype([("n", "<3f4"), ("v", "<9f4"), ("a", "<u2")]), offset=84)
    assert len(written) == len(damage.result.data.polygons)
    raised = off(written["v"].reshape(-1, 3)) - off(computed[mesh_faces(touched)].reshape(-1, 3))
    np.testing.assert_allclose(raised, 0.01 * free[mesh_faces(touched)].ravel(), atol=2e-4)
    assert bpy.ops.gaploft.back_to_computed(region="ALL") == {"FINISHED"}
    np.testing.assert_array_equal(coordinates(touched), computed)
    report = json.loads(damage.report)
    assert report["hand"]["moved_points"] == 0


def test_stock_left_on_the_patch():
    """A part that stands a tenth of a millimetre above the sheet as it was, where that was rebuilt."""
    damage = rebuilt_sheet()
    vertices, triangles, _ = sheet()
    around = np.hypot(*vertices[:, :2].T) < 2.0 * DENT_MM
    vertices[:, 2] -= off(vertices)  # as it was, without noise and dent
    vertices[around, 2] += STOCK_MM
    damage.stock.measured = add_scan(vertices, triangles, name="part")
    assert bpy.ops.gaploft.check_stock() == {"FINISHED"}
    found = values(damage.surface, "stock")
    middle = np.hypot(*coordinates(damage.surface)[:, :2].T) < DENT_MM
    assert np.abs(found[middle] - STOCK_MM).max() < 3.0 * NOISE_MM
