"""Layers, readings, wall, bed and tool of a damage: what is set is the job, what comes out is shown."""

import importlib
import json

import bpy
import numpy as np
import pytest

from blender_scan import (
    FROM_MM,
    LENGTH_MM,
    RADIUS_MM,
    TO_MM,
    add_scan,
    coordinates,
    marked,
    marked_and_rebuilt,
    set_coordinates,
    tube_arrays,
    values,
)
from gaploft.job import BedSettings, Layers, Ply, ReachSettings, Reading, WallSettings


def damage():
    return bpy.context.scene.gaploft.damage


def shop():
    return damage().shop


@pytest.fixture
def settings(extension):
    return importlib.import_module(f"{extension.__name__}.settings")


@pytest.fixture
def shop_job(extension):
    return importlib.import_module(f"{extension.__name__}.shop_job")


def job(settings):
    return settings.job_of(bpy.context.scene, damage())


def on_tube(z_mm, angle_deg):
    """A place on the test's tube, which tapers by 0.01 mm a mm."""
    radius, angle = RADIUS_MM - 0.01 * z_mm, np.radians(angle_deg)
    return radius * np.cos(angle), radius * np.sin(angle), z_mm


def with_wall(mm=1.1):
    shop().wall_on, shop().wall_mm = True, mm


def with_ply(**figures):
    bpy.ops.gaploft.add_ply()
    for name, value in ({"areal_weight": 245.0, "density": 1.76, "fraction": 0.5} | figures).items():
        setattr(shop().plies[-1], name, value)


def built(report_key):
    bpy.context.view_layer.update()
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    return json.loads(damage().report)[report_key]


def test_nothing_of_the_workshop_is_asked_for_at_first(settings, shop_job):
    marked()
    plain = job(settings)
    assert plain.layers == Layers()
    assert (plain.wall, plain.bed, plain.reach, plain.zero_mm) == (None, None, None, None)
    assert tuple(shop_job.shop_key(plain)) == shop_job.NOTHING


def test_what_is_set_is_the_job(settings):
    marked()
    damage().paint_mm, damage().filler_mm, damage().other_mm = 0.12, 0.2, 0.05
    damage().outside, damage().tight = "BLEND", "TRIM"
    with_wall(1.1)
    shop().wall_share = 0.4
    shop().bed_on, shop().bed_kind, shop().bed_step_mm = True, "STEPS", 12.0
    shop().cut_back_mm, shop().lap_mm = 2.0, 3.0
    with_ply(name="twill", count=4, angle_deg=45.0)
    with_ply(name="unidirectional", count=1, thickness_mm=0.21)
    shop().reach_on, shop().tool_radius_mm = True, 3.0
    made = job(settings)
    assert made.layers == Layers(0.12, 0.2, 0.0, 0.05, "blend", "trim")
    assert made.wall == WallSettings(1.1, 0.4)
    twill = Ply("twill", 4, 245.0, 1.76, 0.5, None, 45.0)
    other = Ply("unidirectional", 1, 245.0, 1.76, 0.5, 0.21, 45.0)
    assert made.bed == BedSettings(None, 12.0, 2.0, (twill, other), 3.0)
    assert made.reach == ReachSettings(3.0)
    shop().bed_kind = "RATIO"
    assert job(settings).bed == BedSettings(30.0, None, 2.0, (twill, other), 3.0)


def test_readings_are_places_of_the_scan_and_count_instead(settings):
    scan = marked()
    damage().paint_mm = 0.3
    scan.location, scan.rotation_euler = (30.0, -20.0, 5.0), (0.3, 0.2, 0.1)
    bpy.context.view_layer.update()
    places = [on_tube(100.0, 0.0), on_tube(140.0, 90.0)]
    for place, mm in zip(places, (0.10, 0.14), strict=True):
        world = scan.matrix_world @ bpy.context.scene.cursor.location.__class__(place)
        assert bpy.ops.gaploft.add_reading(kind="PAINT", value_mm=mm, point=world) == {"FINISHED"}
    readings = job(settings).layers.paint_mm
    assert [reading.value_mm for reading in readings] == [0.10, 0.14]
    # A world point in single precision, some tens of mm from the origin.
    np.testing.assert_allclose([reading.point_mm for reading in readings], places, atol=1e-4)
    assert bpy.ops.gaploft.remove_reading() == {"FINISHED"}
    assert len(shop().readings) == 1
    bpy.ops.gaploft.remove_reading()
    assert job(settings).layers.paint_mm == 0.3
    with pytest.raises(RuntimeError, match="no reading on the list"):
        bpy.ops.gaploft.remove_reading()


def test_readings_of_a_wall_in_another_unit(settings):
    bpy.context.scene.gaploft.scan_unit = "cm"
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads, mm_per_unit=10.0)
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM / 10.0, to_point=TO_MM / 10.0)
    place = np.array(on_tube(100.0, 30.0))
    bpy.ops.gaploft.add_reading(kind="WALL", value_mm=1.05, point=place / 10.0)
    shop().wall_on = True
    (reading,) = job(settings).wall.thickness_mm
    assert isinstance(reading, Reading)
    np.testing.assert_allclose(reading.point_mm, place, rtol=1e-6)


@pytest.mark.parametrize(
    ("way", "sentence"),
    [
        ({"value_mm": -0.1}, "type what was measured"),
        ({"kind": "WALL", "value_mm": 0.0}, "type what was measured"),
        ({"value_mm": 1.0, "point": None}, "give a place on the tube"),
    ],
)
def test_bad_readings_are_refused(way, sentence):
    marked()
    given = {"kind": "PAINT", "point": on_tube(100.0, 0.0)} | way
    with pytest.raises(RuntimeError, match=sentence):
        bpy.ops.gaploft.add_reading(**{name: value for name, value in given.items() if value is not None})
    assert len(shop().readings) == 0


def test_readings_wait_for_a_damage():
    with pytest.raises(RuntimeError, match="Mark the damage first"):
        bpy.ops.gaploft.add_reading(kind="WALL", value_mm=1.0, point=(0, 0, 0))
    with pytest.raises(RuntimeError, match="Mark the damage first"):
        bpy.ops.gaploft.mark_zero(point=(0, 0, 0))
    with pytest.raises(RuntimeError, match="Mark the damage first"):
        bpy.ops.gaploft.add_ply()


def test_zero_of_angles(settings):
    marked()
    place = on_tube(90.0, 45.0)
    with pytest.raises(RuntimeError, match="give a place on the tube"):
        bpy.ops.gaploft.mark_zero()
    assert bpy.ops.gaploft.mark_zero(point=place) == {"FINISHED"}
    bpy.context.view_layer.update()
    np.testing.assert_allclose(job(settings).zero_mm, place, rtol=1e-6)
    assert bpy.ops.gaploft.mark_zero(clear=True) == {"FINISHED"}
    assert job(settings).zero_mm is None


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"wall_on": True}, "the wall is 0 mm thick"),
        ({"bed_on": True}, "switch the wall on"),
        ({"wall_on": True, "wall_mm": 1.0, "bed_on": True, "bed_kind": "STEPS"}, "add the plies"),
    ],
)
def test_half_made_settings_are_told_in_one_sentence(wrong, sentence):
    marked()
    for name, value in wrong.items():
        setattr(shop(), name, value)
    with pytest.raises(RuntimeError, match=sentence):
        bpy.ops.gaploft.rebuild()


def test_cloth_without_figures_is_told(settings):
    marked()
    with_wall()
    shop().bed_on = True
    with_ply(fraction=0.0)
    with pytest.raises(RuntimeError, match="cured thickness of 'cloth' is not known"):
        bpy.ops.gaploft.rebuild()
    shop().plies[0].thickness_mm = 0.25
    assert job(settings).bed.plies[0].thickness_mm == 0.25


def test_cloths_are_moved_and_removed():
    marked()
    for name in ("inner", "middle", "outer"):
        with_ply(name=name)
    assert bpy.ops.gaploft.move_ply(way="OUT") == {"CANCELLED"}
    assert bpy.ops.gaploft.move_ply(way="IN") == {"FINISHED"}
    assert [ply.name for ply in shop().plies] == ["inner", "outer", "middle"]
    assert bpy.ops.gaploft.remove_ply() == {"FINISHED"}
    assert [ply.name for ply in shop().plies] == ["inner", "middle"]


def test_any_change_makes_the_rebuild_old(settings):
    marked()
    scene = bpy.context.scene
    changes = (
        lambda: setattr(damage(), "filler_mm", 0.1),
        lambda: setattr(damage(), "outside", "STEP"),
        lambda: setattr(shop(), "wall_on", True),
        lambda: bpy.ops.gaploft.add_reading(kind="COVER", value_mm=0.2, point=on_tube(100.0, 0.0)),
        lambda: setattr(shop().readings[0], "value_mm", 0.25),
        lambda: setattr(shop().readings[0], "place", on_tube(101.0, 0.0)),
        lambda: with_ply(name="twill"),
        lambda: setattr(shop().plies[0], "name", "satin"),
        lambda: setattr(shop(), "reach_on", True),
        lambda: bpy.ops.gaploft.mark_zero(point=on_tube(90.0, 0.0)),
    )
    shop().wall_mm, shop().bed_on = 1.2, False
    for change in changes:
        bpy.context.view_layer.update()
        damage().built_with = json.dumps([float(x) for x in settings.job_key(job(settings), 1.0, damage())])
        assert not settings.is_stale(scene, damage())
        change()
        if shop().wall_on and not shop().bed_on:
            shop().bed_on = True
        bpy.context.view_layer.update()
        assert settings.is_stale(scene, damage())


def test_depth_by_readings_is_on_the_surface(extension):
    """With one reading the layer is that thick all over; with two it lies between them."""
    marked()
    bpy.ops.gaploft.add_reading(kind="COVER", value_mm=0.2, point=on_tube(100.0, 0.0))
    found = built("layers")
    np.testing.assert_allclose(values(damage().result, "depth"), 0.2, atol=1e-6)
    assert found["depth_most_mm"] == pytest.approx(0.2)
    bpy.ops.gaploft.add_reading(kind="COVER", value_mm=0.3, point=on_tube(140.0, 0.0))
    built("layers")
    depth = values(damage().result, "depth")
    assert depth.min() >= 0.2 - 1e-6
    assert depth.max() <= 0.3 + 1e-6
    assert np.ptp(depth) > 0.05
    surface = coordinates(damage().result)
    radius = np.hypot(surface[:, 0], surface[:, 1])
    # The tube is round and its noise 0.02 mm: the target lies its depth below it.
    assert np.abs(RADIUS_MM - 0.01 * surface[:, 2] - depth - radius).max() < 0.05


def test_wall_is_shown_and_told():
    marked()
    with_wall(1.1)
    damage().cover_mm = 0.3
    found = built("wall")
    # Nothing lies on the laminate: what the plies need is cut out of the wall.
    assert found["left_least_mm"] == pytest.approx(0.8, abs=1e-6)
    np.testing.assert_allclose(values(damage().result, "wall_left"), 0.8, atol=1e-5)
    inner, section = damage().inner, damage().section
    assert (inner.name, section.name) == ("Inner Surface", "Missing Section")
    assert inner.hide_get()
    assert section.hide_get()
    assert inner.parent == bpy.context.scene.gaploft.scan
    points = coordinates(inner)
    radius = np.hypot(points[:, 0], points[:, 1])
    assert np.abs(RADIUS_MM - 0.01 * points[:, 2] - 1.1 - radius).max() < 0.05
    counts = {}
    for face in section.data.polygons:
        for edge in face.edge_keys:
            counts[edge] = counts.get(edge, 0) + 1
    assert set(counts.values()) == {2}  # closed


def test_parts_go_when_they_are_no_longer_asked_for():
    marked()
    with_wall()
    built("wall")
    shop().wall_on = False
    assert built("wall") is None
    assert damage().inner is None
    assert not [obj for obj in bpy.data.objects if obj.name.startswith(("Inner Surface", "Missing Section"))]


def test_one_part_is_shown_at_a_time():
    marked()
    with_wall()
    built("wall")
    with pytest.raises(RuntimeError, match="no such part"):
        bpy.ops.gaploft.show_part(part="BED")
    bpy.ops.gaploft.show_part(part="SECTION")
    seen = [part.hide_get() for part in (damage().result, damage().inner, damage().section)]
    assert seen == [True, True, False]
    bpy.ops.gaploft.show_part(part="SURFACE")
    seen = [part.hide_get() for part in (damage().result, damage().inner, damage().section)]
    assert seen == [False, True, True]


def test_bed_is_shown_and_told():
    marked()
    with_wall(0.5)
    shop().bed_on, shop().bed_ratio = True, 20.0
    found = built("bed")
    assert found["taper_most_mm"] == pytest.approx(10.0, rel=0.02)
    assert damage().bed.hide_get()
    assert len(damage().bed.data.polygons) > 100


def test_the_next_damage_takes_the_settings_and_not_the_readings():
    marked()
    with_wall(1.3)
    damage().outside = "BLEND"
    with_ply(name="twill")
    bpy.ops.gaploft.add_reading(kind="WALL", value_mm=1.0, point=on_tube(100.0, 0.0))
    bpy.ops.gaploft.add_damage()
    assert (damage().outside, shop().wall_on) == ("BLEND", True)
    assert shop().wall_mm == pytest.approx(1.3)
    assert [ply.name for ply in shop().plies] == ["twill"]
    assert len(shop().readings) == 0


def test_all_of_it_is_saved_with_the_file(tmp_path, settings):
    marked()
    with_wall(1.1)
    bpy.ops.gaploft.add_reading(kind="COVER", value_mm=0.2, point=on_tube(100.0, 0.0))
    bpy.ops.gaploft.mark_zero(point=on_tube(90.0, 0.0))
    built("wall")
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "job.blend"))
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "job.blend"))
    assert not settings.is_stale(bpy.context.scene, damage())
    assert damage().inner.name == "Inner Surface"
    assert shop().readings[0].value_mm == pytest.approx(0.2)
    assert bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl")) == {"FINISHED"}
    assert (tmp_path / "target_inner.stl").is_file()
    assert (tmp_path / "target_section.stl").is_file()


def test_removing_a_damage_takes_its_parts():
    marked()
    with_wall()
    bpy.ops.gaploft.mark_zero(point=on_tube(90.0, 0.0))
    built("wall")
    assert bpy.ops.gaploft.remove_damage() == {"FINISHED"}
    assert {obj.name for obj in bpy.data.objects} <= {"scan", "Scan Frame", "Scan Ghost"}


def test_hand_work_keeps_depth_and_wall(tmp_path):
    """What the hand takes off lies deeper and leaves less wall, on colours and in what is exported."""
    marked()
    damage().cover_mm = 0.3
    with_wall(1.1)
    built("wall")
    result = damage().result
    points = coordinates(result)
    set_coordinates(result, points - 0.05 * coordinates(result, "computed_normal"))
    overlay = importlib.import_module("bl_ext.user_default.gaploft.overlay")
    np.testing.assert_allclose(overlay.values_mm(result, "WALL"), 0.75, atol=1e-3)
    np.testing.assert_allclose(overlay.values_mm(result, "DEPTH"), 0.35, atol=1e-3)
    target_io = importlib.import_module("bl_ext.user_default.gaploft.target_io")
    *_, target = target_io.target_of(damage())
    np.testing.assert_allclose(target.depth_mm, 0.35, atol=1e-3)


@pytest.mark.parametrize("outside", ["BLEND", "STEP"])
def test_other_ways_outside_are_measured_by_hand_too(outside, tmp_path):
    marked()
    damage().cover_mm, damage().outside = 0.3, outside
    built("layers")
    assert values(damage().result, "depth").min() == pytest.approx(0.0, abs=1e-6)
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}
    assert bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl")) == {"FINISHED"}
    section_data = importlib.import_module("bl_ext.user_default.gaploft.section_data")
    view = section_data.view_of(bpy.context.scene)
    radius = np.linalg.norm(view.outline, axis=1)
    assert np.abs(radius - (RADIUS_MM - 0.01 * LENGTH_MM / 2)).max() < 0.5


def test_colours_of_layers_wall_and_reach():
    marked_and_rebuilt()
    for shown, sentence in (("DEPTH", "no layers"), ("WALL", "not known"), ("REACH", "not known")):
        with pytest.raises(RuntimeError, match=sentence):
            bpy.ops.gaploft.show_values(shown=shown)
    damage().cover_mm = 0.3
    with_wall()
    shop().reach_on = True
    built("reach")
    show = bpy.context.scene.gaploft.show
    seen = []
    for _ in range(12):
        bpy.ops.gaploft.show_next()
        seen.append(show.shown)
    assert {"SCAN", "BAND", "ZONE", "HAND", "DEPTH", "WALL", "REACH", "NONE"} <= set(seen)
    assert "STOCK" not in seen
    overlay = importlib.import_module("bl_ext.user_default.gaploft.overlay")
    for shown, mm in (("DEPTH", 0.3), ("WALL", 0.8)):
        bpy.ops.gaploft.show_values(shown=shown)
        found = overlay.painted(bpy.context.scene)
        assert found.span_mm == pytest.approx((mm, mm), abs=1e-5)
        assert found.scale.low_mm <= mm <= found.scale.high_mm
        assert found.scale.high_mm - found.scale.low_mm <= 0.02 + 1e-9


def test_what_is_shown_goes_when_it_is_no_longer_known():
    marked()
    with_wall()
    built("wall")
    bpy.ops.gaploft.show_values(shown="WALL")
    shop().wall_on = False
    built("wall")
    assert bpy.context.scene.gaploft.show.shown == "NONE"


def test_undo_takes_readings_and_parts_back():
    bpy.ops.ed.undo_push(message="before")
    marked()
    bpy.ops.ed.undo_push(message="marked")
    bpy.ops.gaploft.add_reading(kind="WALL", value_mm=1.1, point=on_tube(100.0, 0.0))
    bpy.ops.ed.undo_push(message="reading")
    shop().wall_on = True
    built("wall")
    bpy.ops.ed.undo_push(message="rebuilt")
    bpy.ops.ed.undo()
    assert damage().inner is None
    assert "Inner Surface" not in bpy.data.objects
    assert len(shop().readings) == 1
    bpy.ops.ed.undo()
    assert len(shop().readings) == 0
    bpy.ops.ed.redo()
    bpy.ops.ed.redo()
    assert damage().inner.name == "Inner Surface"
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}


def test_a_damage_without_a_wall_stays_grey():
    marked()
    with_wall()
    built("wall")
    bpy.ops.gaploft.add_damage()
    shop().wall_on = False
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    built("gap")
    bpy.ops.gaploft.show_values(shown="WALL")
    overlay = importlib.import_module("bl_ext.user_default.gaploft.overlay")
    found = overlay.painted(bpy.context.scene)
    assert 0.0 < found.worst.unseen < 1.0
    legend = importlib.import_module("bl_ext.user_default.gaploft.legend")
    pens = importlib.import_module("bl_ext.user_default.gaploft.pens")
    sheet = legend.sheet(bpy.context.scene.gaploft.show, found, pens.Place(20, 20, 1.0))
    texts = [text for text, *_ in sheet.texts]
    assert "not asked for" in texts
    assert "least 1.100 mm" in texts


def test_another_wall_measures_the_scan_only_once(extension):
    """What the scan lies off the surface stays as it was, also when only the workshop asks for more."""
    marked()
    built("gap")
    before = values(damage().result, "scan_distance")
    with_wall()
    built("wall")
    np.testing.assert_array_equal(values(damage().result, "scan_distance"), before)


def test_formats_are_asked_for_at_the_export(tmp_path):
    marked()
    with_wall()
    built("wall")
    assert bpy.ops.gaploft.export_target(filepath=str(tmp_path / "a.stl"), as_3mf=True) == {"FINISHED"}
    endings = ("_flanks.ply", "_inner.stl", "_report.html", "_report.json", "_section.stl")
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
        [f"a{end}" for end in (".3mf", ".ply", ".stl", *endings)]
    )
    last = json.loads(damage().exported)
    assert "a_inner.stl" in last["files"]


def test_a_step_around_a_patch_is_one_mesh_with_all_that_hand_work_takes(tmp_path):
    """There the triangles are not those of the quads, and points stand beside the rings."""
    vertices, quads, mask = tube_arrays(hole_deg=90.0)
    scan = add_scan(vertices, quads)
    scan.data.attributes.new("gaploft_damage", "BOOLEAN", "POINT").data.foreach_set("value", mask)
    bpy.ops.gaploft.mark_damage()
    damage().cover_mm, damage().outside = 0.3, "STEP"
    built("layers")
    result = damage().result
    depth = values(result, "depth")
    assert depth.min() == pytest.approx(0.0, abs=1e-6)
    assert depth.max() == pytest.approx(0.3, abs=1e-6)
    assert {len(face.vertices) for face in result.data.polygons} == {3}
    assert bpy.ops.gaploft.touch_up() == {"FINISHED"}
    bpy.ops.object.mode_set(mode="OBJECT")
    touched = damage().touched
    points, inside = coordinates(touched), values(touched, "zone") == 1
    points[inside] += 0.01 * coordinates(touched, "computed_normal")[inside]
    set_coordinates(touched, points)
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}
    assert json.loads(damage().report)["hand"]["normal_mm"][1] == pytest.approx(0.01, abs=1e-3)
    assert bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl")) == {"FINISHED"}
    facets = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))["target"]["facets"]
    assert facets == len(result.data.polygons)
    section_data = importlib.import_module("bl_ext.user_default.gaploft.section_data")
    assert len(section_data.view_of(bpy.context.scene).outline) == result.data["gaploft_shape"][1]
