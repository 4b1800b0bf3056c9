"""Meshes of our own: the damaged area, and the rebuilt surface with what measuring hand work takes."""

from dataclasses import dataclass, replace

import bpy
import numpy as np

from gaploft.errors import InputError

from . import mesh_io

SOURCE_VERTEX = "source_vertex"
#: The corners of a quad's two triangles, each 0 to 3, are kept as one number with six digits of base 4.
CUT_PLACES = 4 ** np.arange(6)


@dataclass(frozen=True)
class SurfaceArrays:
    """A rebuilt surface as computed and as it is now, in millimetres in the scan's own frame."""

    computed_mm: np.ndarray
    current_mm: np.ndarray
    normals: np.ndarray
    band95_mm: np.ndarray
    zone: np.ndarray
    quads: np.ndarray
    triangles: np.ndarray
    shape: tuple[int, int]
    mm_per_unit: float
    rounding_mm: float


def bulk_mesh(name, vertices, faces):
    """A new mesh from (n, 3) vertices and (k, c) faces of c corners each, smooth shaded."""
    mesh = bpy.data.meshes.new(name)
    count, corners = faces.shape
    mesh.vertices.add(len(vertices))
    mesh.vertices.foreach_set("co", np.ascontiguousarray(vertices, dtype=np.float32).ravel())
    mesh.loops.add(count * corners)
    mesh.loops.foreach_set("vertex_index", np.ascontiguousarray(faces, dtype=np.int32).ravel())
    mesh.polygons.add(count)
    mesh.polygons.foreach_set("loop_start", np.arange(0, count * corners, corners, dtype=np.int32))
    mesh.update(calc_edges=True)
    return mesh


def area_mesh(name, scan, source_vertices):
    """The damaged part of the scan as a mesh that remembers the scan's vertex numbers."""
    vertices, faces = mesh_io.scan_arrays(scan)
    place = np.full(len(vertices), -1, dtype=np.int32)
    place[source_vertices] = np.arange(len(source_vertices))
    mesh = bulk_mesh(name, vertices[source_vertices], place[faces[(place[faces] >= 0).all(axis=1)]])
    _write(mesh, SOURCE_VERTEX, "INT", source_vertices.astype(np.int32))
    return mesh


def area_vertices(obj):
    """The scan's vertex numbers kept by :func:`area_mesh`."""
    attribute = obj.data.attributes.get(SOURCE_VERTEX)
    if attribute is None:
        raise InputError(
            f"'{obj.name}' no longer knows the damaged points of the scan: mark the damage again"
        )
    return mesh_io.read(attribute.data, "value", np.int32, 1).astype(np.int64)


def surface_mesh(name, target, mm_per_unit, rims):
    """A quad mesh of a target, with all that is needed to measure later changes by hand."""
    vertices = (target.vertices_mm / mm_per_unit).astype(np.float32)
    mesh = bulk_mesh(name, vertices, target.quads)
    _write(mesh, "band95", "FLOAT", target.band95_mm)
    _write(mesh, "zone", "INT", target.zone)
    _write(mesh, "computed", "FLOAT_VECTOR", vertices)
    _write(mesh, "computed_normal", "FLOAT_VECTOR", target.normals)
    edges = np.sort(mesh_io.read(mesh.edges, "vertices", np.int32, 2), axis=1).astype(np.int64)
    keys = edges @ [len(vertices), 1]
    mesh.edges.foreach_set("use_seam", np.isin(keys, rims @ [len(vertices), 1]))
    mesh["gaploft_mm_per_unit"] = mm_per_unit
    # A mesh holds single precision: far from the origin that moves the points.
    mesh["gaploft_rounding_mm"] = float(
        np.abs(vertices.astype(np.float64) * mm_per_unit - target.vertices_mm).max()
    )
    mesh["gaploft_facets"] = _facets_key(mesh, mesh_io.corners(mesh))
    mesh["gaploft_shape"] = target.shape
    corners = (target.triangles.reshape(-1, 6, 1) == target.quads[:, None, :]).argmax(axis=2)
    _write(mesh, "cut", "INT", corners @ CUT_PLACES, "FACE")
    return mesh


def surface_arrays(obj, scan):
    """Read a rebuilt surface back, as computed and as changed by hand since.

    Raises InputError when points or facets were added, removed or renumbered.
    """
    with mesh_io.readable(obj) as mesh:
        arrays = _surface_arrays(mesh, obj.name)
    return replace(
        arrays, current_mm=mesh_io.moved_as_object(arrays.current_mm, obj, scan, arrays.mm_per_unit)
    )


def _surface_arrays(mesh, name):
    attributes = [mesh.attributes.get(n) for n in ("computed", "computed_normal", "band95", "zone", "cut")]
    quads = mesh_io.corners(mesh)
    if None in attributes or mesh.get("gaploft_facets") != _facets_key(mesh, quads):
        raise InputError(
            f"points or facets of '{name}' were added or removed ({len(mesh.vertices)} points, "
            f"{len(mesh.polygons)} facets), so changes can't be measured: undo that or rebuild, and only "
            "move points"
        )
    mm = float(mesh["gaploft_mm_per_unit"])
    computed, normals = (
        mesh_io.read(a.data, "vector", np.float32, 3).astype(np.float64) for a in attributes[:2]
    )
    current = mesh_io.positions(mesh).astype(np.float64)
    quads = quads.reshape(-1, 4)
    corners = mesh_io.read(attributes[4].data, "value", np.int32, 1)[:, None] // CUT_PLACES % 4
    return SurfaceArrays(
        computed_mm=computed * mm,
        current_mm=current * mm,
        normals=normals,
        band95_mm=mesh_io.read(attributes[2].data, "value", np.float32, 1).astype(np.float64),
        zone=mesh_io.read(attributes[3].data, "value", np.int32, 1),
        quads=quads,
        triangles=np.take_along_axis(quads, corners, axis=1).reshape(-1, 3),
        shape=tuple(mesh["gaploft_shape"]),
        mm_per_unit=mm,
        rounding_mm=float(mesh["gaploft_rounding_mm"]),
    )


def _facets_key(mesh, corners):
    return mesh_io.fingerprint(np.array([len(mesh.vertices), len(mesh.polygons)]), corners)


def write_values(mesh, name, values):
    """A number for each vertex, kept as an attribute of that name."""
    _write(mesh, name, "FLOAT", values)


def _write(mesh, name, data_type, values, domain="POINT"):
    attribute = mesh.attributes.new(name, data_type, domain)
    dtype = np.int32 if data_type == "INT" else np.float32
    field = "vector" if data_type == "FLOAT_VECTOR" else "value"
    attribute.data.foreach_set(field, np.ascontiguousarray(values, dtype=dtype).ravel())
