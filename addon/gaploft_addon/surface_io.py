"""Meshes of our own: the damaged area, and the rebuilt surface with what measuring hand work takes."""

from dataclasses import dataclass, replace

import bpy
import numpy as np

from gaploft.errors import InputError

from . import mesh_io

SOURCE_VERTEX = "source_vertex"
#: How far a point of the surface lies below the rebuilt outer surface, mm.
DEPTH = "depth"
#: The greatest of these, kept with the mesh for panels.
DEEPEST = "gaploft_deepest_mm"
#: What a patch stands on at each point, by the library's numbers.
ORIGIN = "origin"
#: The quads of a surface whose facets are triangles.
QUADS = "gaploft_quads"
#: The corners of a quad's two triangles, each 0 to 3, are kept as one number with six digits of base 4.
CUT_PLACES = 4 ** np.arange(6)


@dataclass(frozen=True)
class SurfaceArrays:
    """A rebuilt surface as computed and as it is now, in millimetres in the scan's own frame.

    A patch has triangles alone: its ``quads`` are (0, 4), its ``shape`` (0, 0).
    """

    computed_mm: np.ndarray
    current_mm: np.ndarray
    normals: np.ndarray
    band95_mm: np.ndarray
    zone: np.ndarray
    depth_mm: np.ndarray
    quads: np.ndarray
    triangles: np.ndarray
    shape: tuple[int, int]
    mm_per_unit: float
    rounding_mm: float
    origin: np.ndarray | None = None

    @property
    def ringed(self):
        """Whether the points are rings of a tube."""
        return min(self.shape) > 0

    @property
    def facets(self):
        """What work by hand is measured on: the quads, (k, 4), or the triangles of a patch, (m, 3)."""
        return self.quads if self.ringed else self.triangles


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


def part_mesh(name, vertices_mm, triangles, mm_per_unit):
    """A mesh of triangles from the library, (n, 3) mm and (k, 3)."""
    return bulk_mesh(name, (vertices_mm / mm_per_unit).astype(np.float32), triangles)


def flanks_mesh(name, points_mm, normals, mm_per_unit):
    """Points without facets, each with its normal."""
    mesh = part_mesh(name, points_mm, np.empty((0, 3), np.int32), mm_per_unit)
    _write(mesh, "normal_outward", "FLOAT_VECTOR", normals)
    mesh["gaploft_mm_per_unit"] = mm_per_unit
    return mesh


def flanks_arrays(obj):
    """Points in mm and normals, (n, 3) each, as :func:`flanks_mesh` has put them down; or None."""
    if obj is None or "normal_outward" not in obj.data.attributes:
        return None
    mm = float(obj.data["gaploft_mm_per_unit"])
    normals = mesh_io.read(obj.data.attributes["normal_outward"].data, "vector", np.float32, 3)
    return mm * mesh_io.positions(obj.data).astype(np.float64), normals.astype(np.float64)


def surface_mesh(name, target, mm_per_unit, rims):
    """A mesh of a target's quads, with all that is needed to measure later changes by hand.

    Around damage on one side whose layers end in a step, the triangles are not those of the quads. There the
    mesh holds the triangles, and the quads beside them. A patch has triangles alone.
    """
    vertices = (target.vertices_mm / mm_per_unit).astype(np.float32)
    cut = _cut(target)
    mesh = bulk_mesh(name, vertices, target.triangles if cut is None else target.quads)
    _write(mesh, "band95", "FLOAT", target.band95_mm)
    _write(mesh, "zone", "INT", target.zone)
    write_depth(mesh, target.depth_mm)
    if target.origin is not None:
        _write(mesh, ORIGIN, "INT", target.origin)
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
    if cut is None and target.ringed:
        mesh[QUADS] = target.quads.ravel().tolist()
    elif cut is not None:
        _write(mesh, "cut", "INT", cut, "FACE")
    return mesh


def _cut(target):
    """How each quad is cut into two triangles, a number each; None where the triangles are not of them."""
    if len(target.triangles) != 2 * len(target.quads):
        return None
    same = target.triangles.reshape(-1, 6, 1) == target.quads[:, None, :]
    return same.argmax(axis=2) @ CUT_PLACES if same.any(axis=2).all() else None


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
    names = ("computed", "computed_normal", "band95", "zone", DEPTH)
    attributes = [mesh.attributes.get(name) for name in names]
    corners = mesh_io.corners(mesh)
    known = None not in attributes and (_has_no_rings(mesh) or QUADS in mesh or "cut" in mesh.attributes)
    if not known or mesh.get("gaploft_facets") != _facets_key(mesh, corners):
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
    quads, triangles = _facets(mesh, corners)
    return SurfaceArrays(
        computed_mm=computed * mm,
        current_mm=current * mm,
        normals=normals,
        band95_mm=mesh_io.read(attributes[2].data, "value", np.float32, 1).astype(np.float64),
        zone=mesh_io.read(attributes[3].data, "value", np.int32, 1),
        depth_mm=mesh_io.read(attributes[4].data, "value", np.float32, 1).astype(np.float64),
        quads=quads,
        triangles=triangles,
        shape=tuple(mesh["gaploft_shape"]),
        mm_per_unit=mm,
        rounding_mm=float(mesh["gaploft_rounding_mm"]),
        origin=_origin(mesh),
    )


def _origin(mesh):
    """What a patch stands on at its points, (n,) uint8; None of a tube."""
    attribute = mesh.attributes.get(ORIGIN)
    return None if attribute is None else mesh_io.read(attribute.data, "value", np.int32, 1).astype(np.uint8)


def _facets(mesh, corners):
    """Quads and triangles as :func:`surface_mesh` has put them down."""
    if _has_no_rings(mesh):
        return np.empty((0, 4), dtype=np.int32), corners.reshape(-1, 3)
    if QUADS in mesh:
        return np.array(mesh[QUADS], dtype=np.int32).reshape(-1, 4), corners.reshape(-1, 3)
    quads = corners.reshape(-1, 4)
    places = mesh_io.read(mesh.attributes["cut"].data, "value", np.int32, 1)[:, None] // CUT_PLACES % 4
    return quads, np.take_along_axis(quads, places, axis=1).reshape(-1, 3)


def _has_no_rings(mesh):
    """Whether a surface's mesh is that of a patch."""
    return min(mesh.get("gaploft_shape", (1, 1))) == 0


def _facets_key(mesh, corners):
    return mesh_io.fingerprint(np.array([len(mesh.vertices), len(mesh.polygons)]), corners)


def write_depth(mesh, depth_mm):
    """How deep each point lies below the outer surface, (n,) mm."""
    write_values(mesh, DEPTH, depth_mm)
    mesh[DEEPEST] = float(np.max(depth_mm, initial=0.0))


def write_values(mesh, name, values):
    """A number for each vertex, kept as an attribute of that name; in the place of an earlier one."""
    earlier = mesh.attributes.get(name)
    if earlier is not None:
        mesh.attributes.remove(earlier)
    _write(mesh, name, "FLOAT", values)


def _write(mesh, name, data_type, values, domain="POINT"):
    attribute = mesh.attributes.new(name, data_type, domain)
    dtype = np.int32 if data_type == "INT" else np.float32
    field = "vector" if data_type == "FLOAT_VECTOR" else "value"
    attribute.data.foreach_set(field, np.ascontiguousarray(values, dtype=dtype).ravel())
