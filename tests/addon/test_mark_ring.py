"""Two clicks: rings at places and under rays in world space, and the marks that two of them make."""

import bpy
import numpy as np
import pytest
from mathutils import Matrix, Vector

from blender_scan import FROM_MM, RADIUS_MM, TO_MM, add_scan, everything, tube_arrays

MOTION = Matrix.Translation((30, -20, 5)) @ Matrix.Rotation(0.7, 4, "X") @ Matrix.Rotation(0.3, 4, "Z")
#: One scan as it comes, one moved, one in metres, one scaled in the scene; with mm in one unit of its frame.
KINDS = {
    "plain": (Matrix.Identity(4), 1.0, "mm"),
    "moved": (MOTION, 1.0, "mm"),
    "metres": (Matrix.Identity(4), 1000.0, "m"),
    "scaled": (MOTION @ Matrix.Diagonal((2.0, 2.0, 2.0, 1.0)), 2.0, "mm"),
}


@pytest.fixture(params=KINDS)
def placed(request):
    """A broken tube in the scene, and the function from its mm to world space."""
    motion, divisor, unit = KINDS[request.param]
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, quads, mm_per_unit=divisor)
    scan.matrix_world = motion
    bpy.context.view_layer.update()
    bpy.context.scene.gaploft.scan_unit = unit
    rigid = Matrix.LocRotScale(*motion.decompose()[:2], None)
    mm = 1000.0 if unit == "m" else 1.0
    return scan, lambda point: np.array(rigid @ (Vector(point) / mm))


def on_surface(z, angle):
    """A place on the tube, mm."""
    radius = RADIUS_MM - 0.01 * z
    return np.array([radius * np.cos(angle), radius * np.sin(angle), z])


def cloud_of(extension, scan):
    return extension.sight.sight_of(bpy.context.scene, scan).run()


def marks(scan):
    bpy.context.view_layer.update()
    return np.array(extension_marks(scan))


def extension_marks(scan):
    state = bpy.context.scene.gaploft
    assert state.scan == scan
    return [mark.matrix_world.translation for mark in (state.mark_from, state.mark_to)]


def test_two_places_on_the_tube_mark_its_centreline(placed):
    scan, to_world = placed
    before = everything(scan)
    places = [to_world(on_surface(FROM_MM[2], 0.4)), to_world(on_surface(TO_MM[2], 2.9))]
    assert bpy.ops.gaploft.mark_ring(from_place=places[0], to_place=places[1]) == {"FINISHED"}
    size = np.linalg.norm(to_world((0, 0, RADIUS_MM)) - to_world((0, 0, 0)))
    found, expected = marks(scan), np.array([to_world(FROM_MM), to_world(TO_MM)])
    assert np.linalg.norm(found - expected, axis=1).max() < 0.05 * size
    assert bpy.context.scene.gaploft.damaged_area is None
    assert everything(scan) == before


def test_marks_look_like_the_rings_they_are(placed):
    """Blender draws a circle in the x-z plane of an empty; around the tube its y axis is the tube's."""
    _, to_world = placed
    state = bpy.context.scene.gaploft
    places = [to_world(on_surface(z, 0.4)) for z in (FROM_MM[2], TO_MM[2])]
    bpy.ops.gaploft.mark_ring(from_place=places[0], to_place=places[1])
    bpy.context.view_layer.update()
    axis = (to_world((0, 0, 1)) - to_world((0, 0, 0))) / np.linalg.norm(
        to_world((0, 0, 1)) - to_world((0, 0, 0))
    )
    for mark, z in ((state.mark_from, FROM_MM[2]), (state.mark_to, TO_MM[2])):
        size = np.linalg.norm(to_world(on_surface(z, 0.0)) - to_world((0, 0, z)))
        assert mark.empty_display_type == "CIRCLE"
        assert abs(np.array(mark.matrix_world.to_3x3() @ Vector((0, 1, 0))).dot(axis)) > 0.999
        assert size < mark.empty_display_size < 1.2 * size
    bpy.ops.gaploft.mark_damage(from_point=to_world(FROM_MM), to_point=to_world(TO_MM))
    assert state.mark_from.empty_display_type == "SPHERE"
    assert np.allclose(state.mark_from.matrix_basis.to_3x3(), np.eye(3))


def test_a_ray_finds_the_ring_on_the_near_side(extension, placed):
    scan, to_world = placed
    cloud = cloud_of(extension, scan)
    eye, aim = to_world((300.0, 40.0, 60.0)), to_world((0.0, 0.0, 60.0))
    found = extension.rings.ring_under(cloud, scan, bpy.context.scene, (eye, aim - eye))
    size = np.linalg.norm(to_world((0, 0, RADIUS_MM)) - to_world((0, 0, 0)))
    place, centre, outline = found.place, found.centre, found.outline
    assert np.linalg.norm(place - eye) < np.linalg.norm(aim - eye)
    assert np.linalg.norm(np.cross(place - eye, aim - eye)) / np.linalg.norm(aim - eye) < 1e-3 * size
    assert np.linalg.norm(centre - aim) < 0.05 * size
    np.testing.assert_allclose(np.linalg.norm(outline - centre, axis=1), 15.4 / 16 * size, rtol=0.02)
    past = to_world((60.0, 60.0, 60.0))
    assert extension.rings.ring_under(cloud, scan, bpy.context.scene, (eye, past - eye)) is None


def test_marks_by_clicks_serve_the_rebuild():
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    bpy.ops.gaploft.mark_ring(from_place=on_surface(FROM_MM[2], 0.0), to_place=on_surface(TO_MM[2], 0.0))
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}


def test_a_second_damage_gets_its_own_marks():
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    state = bpy.context.scene.gaploft
    bpy.ops.gaploft.mark_ring(from_place=on_surface(FROM_MM[2], 0.0), to_place=on_surface(TO_MM[2], 0.0))
    first = state.damages[0].mark_from.matrix_world.translation.copy()
    bpy.ops.gaploft.add_damage()
    bpy.ops.gaploft.mark_ring(from_place=on_surface(50.0, 0.0), to_place=on_surface(80.0, 0.0))
    assert len(state.damages) == 2
    assert state.damages[0].mark_from.matrix_world.translation == first
    assert state.damages[1].mark_from.matrix_world.translation.z == pytest.approx(50.0, abs=1.0)


def test_clicks_are_on_the_scan_whatever_is_active():
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, quads)
    bpy.ops.gaploft.use_scan(unit="mm")
    bpy.ops.mesh.primitive_cube_add()
    bpy.ops.gaploft.mark_ring(from_place=on_surface(FROM_MM[2], 0.0), to_place=on_surface(TO_MM[2], 0.0))
    assert bpy.context.scene.gaploft.scan == scan


def test_a_scan_is_thinned_again_only_when_it_changed(extension):
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, quads)
    cloud = cloud_of(extension, scan)

    def known():
        return extension.sight.sight_of(bpy.context.scene, scan).known

    assert known() is cloud
    scan.data.vertices[7].co.x += 0.5
    assert known() is None
    scan.data.vertices[7].co.x = vertices[7, 0]
    assert known() is cloud
    bpy.context.scene.gaploft.scan_unit = "cm"
    assert known() is None


def test_a_mesh_without_faces_is_refused():
    add_scan(np.array(tube_arrays()[0]), np.empty((0, 3), dtype=int))
    with pytest.raises(RuntimeError, match="a scan must be a triangle mesh"):
        bpy.ops.gaploft.mark_ring(from_place=(0.0, 0.0, 0.0), to_place=(1.0, 0.0, 0.0))


@pytest.mark.parametrize(
    ("places", "sentence"),
    [
        ({}, "give two places on the tube"),
        ({"from_place": (16.0, 0.0, 50.0)}, "give two places on the tube"),
        ({"from_place": (16.0, 0.0, 50.0), "to_place": (90.0, 0.0, 50.0)}, "no tube was found at one"),
        ({"from_place": (15.5, 0.0, 50.0), "to_place": (15.5, 0.0, 50.0)}, "at the same place"),
    ],
)
def test_refusals(places, sentence):
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    with pytest.raises(RuntimeError, match=sentence):
        bpy.ops.gaploft.mark_ring(**places)
    assert bpy.context.scene.gaploft.mark_from is None


def test_a_scan_that_can_not_be_used_is_told():
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    bpy.context.scene.gaploft.scan_unit = "m"
    with pytest.raises(RuntimeError, match="is the unit mm"):
        bpy.ops.gaploft.mark_ring(from_place=(0.0, 0.0, 0.0), to_place=(1.0, 0.0, 0.0))


def test_the_button_says_why_it_can_not_be_pressed():
    with pytest.raises(RuntimeError, match="Import the scan"):
        bpy.ops.gaploft.mark_ring()
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    bpy.ops.object.mode_set(mode="EDIT")
    with pytest.raises(RuntimeError, match="Go back to Object Mode first"):
        bpy.ops.gaploft.mark_ring()


def test_what_is_drawn_follows_the_clicks(extension):
    """Nothing, the ring under the pointer, then the first ring too, and the line between them."""
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, quads)
    cloud = cloud_of(extension, scan)
    rings = [
        extension.rings.ring_of(cloud, scan, bpy.context.scene, on_surface(z, 0.4)) for z in (40.0, 90.0)
    ]
    shown = extension.ring_draw.Shown()
    assert shown.lines == []
    shown.live = rings[0]
    assert shown.length_mm is None
    assert [len(points) for points, _ in shown.lines] == [len(rings[0].outline) + 1]
    shown.first, shown.live = rings
    assert shown.length_mm == pytest.approx(50.0, abs=0.5)
    assert [colour for _, colour in shown.lines] == [extension.ring_draw.SET, *[extension.ring_draw.LIVE] * 2]
    np.testing.assert_array_equal(shown.lines[2][0], [rings[0].centre, rings[1].centre])
    shown.live = None
    assert shown.length_mm is None
    assert len(shown.lines) == 1


def test_a_closed_outline_ends_where_it_began(extension):
    outline = np.arange(12.0).reshape(4, 3)
    closed = extension.ring_draw.closed(outline)
    np.testing.assert_array_equal(closed[0], closed[-1])
    np.testing.assert_array_equal(closed[:-1], outline)


def test_drawing_ends_harmlessly_when_nothing_is_drawn(extension):
    extension.ring_draw.end()
    assert not extension.ring_draw.drawing()
