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

from gaploft.job import MM_PER_UNIT

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


def arrays_seen_from(scan, obj):
    """Another mesh as :func:`scan_arrays`, in the scan's own frame, as it is seen beside the scan."""
    vertices, faces = scan_arrays(obj)
    way = np.array(placement(scan).inverted() @ placement(obj))
    turn, move = way[:3, :3], way[:3, 3]
    # Matrices are single precision: files of one frame stay exactly in it.
    reach = np.abs(np.array(scan.matrix_world)[:3, 3]).max() + np.abs(vertices).max(initial=0.0)
    if np.allclose(turn, np.eye(3), atol=1e-6) and np.abs(move).max() <= 1e-6 * reach:
        return vertices, faces
    return vertices.astype(np.float64) @ turn.T + move, faces


def _own_arrays(mesh, size):
    vertices = positions(mesh)
    faces = triangles(mesh)
    if np.array_equal(size, np.eye(3)):  # as imported: single precision says all there is
        return vertices, faces
    if np.linalg.det(size) < 0.0:
        faces = np.ascontiguousarray(faces[:, ::-1])
    return vertices.astype(np.float64) @ size.T, faces


def positions(mesh):
    """Points of a mesh in its own units, (n, 3) float32: as an attribute, a copy as they lie there."""
    attribute = mesh.attributes.get("position")
    return (
        np.empty((0, 3), np.float32) if attribute is None else read(attribute.data, "vector", np.float32, 3)
    )


def corners(mesh):
    """Vertex numbers of all corners, polygon by polygon, (k,) int32; an empty mesh has none."""
    attribute = mesh.attributes.get(".corner_vert")
    return np.empty(0, np.int32) if attribute is None else read(attribute.data, "value", np.int32, 1)


def triangles(mesh):
    """Triangles of a mesh, (m, 3) int32.

    A scan holds nothing else, and its corners lie in Blender's memory as they are wanted here: taking them
    is a copy, where cutting polygons into triangles would freeze the window over a scan of millions.
    """
    found = corners(mesh)
    if len(found) == 3 * len(mesh.polygons):  # no polygon has fewer than three
        return found.reshape(-1, 3)
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
    found = hashlib.sha256(np.ascontiguousarray(vertices).data)
    found.update(np.ascontiguousarray(faces).data)
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


def plane_mm(scan, scene, obj):
    """An object's place and the direction of its z axis in the scan's own frame: (3,) mm, and (3,)."""
    turn = placement(scan).to_3x3().inverted() @ placement(obj).to_3x3()
    return to_own_mm(scan, scene, obj.matrix_world.translation), turn @ Vector((0.0, 0.0, 1.0))


def mark_mm(scene, mark):
    """A mark in the scan's own frame, (3,) in millimetres; None where there is none."""
    scan = scene.gaploft.live("scan")
    if mark is None or scan is None:
        return None
    return to_own_mm(scan, scene, mark.matrix_world.translation)


def marked_length_mm(scene, damage):
    """Distance between the marks of a damage."""
    start, stop = marks_mm(scene, damage)
    return float(np.linalg.norm(stop - start))


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
