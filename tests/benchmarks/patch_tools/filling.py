"""The hole closed with triangles as fine and as even as the scan's, before any tool makes them fair.

Stages as usual in mesh hole filling: triangulate, refine, relax (P. Liepa, "Filling holes in meshes",
Symposium on Geometry Processing 2003). Edges are split and flipped, and nodes spread evenly, with the
library's own parts for that (``gaploft.patch.refine`` and ``nodes``); no point gets its height from these. A
film over the hole would hand its own, much too short, lengths to the weights of the fairing, so that the
filling is brought near its shape by coarse thin plates first.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array, diags_array
from scipy.sparse.linalg import spsolve

from gaploft.patch.nodes import spread_nodes
from gaploft.patch.refine import flipped, split_long

from .broken_patch import Floats, Mask, PatchScan, Sheet, compacted
from .loops import rim_and_lids

#: So much of the scan beyond the margin stays with the filling, in edges: room for the three rows that hand
#: over, and that the border of the mesh spoils no Laplacian there.
_COLLAR_EDGES = 8.0
#: Edges of the coarse plates (mm), and of the fine mesh that nodes are spread on, in nodes' distances.
_COARSE_MM, _FINE_SHARE = 2.0, 0.4
_COARSE_ROUNDS, _COARSE_PLATES, _FINE_PLATES, _SPLIT_ROUNDS = 4, 3, 2, 12
#: Cotangents below and above these come from bad triangles.
_LEAST_WEIGHT, _MOST_COTANGENT = 0.02, 5.0

_Mesh = tuple[Floats, NDArray[np.integer], Mask]


@dataclass(frozen=True, eq=False)
class Filled:
    """Collar and filling in one mesh; ``free`` (n,) marks the vertices inside the filling."""

    sheet: Sheet
    free: Mask


@lru_cache(maxsize=1)
def filled(scan: PatchScan, *, bent: bool = True) -> Filled:
    """Fill the hole that marks and margin leave; the nodes of the collar are means of the scan about them.

    Without ``bent`` the coarse triangles keep their flat shape. Raises ``NoAnswer`` if there is no hole with
    trusted scan all around it.
    """
    rim, lids = rim_and_lids(scan)
    spacing = scan.sheet.edge_mm
    near = rim[(scan.away_mm[rim] < scan.margin_mm + _COLLAR_EDGES * spacing).any(axis=1)]
    sheet = compacted(scan.sheet.vertices, np.concatenate([near, lids]))
    mesh: _Mesh = (sheet.vertices, sheet.faces, np.arange(len(sheet.faces)) >= len(near))
    for _ in range(_COARSE_ROUNDS if bent else 0):
        mesh = _shaped(_refined(mesh, _COARSE_MM), _COARSE_PLATES)
    mesh = _refined(mesh, _FINE_SHARE * spacing)
    points, faces, inner = _shaped(mesh, _FINE_PLATES) if bent else mesh
    nodes, triangles, owner = spread_nodes(points, faces, spacing)
    free = np.zeros(len(nodes), dtype=bool)
    free[owner[faces[inner]]] = True
    used = np.unique(triangles)
    return Filled(compacted(nodes, triangles), free[used])


def _refined(mesh: _Mesh, edge_mm: float) -> _Mesh:
    """Long edges split, and edges of the filling flipped."""
    points, faces, inner = mesh
    for _ in range(_SPLIT_ROUNDS):
        before = len(points)
        points, faces, was = split_long(points, faces, edge_mm)
        inner = inner[was]
        faces[inner] = flipped(points, faces[inner])
        if len(points) == before:
            break
    return points, faces, inner


def _shaped(mesh: _Mesh, plates: int) -> _Mesh:
    """Free points laid on thin plates; the first plate spreads them evenly."""
    points, faces, inner = mesh
    faces = faces.copy()
    free = np.ones(len(points), dtype=bool)
    free[faces[~inner]] = False
    for number in range(plates):
        points = plate(points, faces, free, even=number == 0)
        faces[inner] = flipped(points, faces[inner])
    return points, faces, inner


def plate(points: Floats, faces: NDArray[np.integer], free: Mask, *, even: bool) -> Floats:
    """Free vertices moved to where the square of the Laplacian vanishes.

    ``even`` counts all edges alike, which spreads the vertices; otherwise by the cotangents opposite.
    """
    graph, area = _even(faces, len(points)) if even else _cotangents(points, faces)
    laplace = diags_array(1.0 / area) @ (graph - diags_array(graph.sum(axis=1)))
    square = csr_array(laplace @ laplace)
    inside, rest = np.flatnonzero(free), np.flatnonzero(~free)
    moved = points.copy()
    moved[inside] = spsolve(square[inside][:, inside].tocsc(), -(square[inside][:, rest] @ points[rest]))
    return moved


def _pairs(faces: NDArray[np.integer]) -> NDArray[np.integer]:
    return np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])


def _even(faces: NDArray[np.integer], n: int) -> tuple[csr_array, Floats]:
    """1 for every edge, and the number of edges at each vertex."""
    one, two = _pairs(faces).T
    graph = coo_array((np.ones(len(one)), (one, two)), shape=(n, n)).tocsr()
    graph = ((graph + graph.T) > 0).astype(float)
    return graph, np.maximum(graph.sum(axis=1), 1e-9)


def _cotangents(points: Floats, faces: NDArray[np.integer]) -> tuple[csr_array, Floats]:
    """Half the cotangents opposite to each edge, and a third of the area about each vertex."""
    one, two = _pairs(faces).T
    opposite = np.concatenate([faces[:, 2], faces[:, 0], faces[:, 1]])
    left, right = points[one] - points[opposite], points[two] - points[opposite]
    twice = np.linalg.norm(np.cross(left, right), axis=1)
    cotangent = np.einsum("ij,ij->i", left, right) / np.maximum(twice, 1e-12)
    half = 0.5 * np.clip(cotangent, -_MOST_COTANGENT, _MOST_COTANGENT)
    n = len(points)
    graph = coo_array((half, (one, two)), shape=(n, n)).tocsr()
    graph = csr_array(graph + graph.T)
    graph.data = np.maximum(graph.data, _LEAST_WEIGHT)
    area = np.bincount(faces.ravel(), np.repeat(twice[: len(faces)] / 6.0, 3), minlength=n)
    return graph, np.maximum(area, 1e-6)
