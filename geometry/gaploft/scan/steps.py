"""The single steps of mending a mesh, each a function from a mesh to a changed copy."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.scan.model import Note, ScanSource
from gaploft.scan.size import check_size
from gaploft.scan.topology import clashing_faces, count_edges, surely_sound
from gaploft.scan.weld import equal_points, equal_rows

#: A few broken vertices are dropped; above this share the file as a whole can't be trusted.
_BROKEN_SHARE = 0.01


@dataclass(frozen=True)
class Mesh:
    """A mesh on its way to a scan; ``vertex_of_source`` is -1 where a vertex is gone.

    Vertices stay single precision, if a file holds no more, until they are welded. ``sound`` is set once
    it is known that no face comes twice and that all agree, which spares the search for those that don't.
    """

    vertices: NDArray[np.floating]
    faces: NDArray[np.int32]
    vertex_of_source: NDArray[np.int32]
    notes: tuple[Note, ...] = ()
    sound: bool = False

    def noted(self, code: str, text: str) -> "Mesh":
        return replace(self, notes=(*self.notes, Note(code, text)))


def without_broken(mesh: Mesh, file: str) -> Mesh:
    """Drop vertices with a coordinate that is not a number, and their faces."""
    if len(mesh.faces) == 0:
        raise InputError(
            f"{file} holds no faces; a scan must be a triangle mesh: "
            "mesh the points in the scanning program first"
        )
    if np.isfinite(mesh.vertices).all():
        return mesh
    finite = np.asarray(np.isfinite(mesh.vertices).all(axis=1))
    n_broken = int((~finite).sum())
    if n_broken > _BROKEN_SHARE * len(finite):
        raise InputError(
            f"{file} has {n_broken:,} of {len(finite):,} vertices with coordinates that are not numbers "
            "(NaN or infinite): export it again from the scanning program"
        )
    keep = finite[mesh.faces].all(axis=1)
    if not keep.any():
        raise InputError(f"every face of {file} has a corner that is not a number: export the scan again")
    renumber = np.full(len(finite), -1, dtype=np.int32)
    renumber[finite] = np.arange(int(finite.sum()), dtype=np.int32)
    mended = Mesh(mesh.vertices[finite], renumber[mesh.faces[keep]], renumber, mesh.notes)
    text = f"{n_broken:,} vertices with coordinates that are not numbers were left out, and their faces"
    return mended.noted("broken_vertices", text)


def welded(mesh: Mesh) -> Mesh:
    """Make one vertex of vertices at exactly the same place, in double precision from here on."""
    first, group = equal_points(mesh.vertices)
    n_before, n_after = len(mesh.vertices), len(first)
    if n_before == n_after:
        return replace(mesh, vertices=mesh.vertices.astype(np.float64, copy=False))
    known = mesh.vertex_of_source >= 0
    vertex_of_source = np.where(known, group.take(mesh.vertex_of_source), np.int32(-1))
    soup = n_before == mesh.faces.size
    vertices = mesh.vertices.take(first, axis=0).astype(np.float64)
    mended = replace(mesh, vertices=vertices, faces=group.take(mesh.faces), vertex_of_source=vertex_of_source)
    if soup:
        return mended
    return mended.noted(
        "welded", f"{n_before - n_after:,} vertices lay exactly on another one and were joined to it"
    )


def without_collapsed(mesh: Mesh) -> Mesh:
    """Drop faces with two corners in one vertex.

    Thin faces with three corners on a line stay: without them a slit would open in the surface.
    """
    a, b, c = mesh.faces.T
    collapsed = (a == b) | (b == c) | (c == a)
    if not collapsed.any():
        return mesh
    mended = replace(mesh, faces=mesh.faces[~collapsed])
    return mended.noted(
        "collapsed_faces", f"{int(collapsed.sum()):,} faces with two corners in one place were left out"
    )


def checked(mesh: Mesh) -> Mesh:
    """Find out whether the mesh is sound, which it mostly is."""
    return replace(mesh, sound=surely_sound(mesh.faces, len(mesh.vertices)))


def without_repeated(mesh: Mesh) -> Mesh:
    """Drop faces with the same three corners as an earlier one, whichever way round."""
    if mesh.sound:
        return mesh
    first, _ = equal_rows(np.sort(mesh.faces, axis=1))
    n_repeated = len(mesh.faces) - len(first)
    if n_repeated == 0:
        return mesh
    mended = replace(mesh, faces=mesh.faces[first])
    return mended.noted("repeated_faces", f"{n_repeated:,} faces came more than once and were left out")


def without_unused(mesh: Mesh, file: str) -> Mesh:
    """Drop vertices that belong to no face."""
    if len(mesh.faces) == 0:
        raise InputError(f"no face of {file} has three separate corners: export the scan again")
    used = np.zeros(len(mesh.vertices), dtype=bool)
    used[mesh.faces] = True
    if used.all():
        return mesh
    renumber = np.full(len(used), -1, dtype=np.int32)
    renumber[used] = np.arange(int(used.sum()), dtype=np.int32)
    known = mesh.vertex_of_source >= 0
    vertex_of_source = np.where(known, renumber[mesh.vertex_of_source], np.int32(-1))
    mended = replace(
        mesh, vertices=mesh.vertices[used], faces=renumber[mesh.faces], vertex_of_source=vertex_of_source
    )
    return mended.noted("unused_vertices", f"{int((~used).sum()):,} vertices without a face were left out")


def in_millimetres(mesh: Mesh, mm_per_unit: float, source: ScanSource) -> Mesh:
    """Convert, and check that the size fits the unit."""
    vertices_mm = mesh.vertices if mm_per_unit == 1.0 else mesh.vertices * mm_per_unit
    extent_mm = max(float(np.ptp(column)) for column in vertices_mm.T)
    note = check_size(extent_mm, unit=source.unit, mm_per_unit=mm_per_unit, file=source.file)
    mended = replace(mesh, vertices=vertices_mm)
    return mended if note is None else mended.noted(note.code, note.text)


def agreeing(mesh: Mesh) -> Mesh:
    """Turn faces over so that neighbours agree on which side is out."""
    if mesh.sound:
        return mesh
    edges = count_edges(mesh.faces, len(mesh.vertices))
    if edges.crowded:
        mesh = mesh.noted("crowded_edges", f"{edges.crowded:,} edges of the scan lie in more than two faces")
    if not edges.clashing:
        return mesh
    turn, n_one_sided = clashing_faces(mesh.faces, len(mesh.vertices))
    if n_one_sided:
        text = (
            f"{n_one_sided:,} faces form a surface with one side only (a twisted strip), "
            "so inside and outside can't be told there"
        )
        mesh = mesh.noted("one_sided", text)
    if not turn.any():
        return mesh
    mended = replace(mesh, faces=turned(mesh.faces, turn))
    return mended.noted(
        "turned_faces", f"{int(turn.sum()):,} faces ran against their neighbours and were turned over"
    )


def turned(faces: NDArray[np.int32], turn: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Copy of ``faces`` with some of them the other way round."""
    turned = faces.copy()
    turned[turn] = turned[turn][:, ::-1]
    return turned
