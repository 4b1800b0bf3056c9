"""Blender meshes to arrays in millimetres and back; nothing else here knows units or matrices.

The library works in the scan's own frame: the object's location and rotation are left out, its
scale is kept. For a scan as imported that is the frame of its file, and it stays so however the
object is moved about in the scene. One unit of that frame is one Blender unit.
"""

import hashlib
from contextlib import contextmanager

import bpy
import numpy as np
from mathutils import Matrix, Vector

from gaploft.errors import InputError
from gaploft.job import MM_PER_UNIT

DAMAGE_NAME = "gaploft_damage"
SCULPT_MASK = ".sculpt_mask"


def unit_of(scene):
    """Name and millimetres of one Blender unit of the scan."""
    name = scene.gaploft.scan_unit
    if name != "scene":
        return name, MM_PER_UNIT[name]
    # Blender keeps the scale in single precision: 0.001 must come out as a millimetre.
    size_mm = float(f"{1000.0 * scene.unit_settings.scale_length:.6g}")
    names = [unit for unit, mm in MM_PER_UNIT.items() if mm == size_mm]
    return (names[0] if names else f"{size_mm:g} mm"), size_mm


def placement(obj):
    """Location and rotation of an object in the world."""
    location, rotation, _ = obj.matrix_world.decompose()
    return Matrix.LocRotScale(location, rotation, None)


def own_size(obj):
    """The 3 x 3 matrix from an object's mesh to its own frame: its scale, whatever it is parented to."""
    size = np.array((placement(obj).inverted() @ obj.matrix_world).to_3x3())
    largest = float(f"{np.abs(size).max():.6g}")
    # Matrices are single precision: without rounding, turning an object would change its size.
    return np.round(size / largest, 6) * largest


@contextmanager
def readable(obj):
    """Give an object's mesh as edited so far: a copy that is gone afterwards.

    A copy shares all arrays with its original until they are asked for; Blender then parts them, since they
    could be written to. Of the original's, which the viewport shares, the double would stay.
    """
    if obj.mode == "EDIT":
        obj.update_from_editmode()
    mesh = obj.data.copy()
    try:
        yield mesh
    finally:
        bpy.data.meshes.remove(mesh)


def scan_arrays(obj):
    """Vertices in units of the own frame, (n, 3) float32 or float64, and triangles, (m, 3) int32."""
    with readable(obj) as mesh:
        return _own_arrays(mesh, own_size(obj))


def _own_arrays(mesh, size):
    # As an attribute they are copied as they lie there, as `vertices` one by one. An empty mesh has none.
    place = mesh.attributes.get("position")
    vertices = np.empty((0, 3), np.float32) if place is None else read(place.data, "vector", np.float32, 3)
    faces = triangles(mesh)
    if np.array_equal(size, np.eye(3)):  # as imported: single precision says all there is
        return vertices, faces
    if np.linalg.det(size) < 0.0:
        faces = np.ascontiguousarray(faces[:, ::-1])
    return vertices.astype(np.float64) @ size.T, faces


def triangles(mesh):
    """Triangles of a mesh, (m, 3) int32.

    A scan holds nothing else, and its corners lie in Blender's memory as they are wanted here: taking them
    is a copy, where cutting polygons into triangles would freeze the window over a scan of millions.
    """
    if len(mesh.polygons) == 0:  # then Blender keeps no corners at all
        return np.empty((0, 3), dtype=np.int32)
    corners = read(mesh.attributes[".corner_vert"].data, "value", np.int32, 1)
    if len(corners) == 3 * len(mesh.polygons):  # no polygon has fewer than three
        return corners.reshape(-1, 3)
    mesh.calc_loop_triangles()
    return read(mesh.loop_triangles, "vertices", np.int32, 3)


def vertex_normals(obj):
    """Unit normals at the vertices in the own frame, (n, 3) float64."""
    with readable(obj) as mesh:
        normals = read(mesh.vertex_normals, "vector", np.float32, 3).astype(np.float64)
    normals = normals @ np.linalg.inv(own_size(obj))
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    return normals / np.where(length > 0.0, length, 1.0)


def fingerprint(vertices, faces):
    """SHA-256 of a mesh's arrays."""
    found = hashlib.sha256(np.ascontiguousarray(vertices))
    found.update(np.ascontiguousarray(faces))
    return found.hexdigest()


def scan_extent_mm(obj, scene):
    """Edges of the scan's bounding box in millimetres, from Blender's own box."""
    corners = np.array(obj.bound_box) @ own_size(obj).T
    return np.ptp(corners, axis=0) * unit_of(scene)[1]


def to_own_mm(obj, scene, world_point):
    """A world point in the scan's own frame, in millimetres."""
    return np.array(placement(obj).inverted() @ Vector(world_point), dtype=np.float64) * unit_of(scene)[1]


def marks_mm(scene, damage):
    """Both marks of a damage in the scan's own frame, (3,) each, in millimetres."""
    return tuple(
        to_own_mm(scene.gaploft.scan, scene, mark.matrix_world.translation)
        for mark in (damage.mark_from, damage.mark_to)
    )


def marked_length_mm(scene, damage):
    """Distance between the marks of a damage."""
    start, stop = marks_mm(scene, damage)
    return float(np.linalg.norm(stop - start))


def selected_vertices(obj):
    """Mask of the vertices selected in edit mode, with those of selected edges and faces."""
    with readable(obj) as mesh:
        return read(mesh.vertices, "select", bool, 1)


def painted_vertices(obj):
    """Mask of the painted damage: an attribute or vertex group of that name, or the sculpt mask; or None.

    Raises InputError when the attribute is of a kind that can't say what is damaged.
    """
    with readable(obj) as mesh:
        return _painted(mesh, obj.vertex_groups.get(DAMAGE_NAME))


def _painted(mesh, group):
    attribute = mesh.attributes.get(DAMAGE_NAME)
    if attribute is None and group is not None:
        weight = [any(g.group == group.index and g.weight > 0.5 for g in v.groups) for v in mesh.vertices]
        return np.array(weight, dtype=bool)
    if attribute is None:
        attribute = mesh.attributes.get(SCULPT_MASK)
    if attribute is None:
        return None
    if attribute.data_type not in {"FLOAT", "INT", "BOOLEAN", "INT8"} or attribute.domain not in {
        "POINT",
        "FACE",
    }:
        raise InputError(
            f"the attribute {attribute.name} is {attribute.data_type} on {attribute.domain}, but the damage "
            "is read from numbers or truth values on points or faces: convert it, or mark in another way"
        )
    values = read(attribute.data, "value", np.float32, 1) > 0.5
    if attribute.domain == "POINT":
        return values
    corners = np.repeat(values, read(mesh.polygons, "loop_total", np.int32, 1))
    mask = np.zeros(len(mesh.vertices), dtype=bool)
    mask[read(mesh.loops, "vertex_index", np.int32, 1)[corners]] = True
    return mask


def moved_as_object(vertices_mm, obj, scan, mm_per_unit):
    """Vertices with what the object itself was moved against the scan it was built on."""
    if scan is None or obj.parent != scan:
        return vertices_mm
    shift = np.array(placement(scan).inverted() @ obj.matrix_world)
    turn, move = shift[:3, :3], shift[:3, 3]
    # Single precision again: a surface that nobody moved stays exactly where it is.
    reach = np.abs(np.array(scan.matrix_world)[:3, 3]).max() + np.abs(vertices_mm).max() / mm_per_unit
    if np.allclose(turn, np.eye(3), atol=1e-6) and np.abs(move).max() <= 1e-6 * reach:
        return vertices_mm
    return vertices_mm @ turn.T + move * mm_per_unit


def read(collection, name, dtype, width):
    values = np.empty(len(collection) * width, dtype=dtype)
    collection.foreach_get(name, values)
    return values.reshape(-1, width) if width > 1 else values
