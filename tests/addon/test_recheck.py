"""Checking again: what a hand moved is measured, and what can't be measured is refused."""

import json

import bpy
import numpy as np
import pytest

from blender_scan import coordinates, marked_and_rebuilt, set_coordinates, values


def hand():
    return json.loads(bpy.context.scene.gaploft.report)["hand"]


def rebuilt_vertex(result):
    """A vertex in the middle of the rebuilt zone and its radial direction."""
    points = coordinates(result)
    z = points[:, 2]
    zone = values(result, "zone") == 1
    index = int(np.argmin(np.where(zone, np.abs(z - z[zone].mean()), np.inf)))
    return index, points[index, :2] / np.linalg.norm(points[index, :2])


def test_untouched_surface_has_no_changes():
    marked_and_rebuilt()
    verdict = json.loads(bpy.context.scene.gaploft.report)["verdict"]
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}
    assert hand()["moved_points"] == 0
    assert json.loads(bpy.context.scene.gaploft.report)["verdict"] == verdict


def test_untouched_surface_of_a_moved_scan_has_no_changes():
    scan, _ = marked_and_rebuilt()
    scan.location, scan.rotation_euler = (400.0, -30.0, 12.0), (0.3, 1.2, -0.4)
    bpy.ops.gaploft.recheck()
    assert hand()["moved_points"] == 0


def test_a_moved_point_is_measured_and_told():
    _, result = marked_and_rebuilt()
    points = coordinates(result)
    index, outward = rebuilt_vertex(result)
    points[index, :2] += 0.4 * outward
    set_coordinates(result, points)
    bpy.ops.gaploft.recheck()
    found = hand()
    assert found["moved_points"] == 1
    assert found["largest_mm"] == pytest.approx(0.4, abs=1e-4)  # single precision at 240 mm: 3e-5
    assert found["outside_band"] == (values(result, "band95")[index] < 0.4)
    report = json.loads(bpy.context.scene.gaploft.report)
    assert [w["code"] for w in report["warnings"]].count("hand_changes") == 1
    assert report["verdict"] == "check"
    assert result["verdict"] == "check"


def test_taking_a_change_back_takes_the_warning_back():
    _, result = marked_and_rebuilt()
    before = json.loads(bpy.context.scene.gaploft.report)
    points = coordinates(result)
    index, outward = rebuilt_vertex(result)
    moved = points.copy()
    moved[index, :2] += 0.9 * outward
    for state in (moved, points):
        set_coordinates(result, state)
        bpy.ops.gaploft.recheck()
    after = json.loads(bpy.context.scene.gaploft.report)
    assert (after["verdict"], after["warnings"]) == (before["verdict"], before["warnings"])


def test_a_surface_moved_as_an_object_is_measured():
    _, result = marked_and_rebuilt()
    result.location.x += 0.25
    bpy.ops.gaploft.recheck()
    assert hand()["largest_mm"] == pytest.approx(0.25, abs=1e-4)
    assert hand()["overlap_mm"] == pytest.approx(0.25, abs=0.01)  # along the normal of a nearly round tube


def test_changes_in_edit_mode_count():
    _, result = marked_and_rebuilt()
    bpy.context.view_layer.objects.active = result
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    bpy.ops.transform.translate(value=(0.0, 0.5, 0.0))
    bpy.ops.gaploft.recheck()
    bpy.ops.object.mode_set(mode="OBJECT")
    assert hand()["largest_mm"] == pytest.approx(0.5, abs=1e-4)


@pytest.mark.parametrize("way", ["subdivide", "delete", "attribute"])
def test_changed_topology_is_refused(way):
    _, result = marked_and_rebuilt()
    before = bpy.context.scene.gaploft.report
    if way == "attribute":
        result.data.attributes.remove(result.data.attributes["computed"])
    else:
        bpy.context.view_layer.objects.active = result
        bpy.ops.object.mode_set(mode="EDIT")
        bpy.ops.mesh.select_all(action="SELECT")
        getattr(bpy.ops.mesh, way)()
        bpy.ops.object.mode_set(mode="OBJECT")
    with pytest.raises(RuntimeError, match="were added or removed"):
        bpy.ops.gaploft.recheck()
    assert bpy.context.scene.gaploft.report == before


def test_poll_says_what_is_missing():
    with pytest.raises(RuntimeError, match="Rebuild the surface first"):
        bpy.ops.gaploft.recheck()
