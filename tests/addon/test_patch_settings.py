"""What a person says of a patch in Blender: when it is made, creases, guides, and damage by area alone."""

import importlib
import json
from math import comb

import bpy
import numpy as np
import pytest
from mathutils import Matrix, Vector

from blender_scan import FROM_MM, TO_MM, add_scan, coordinates, everything, marked, select_points, tube_arrays
from gaploft.errors import InputError
from gaploft.job_patch import PatchSettings

#: Places are rounded to a micrometre, and matrices are single precision.
PLACE_MM = 2e-3


@pytest.fixture
def module(extension):
    return lambda name: importlib.import_module(f"{extension.__name__}.{name}")


def damage():
    return bpy.context.scene.gaploft.damage


def patch_now(module):
    return module("settings").job_of(bpy.context.scene, damage()).patch


def add_curve(points, *, kind="POLY", cyclic=False, name="edge", curve=None):
    """A curve object with a line through these points, active in the scene; or one line more for it."""
    obj = curve
    if obj is None:
        data = bpy.data.curves.new(name, "CURVE")
        data.dimensions = "3D"
        obj = bpy.data.objects.new(name, data)
        bpy.context.scene.collection.objects.link(obj)
        bpy.context.view_layer.objects.active = obj
    spline = obj.data.splines.new(kind)
    spline.use_cyclic_u = cyclic
    if kind == "BEZIER":
        spline.bezier_points.add(len(points) - 1)
        for knot, point in zip(spline.bezier_points, points, strict=True):
            knot.co = point
            knot.handle_left_type = knot.handle_right_type = "VECTOR"
    else:
        spline.points.add(len(points) - 1)
        for knot, point in zip(spline.points, points, strict=True):
            knot.co = (*point, 1.0)
    bpy.context.view_layer.update()
    return obj


EDGE = [(16.0, 0.0, 90.0), (15.5, 2.0, 110.0), (15.0, 0.0, 140.0)]


def test_the_plain_job_asks_for_a_patch_where_needed_and_for_no_more(module):
    marked()
    assert patch_now(module).same_as(PatchSettings())
    assert module("patch_job").patch_key(PatchSettings()) == []


def test_what_is_set_is_the_job(module):
    scan = marked()
    before = everything(scan)
    curve = add_curve(EDGE)
    assert bpy.ops.gaploft.add_crease() == {"FINISHED"}
    damage().patch.creases[0].radius_mm = 2.5
    assert bpy.ops.gaploft.add_guide(point=(15.0, 1.0, 120.0)) == {"FINISHED"}
    damage().patch.use = "ALWAYS"
    patch = patch_now(module)
    assert patch.use == "always"
    assert [crease.radius_mm for crease in patch.creases] == [2.5]
    np.testing.assert_allclose(patch.creases[0].points_mm, EDGE, atol=PLACE_MM)
    np.testing.assert_allclose(patch.guides_mm, [[15.0, 1.0, 120.0]], atol=PLACE_MM)
    assert everything(scan) == before
    damage().patch.use = "NEVER"
    assert patch_now(module).same_as(PatchSettings("never")), "what is on the lists waits"
    assert bpy.ops.gaploft.remove_crease() == {"FINISHED"}
    assert bpy.ops.gaploft.remove_guide() == {"FINISHED"}
    assert curve.name in bpy.data.objects
    assert "Damage Guide" not in bpy.data.objects


def test_places_are_told_in_the_frame_of_the_scan_and_in_mm(module):
    """Scan and curve moved, turned and scaled on their own, and a unit of a centimetre."""
    marked()
    state = bpy.context.scene.gaploft
    scan = state.scan
    own = np.array(EDGE)
    turned = Matrix.LocRotScale(Vector((30.0, -20.0, 5.0)), Matrix.Rotation(0.7, 3, "X"), None)
    scan.matrix_world = turned
    curve = add_curve([(0.5 * x, y, z) for x, y, z in EDGE])
    curve.matrix_world = turned @ Matrix.Diagonal((2.0, 1.0, 1.0, 1.0))
    bpy.ops.gaploft.add_crease()
    bpy.ops.gaploft.add_guide(point=turned @ Vector(own[1]))
    np.testing.assert_allclose(patch_now(module).creases[0].points_mm, own, atol=PLACE_MM)
    state.scan_unit = "cm"
    np.testing.assert_allclose(patch_now(module).creases[0].points_mm, 10.0 * own, atol=10.0 * PLACE_MM)
    np.testing.assert_allclose(patch_now(module).guides_mm, 10.0 * own[1:2], atol=10.0 * PLACE_MM)


def test_a_guide_is_put_at_the_cursor_and_may_be_dragged(module):
    marked()
    bpy.context.scene.cursor.location = (15.0, 2.0, 115.0)
    bpy.ops.gaploft.add_guide()
    bpy.ops.gaploft.add_guide()
    first, second = (guide.mark for guide in damage().patch.guides)
    assert first.parent is None
    second.location.x = 17.0
    bpy.context.view_layer.update()
    expected = [[15.0, 2.0, 115.0], [17.0, 2.0, 115.0]]
    np.testing.assert_allclose(patch_now(module).guides_mm, expected, atol=PLACE_MM)
    bpy.data.objects.remove(first)
    np.testing.assert_allclose(patch_now(module).guides_mm, expected[1:], atol=PLACE_MM)


def test_bends_are_as_smooth_as_they_are_shown(module):
    """Bernstein's form of a cubic, at as many even steps as the curve's resolution says."""
    marked()
    curve = add_curve(EDGE[::2], kind="BEZIER")
    curve.data.resolution_u = 9
    first, last = curve.data.splines[0].bezier_points
    for knot in (first, last):
        knot.handle_left_type = knot.handle_right_type = "FREE"
    first.handle_right, last.handle_left = (17.0, 3.0, 100.0), (16.0, -5.0, 130.0)
    bpy.ops.gaploft.add_crease()
    (crease,) = patch_now(module).creases
    t = np.linspace(0.0, 1.0, 10)[:, None]
    corners = [np.array(p) for p in (first.co, first.handle_right, last.handle_left, last.co)]
    cubic = sum(comb(3, k) * (1.0 - t) ** (3 - k) * t**k * corner for k, corner in enumerate(corners))
    np.testing.assert_allclose(crease.points_mm, cubic, atol=PLACE_MM)


def test_each_line_of_a_curve_is_a_crease_and_a_closed_one_ends_where_it_began(module):
    marked()
    curve = add_curve(EDGE)
    add_curve([(x, y + 3.0, z) for x, y, z in EDGE], cyclic=True, curve=curve)
    add_curve([(1.0, 1.0, 1.0)], curve=curve)
    curve.hide_viewport = True
    bpy.ops.gaploft.add_crease()
    one, two = patch_now(module).creases
    np.testing.assert_allclose(one.points_mm, EDGE, atol=PLACE_MM)
    assert len(two.points_mm) == 4
    np.testing.assert_array_equal(two.points_mm[0], two.points_mm[-1])


def test_curves_that_are_no_line():
    marked()
    curve = add_curve(EDGE)
    curve.data.bevel_depth = 0.5
    with pytest.raises(RuntimeError, match="'edge' is more than a line: set its bevel depth"):
        bpy.ops.gaploft.add_crease()
    add_curve([(0.0, 0.0, 0.0)], name="dot")
    with pytest.raises(RuntimeError, match="'dot' has no line of two points"):
        bpy.ops.gaploft.add_crease()
    bare = bpy.data.objects.new("bare", bpy.data.curves.new("bare", "CURVE"))
    bpy.context.scene.collection.objects.link(bare)
    bpy.context.view_layer.objects.active = bare
    with pytest.raises(RuntimeError, match="'bare' has no line of two points"):
        bpy.ops.gaploft.add_crease()
    assert len(damage().patch.creases) == 0


def test_a_crease_whose_curve_is_gone(module):
    marked()
    curve = add_curve(EDGE)
    bpy.ops.gaploft.add_crease()
    bpy.data.objects.remove(curve)
    with pytest.raises(InputError, match="the curve of a crease is gone"):
        patch_now(module)
    with pytest.raises(RuntimeError, match="the curve of a crease is gone"):
        bpy.ops.gaploft.rebuild()


@pytest.mark.parametrize("name", ["add_crease", "add_guide"])
def test_a_damage_comes_first(name):
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    add_curve(EDGE)
    with pytest.raises(RuntimeError, match="Mark the damage first"):
        getattr(bpy.ops.gaploft, name)()


def test_buttons_say_what_is_missing():
    marked()
    with pytest.raises(RuntimeError, match="Draw a curve along the edge"):
        bpy.ops.gaploft.add_crease()
    with pytest.raises(RuntimeError, match="There is no crease"):
        bpy.ops.gaploft.remove_crease()
    with pytest.raises(RuntimeError, match="There is no guide"):
        bpy.ops.gaploft.remove_guide()
    add_curve(EDGE)
    bpy.ops.gaploft.add_crease()
    with pytest.raises(RuntimeError, match="is on the list already"):
        bpy.ops.gaploft.add_crease()


def test_the_chosen_one_of_a_list_goes():
    marked()
    for name in ("one", "two", "three"):
        add_curve(EDGE, name=name)
        bpy.ops.gaploft.add_crease()
        bpy.ops.gaploft.add_guide(point=EDGE[0])
    patch = damage().patch
    assert (patch.crease_index, patch.guide_index) == (2, 2)
    patch.crease_index = 1
    bpy.ops.gaploft.remove_crease()
    assert [crease.curve.name for crease in patch.creases] == ["one", "three"]
    patch.guide_index = 9
    bpy.ops.gaploft.remove_guide()
    assert [guide.mark.name for guide in patch.guides] == ["Damage Guide", "Damage Guide.001"]
    assert patch.guide_index == 1


def test_a_surface_is_outdated_once_a_patch_is_asked_for_otherwise(module, tmp_path):
    marked()
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}

    def stale():
        return module("settings").is_stale(bpy.context.scene, damage())

    assert not stale()
    curve = add_curve(EDGE)
    bpy.ops.gaploft.add_crease()
    assert stale()
    damage().patch.use = "NEVER"
    assert stale()
    damage().patch.use = "AUTO"
    key = module("settings").job_key
    job = module("settings").job_of(bpy.context.scene, damage())
    damage().built_with = json.dumps([float(x) for x in key(job, 1.0, damage())])
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "job.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "job.blend"))
    assert not stale()
    curve = damage().patch.creases[0].curve
    curve.data.splines[0].points[1].co.x += 0.1
    assert stale()
    curve.data.splines[0].points[1].co.x -= 0.1
    assert not stale()
    damage().patch.creases[0].radius_mm = 1.0
    assert stale()


def all_round():
    """A whole tube with a band all around it selected, and the mask of that band."""
    vertices, quads, _ = tube_arrays(hole_deg=0.0)
    scan = add_scan(vertices, quads)
    return scan, (vertices[:, 2] > FROM_MM[2]) & (vertices[:, 2] < TO_MM[2])


def mark(scan, mask):
    select_points(scan, mask)
    bpy.ops.gaploft.mark_damage(way="SELECTION")
    bpy.ops.object.mode_set(mode="OBJECT")


def test_to_a_patch_the_very_area_counts(module):
    scan, mask = all_round()
    bpy.context.scene.gaploft.add_damage().patch.use = "NEVER"
    mark(scan, mask)
    assert damage().damaged_area is None, "a tube that is broken all round needs its two ends alone"
    for use in ("AUTO", "ALWAYS"):
        damage().patch.use = use
        mark(scan, mask)
        job = module("settings").job_of(bpy.context.scene, damage())
        np.testing.assert_array_equal(job.damage.source_vertices, np.flatnonzero(mask))
        assert job.damage.has_ends


def test_a_patch_does_without_marks(module):
    scan, mask = all_round()
    bpy.context.scene.gaploft.add_damage().patch.use = "ALWAYS"
    mark(scan, mask)
    settings = module("settings")
    with_marks = settings.job_key(settings.job_of(bpy.context.scene, damage()), 1.0, damage())
    for obj in (damage().mark_from, damage().mark_to):
        bpy.data.objects.remove(obj)
    assert damage().marked
    assert not damage().has_ends
    job = settings.job_of(bpy.context.scene, damage())
    assert not job.damage.has_ends
    np.testing.assert_array_equal(job.damage.source_vertices, np.flatnonzero(mask))
    key = settings.job_key(job, 1.0, damage())
    assert np.isfinite(key).all()
    damage().built_with = json.dumps([float(x) for x in with_marks])
    assert settings.is_stale(bpy.context.scene, damage())
    damage().built_with = json.dumps([float(x) for x in key])
    assert not settings.is_stale(bpy.context.scene, damage())
    with pytest.raises(InputError, match="mark them first"):
        module("task").tube_task_of(bpy.context.scene, damage())
    with pytest.raises(RuntimeError, match="Mark both ends of the damage first"):
        bpy.ops.gaploft.add_region()
    damage().patch.use = "AUTO"
    assert not damage().marked


def test_guides_go_with_their_damage_and_curves_stay():
    marked()
    add_curve(EDGE)
    bpy.ops.gaploft.add_crease()
    bpy.ops.gaploft.add_guide(point=EDGE[0])
    assert bpy.ops.gaploft.remove_damage() == {"FINISHED"}
    assert "Damage Guide" not in bpy.data.objects
    assert "edge" in bpy.data.objects


def test_another_damage_has_a_patch_of_its_own():
    marked()
    damage().patch.use = "NEVER"
    bpy.ops.gaploft.add_damage()
    assert damage().patch.use == "AUTO"


def test_all_of_it_comes_and_goes_with_undo():
    marked()
    add_curve(EDGE)
    bpy.ops.ed.undo_push(message="before")
    bpy.ops.gaploft.add_crease()
    bpy.ops.gaploft.add_guide(point=EDGE[0])
    bpy.ops.ed.undo_push(message="added")
    bpy.ops.ed.undo()
    assert (len(damage().patch.creases), len(damage().patch.guides)) == (0, 0)
    assert "Damage Guide" not in bpy.data.objects
    bpy.ops.ed.redo()
    assert damage().patch.creases[0].curve.name == "edge"
    np.testing.assert_allclose(damage().patch.guides[0].mark.location, EDGE[0], atol=1e-6)


def test_reading_a_curve_alters_and_leaves_nothing(module):
    marked()
    curve = add_curve(EDGE, kind="BEZIER")
    bpy.ops.gaploft.add_crease()
    counts = {name: len(getattr(bpy.data, name)) for name in ("objects", "meshes", "curves")}
    first = patch_now(module)
    assert patch_now(module).same_as(first)
    assert {name: len(getattr(bpy.data, name)) for name in counts} == counts
    np.testing.assert_allclose([knot.co for knot in curve.data.splines[0].bezier_points], EDGE, atol=1e-5)
    assert len(coordinates(bpy.context.scene.gaploft.scan)) > 0
