"""A small scan of a broken tube inside Blender, and the state that a test asks for."""

from functools import cache
from pathlib import Path

import bpy  # noqa: TID251 - only the extension's tests import this
import numpy as np

RADIUS_MM, LENGTH_MM, NOISE_MM = 16.0, 240.0, 0.02
#: The tube lies along z from 0 to ``LENGTH_MM``; this stretch of it is missing or crushed.
FROM_MM, TO_MM = np.array([0.0, 0.0, 105.0]), np.array([0.0, 0.0, 135.0])


def tube_arrays(*, hole_deg=360.0, step_mm=2.0, n_around=120):
    """Vertices in mm and quads of a tapered tube with a gap between ``FROM_MM`` and ``TO_MM``.

    With ``hole_deg`` below 360 the tube is whole, and dented over that sector instead.
    """
    rng = np.random.default_rng(11)
    u, v = np.meshgrid(
        np.arange(0.0, LENGTH_MM + step_mm / 2, step_mm),
        2 * np.pi * np.arange(n_around) / n_around,
        indexing="ij",
    )
    radius = RADIUS_MM - 0.01 * u + rng.normal(0.0, NOISE_MM, u.shape)
    inside = (u > FROM_MM[2]) & (u < TO_MM[2])
    dented = inside & (np.abs(v - np.pi) < np.radians(hole_deg / 2))
    if hole_deg < 360.0:
        radius = radius - 3.0 * dented
    vertices = np.stack([radius * np.cos(v), radius * np.sin(v), u], axis=2).reshape(-1, 3)
    i, j = (a.ravel() for a in np.meshgrid(np.arange(len(u) - 1), np.arange(n_around), indexing="ij"))
    k = (j + 1) % n_around
    quads = np.column_stack(
        [i * n_around + j, i * n_around + k, (i + 1) * n_around + k, (i + 1) * n_around + j]
    )
    if hole_deg < 360.0:
        return vertices, quads, dented.ravel()
    quads = quads[~inside.ravel()[quads].any(axis=1)]
    used = np.unique(quads)
    return vertices[used], np.searchsorted(used, quads), np.zeros(len(used), dtype=bool)


def add_scan(vertices, quads, *, mm_per_unit=1.0, name="scan"):
    """The arrays as the active object of the scene."""
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata((vertices / mm_per_unit).tolist(), [], quads.tolist())
    obj = bpy.data.objects.new(name, mesh)
    bpy.context.scene.collection.objects.link(obj)
    bpy.context.view_layer.objects.active = obj
    obj.select_set(True)
    bpy.context.view_layer.update()
    return obj


def coordinates(obj, attribute=None):
    """Vertices, or a vector attribute, of an object's mesh, (n, 3) float64, in the mesh's own units."""
    data, field = (
        (obj.data.vertices, "co") if attribute is None else (obj.data.attributes[attribute].data, "vector")
    )
    values = np.empty(3 * len(data), dtype=np.float32)
    data.foreach_get(field, values)
    return values.reshape(-1, 3).astype(np.float64)


def everything(obj):
    """All that makes up a scan object: its mesh to the byte, materials, modifiers, place."""
    corners = np.empty(len(obj.data.loops), dtype=np.int32)
    obj.data.loops.foreach_get("vertex_index", corners)
    attributes = [(a.name, a.data_type, a.domain) for a in obj.data.attributes]
    placed = [tuple(row) for row in obj.matrix_world], tuple(obj.scale), obj.parent
    return coordinates(obj).tobytes(), corners.tobytes(), attributes, list(obj.data.materials), placed


def values(obj, attribute):
    """A number attribute of an object's mesh."""
    data = obj.data.attributes[attribute].data
    found = np.empty(len(data), dtype=np.float32)
    data.foreach_get("value", found)
    return found


def set_coordinates(obj, vertices):
    """Move the points of an object's mesh, as a hand would."""
    obj.data.vertices.foreach_set("co", vertices.astype(np.float32).ravel())
    obj.data.update()


def select_points(scan, mask):
    """Go into Edit Mode with these points of the active object selected and nothing else."""
    bpy.ops.object.mode_set(mode="EDIT")
    # Blender's own button: writing to Edge.select from Python ends bpy 5.0 with a crash.
    bpy.ops.mesh.select_all(action="DESELECT")
    bpy.ops.object.mode_set(mode="OBJECT")
    scan.data.vertices.foreach_set("select", mask)
    bpy.ops.object.mode_set(mode="EDIT")


def marked():
    """A broken tube with the damage marked: the scan."""
    vertices, quads, _ = tube_arrays()
    scan = add_scan(vertices, quads)
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    return scan


def marked_and_rebuilt():
    """A broken tube, marked and rebuilt: scan and result, out of a file saved by the first call."""
    bpy.ops.wm.open_mainfile(filepath=str(_rebuilt_file()))
    state = bpy.context.scene.gaploft
    return state.scan, state.result


@cache
def _rebuilt_file():
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    marked()
    bpy.ops.gaploft.rebuild()
    file = Path(bpy.utils.user_resource("DATAFILES", path="tests", create=True)) / "rebuilt.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(file))
    return file
