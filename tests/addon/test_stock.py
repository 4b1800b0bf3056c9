"""A measured part held against its target: a part made up with a known surplus and known low spots."""

import importlib
import json

import bpy
import numpy as np
import pytest

from blender_scan import (
    LENGTH_MM,
    RADIUS_MM,
    add_scan,
    coordinates,
    everything,
    marked_and_rebuilt,
    set_coordinates,
    values,
)

#: The part lies this far above the original tube, but for one low spot on the side of +x, mm.
SURPLUS_MM, LOW_MM, LOW_RADIUS_MM = 0.4, 0.25, 4.0
LOW_AT_MM = np.array([RADIUS_MM - 0.01 * 120.0, 0.0, 120.0])


def stock():
    return bpy.context.scene.gaploft.damage.stock


def result():
    return json.loads(stock().result)


def part(*, step_mm=0.7, n_around=150, noise_mm=0.01, hole=False):
    """Vertices in mm and quads of the whole tube, laid up around the break."""
    rng = np.random.default_rng(3)
    u, v = np.meshgrid(
        np.arange(60.0, 180.0, step_mm), 2 * np.pi * np.arange(n_around) / n_around, indexing="ij"
    )
    radius = RADIUS_MM - 0.01 * u + rng.normal(0.0, noise_mm, u.shape)
    # Material lies between the stations 95 and 145 and runs out over 5 mm.
    radius += SURPLUS_MM * np.clip((30.0 - np.abs(u - 120.0)) / 5.0, 0.0, 1.0)
    arc = np.mod(v + np.pi, 2 * np.pi) - np.pi
    away = np.hypot(u - LOW_AT_MM[2], RADIUS_MM * arc)
    radius -= (SURPLUS_MM + LOW_MM) * np.clip((LOW_RADIUS_MM - away) / 1.0, 0.0, 1.0)
    vertices = np.stack([radius * np.cos(v), radius * np.sin(v), u], axis=2).reshape(-1, 3)
    i, j = (a.ravel() for a in np.meshgrid(np.arange(len(u) - 1), np.arange(n_around), indexing="ij"))
    k = (j + 1) % n_around
    quads = np.column_stack(
        [i * n_around + j, i * n_around + k, (i + 1) * n_around + k, (i + 1) * n_around + j]
    )
    if hole:
        quads = quads[~((np.abs(u.ravel()[quads] - 130.0) < 3.0).any(axis=1))]
    return vertices, quads


def measured(**how):
    """A rebuilt tube and its measured part, chosen."""
    marked_and_rebuilt()
    obj = add_scan(*part(**how), name="part")
    stock().measured = obj
    return obj


def write_stl(path, vertices, quads, scale=1.0):
    """An ASCII-free STL of a mesh in another unit, by Blender's own exporter."""
    obj = add_scan(vertices * scale, quads, name="out")
    for other in bpy.context.selected_objects:
        other.select_set(other == obj)
    bpy.ops.wm.stl_export(filepath=str(path), export_selected_objects=True, forward_axis="Y", up_axis="Z")
    bpy.data.objects.remove(obj)


def test_surplus_and_low_spot_are_found_and_shown():
    measured()
    surface = bpy.context.scene.gaploft.damage.surface
    assert bpy.ops.gaploft.check_stock() == {"FINISHED"}
    found = result()
    (spot,) = found["low_spots"]
    assert spot["depth_mm"] == pytest.approx(LOW_MM, abs=0.05)
    np.testing.assert_allclose(spot["at_mm"], LOW_AT_MM, atol=LOW_RADIUS_MM)
    assert found["surplus_max_mm"] == pytest.approx(SURPLUS_MM, abs=0.05)
    assert found["covered_fraction"] > 0.99
    on_map = values(surface, "stock")
    points = coordinates(surface)
    middle = (np.abs(points[:, 2] - 120.0) < 15.0) & (points[:, 0] < 0.0)
    assert np.median(on_map[middle]) == pytest.approx(SURPLUS_MM, abs=0.01)
    assert np.nanmin(on_map) == pytest.approx(-LOW_MM, abs=0.05)
    show = bpy.context.scene.gaploft.show
    assert show.shown == "STOCK"
    overlay = importlib.import_module("bl_ext.user_default.gaploft.overlay")
    painted = overlay.painted(bpy.context.scene)
    assert SURPLUS_MM <= painted.scale.high_mm <= 2.5 * SURPLUS_MM + 0.1
    assert painted.scale.low_mm == -painted.scale.high_mm
    show.stock_range_mm = 0.2
    assert overlay.painted(bpy.context.scene).scale.high_mm == pytest.approx(0.2)


def test_what_was_not_seen_is_grey_and_counted():
    measured(hole=True)
    assert bpy.ops.gaploft.check_stock() == {"FINISHED"}
    surface = bpy.context.scene.gaploft.damage.surface
    z = coordinates(surface)[:, 2]
    assert np.isnan(values(surface, "stock")[np.abs(z - 130.0) < 2.0]).all()
    # The scan lacks 6 to 8 mm of the 52 mm that the target is long.
    assert 0.8 < result()["covered_fraction"] < 0.92
    assert result()["area_mm2"]["unseen"] > 0.0


def test_the_library_is_asked_for_what_is_set(extension):
    measured()
    stock().tolerance_mm, stock().uncertainty_mm = 0.05, 0.01
    stock().stage, stock().align = "machined", True
    task = importlib.import_module(f"{extension.__name__}.stock_task")
    made = task.task_of(bpy.context.scene, bpy.context.scene.gaploft.damage)
    assert (made.settings.tolerance_mm, made.settings.uncertainty_mm) == (0.05, 0.01)
    assert (made.settings.stage, made.settings.align) == ("machined", True)
    assert len(made.skin.flank_points_mm) > 1000
    radius = np.hypot(*made.skin.flank_points_mm[:, :2].T)
    assert np.abs(radius - (RADIUS_MM - 0.01 * made.skin.flank_points_mm[:, 2])).max() < 0.1


def test_import_does_not_touch_the_scan(tmp_path):
    scan, _ = marked_and_rebuilt()
    write_stl(tmp_path / "part.stl", *part(step_mm=2.0), scale=0.1)
    before = everything(scan)
    assert bpy.ops.gaploft.import_measured(filepath=str(tmp_path / "part.stl"), unit="cm") == {"FINISHED"}
    state = bpy.context.scene.gaploft
    assert state.scan == scan
    assert everything(scan) == before
    assert stock().measured.name.startswith("part")
    assert np.ptp(coordinates(stock().measured)[:, 2]) == pytest.approx(118.0, abs=2.0)
    bpy.context.view_layer.objects.active = stock().measured
    ops_damage = importlib.import_module("bl_ext.user_default.gaploft.ops_damage")
    assert ops_damage.find_scan(bpy.context) == scan, "the measured part is not the scan"


@pytest.mark.parametrize(
    ("file", "unit", "sentence"),
    [("part.stl", "ASK", "give the unit"), ("missing.stl", "mm", "can't be imported")],
)
def test_bad_imports_are_told(tmp_path, file, unit, sentence):
    marked_and_rebuilt()
    write_stl(tmp_path / "part.stl", *part(step_mm=10.0))
    with pytest.raises(RuntimeError, match=sentence):
        bpy.ops.gaploft.import_measured(filepath=str(tmp_path / file), unit=unit)
    assert stock().measured is None


def test_where_the_part_is_seen_beside_the_scan_counts():
    """Both are moved together: nothing changes. The part alone is moved: that is stock."""
    obj = measured()
    bpy.ops.gaploft.check_stock()
    first = values(bpy.context.scene.gaploft.damage.surface, "stock")
    scan = bpy.context.scene.gaploft.scan
    for moved in (scan, obj):
        moved.location, moved.rotation_euler = (20.0, -30.0, 5.0), (0.2, 0.4, -0.3)
    bpy.context.view_layer.update()
    bpy.ops.gaploft.check_stock()
    again = values(bpy.context.scene.gaploft.damage.surface, "stock")
    np.testing.assert_allclose(again, first, atol=2e-4)


def test_measured_and_scan_are_not_altered():
    obj = measured()
    scan = bpy.context.scene.gaploft.scan
    before = everything(obj), everything(scan)
    bpy.ops.gaploft.check_stock()
    assert (everything(obj), everything(scan)) == before


def test_the_result_grows_old():
    measured()
    bpy.ops.gaploft.check_stock()
    task = importlib.import_module("bl_ext.user_default.gaploft.stock_task")
    damage = bpy.context.scene.gaploft.damage
    assert not task.outdated(damage)
    moved = coordinates(damage.surface)
    moved[0, 0] += 0.1
    set_coordinates(damage.surface, moved)
    assert task.outdated(damage)
    damage.cover_mm = 0.2
    bpy.ops.gaploft.rebuild()
    assert task.outdated(damage)
    assert "stock" not in damage.surface.data.attributes


def test_hand_work_is_part_of_the_target():
    measured()
    surface = bpy.context.scene.gaploft.damage.surface
    set_coordinates(surface, coordinates(surface) + 0.1 * coordinates(surface, "computed_normal"))
    bpy.ops.gaploft.check_stock()
    assert result()["surplus_max_mm"] == pytest.approx(SURPLUS_MM - 0.1, abs=0.05)


def test_low_spots_are_looked_at():
    with pytest.raises(RuntimeError, match="check the stock first"):
        bpy.ops.gaploft.look_at_spot()
    measured()
    bpy.ops.gaploft.check_stock()
    assert bpy.ops.gaploft.look_at_spot(number=1) == {"FINISHED"}
    np.testing.assert_allclose(bpy.context.scene.cursor.location, LOW_AT_MM, atol=LOW_RADIUS_MM)
    with pytest.raises(RuntimeError, match="give a number up to that"):
        bpy.ops.gaploft.look_at_spot(number=2)


def test_what_is_missing_is_told():
    with pytest.raises(RuntimeError, match="Rebuild the surface first"):
        bpy.ops.gaploft.check_stock()
    scan, _ = marked_and_rebuilt()
    with pytest.raises(RuntimeError, match="Import the measured scan"):
        bpy.ops.gaploft.check_stock()
    with pytest.raises(RuntimeError, match="check the stock under 7 Stock first"):
        bpy.ops.gaploft.show_values(shown="STOCK")
    stock().measured = scan
    with pytest.raises(RuntimeError, match="is the one that was rebuilt from"):
        bpy.ops.gaploft.check_stock()
    stock().measured = bpy.data.objects.new("empty", bpy.data.meshes.new("empty"))
    bpy.context.scene.collection.objects.link(stock().measured)
    with pytest.raises(RuntimeError, match="holds no faces"):
        bpy.ops.gaploft.check_stock()


def test_a_part_that_lies_elsewhere_is_told():
    obj = measured()
    obj.location.x += 10.0 * LENGTH_MM
    with pytest.raises(RuntimeError, match=r"^Error: [^\n]+\n"):
        bpy.ops.gaploft.check_stock()
    assert not stock().result


def test_the_report_is_written_and_says_what_the_panel_does(tmp_path):
    measured()
    bpy.ops.gaploft.check_stock()
    bpy.ops.gaploft.export_stock(directory=str(tmp_path))
    assert {path.name for path in tmp_path.iterdir()} == {"stock.ply", "stock.json", "stock.html"}
    report = json.loads((tmp_path / "stock.json").read_text(encoding="utf-8"))
    assert report["surplus_volume_mm3"] == pytest.approx(result()["surplus_volume_mm3"])
    assert len(report["low_spots"]) == len(result()["low_spots"]) == 1
    assert report["decision"]["verdict"] == result()["verdict"]
    assert "ISO 14253-1:2017" in (tmp_path / "stock.html").read_text(encoding="utf-8")


def test_no_report_without_a_check_or_a_folder(tmp_path):
    measured()
    with pytest.raises(RuntimeError, match="Check the stock first"):
        bpy.ops.gaploft.export_stock(directory=str(tmp_path))
    bpy.ops.gaploft.check_stock()
    with pytest.raises(RuntimeError, match="does not exist: make it"):
        bpy.ops.gaploft.export_stock(directory=str(tmp_path / "missing"))
    assert list(tmp_path.iterdir()) == []
