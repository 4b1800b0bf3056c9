"""Vertex normals of a triangle mesh, and which way they point."""

import numpy as np
from numpy.typing import NDArray

from gaploft.scan.pieces import face_pieces

#: A piece whose growth (see ``inward_faces``) is nearer to zero than this is too flat, or too evenly
#: curved both ways, to tell inside from outside. A tube of length L and radius r has sqrt(2 pi L / r).
_UNDECIDED = 0.3

#: Faces that are looked at to tell inside from outside: far more than noise needs, and quick.
_SAMPLE = 400_000

#: Faces that are worked on at once.
_CHUNK = 1 << 15
#: Faces whose normals are added up at once: memory for more of them buys no time.
_SUMMED_AT_ONCE = 1 << 20


def face_crosses(vertices: NDArray[np.float64], faces: NDArray[np.integer]) -> NDArray[np.float64]:
    """Normal of each face times twice its area, (m, 3)."""
    return np.ascontiguousarray(_crosses(vertices, faces).T)


def vertex_normals(vertices: NDArray[np.float64], faces: NDArray[np.integer]) -> NDArray[np.float64]:
    """Area weighted unit normals, (n, 3); a vertex without a face of any area gets (0, 0, 1)."""
    summed = np.zeros_like(vertices)
    for start in range(0, len(faces), _SUMMED_AT_ONCE):
        part = faces[start : start + _SUMMED_AT_ONCE]
        crosses = _crosses(vertices, part)
        corners = [np.ascontiguousarray(part[:, corner]) for corner in range(3)]
        for axis in range(3):
            for corner in corners:
                summed[:, axis] += np.bincount(corner, weights=crosses[axis], minlength=len(vertices))
    length = np.sqrt(np.einsum("ij,ij->i", summed, summed))
    flat = length == 0.0
    summed[flat] = (0.0, 0.0, 1.0)
    length[flat] = 1.0
    summed /= length[:, None]
    return summed


def _crosses(vertices: NDArray[np.float64], faces: NDArray[np.integer]) -> NDArray[np.float64]:
    """Like :func:`face_crosses`, but (3, m), and in parts that stay in the cache of the processor."""
    result = np.empty((3, len(faces)))
    for start in range(0, len(faces), _CHUNK):
        part = faces[start : start + _CHUNK]
        corner = np.take(vertices, part[:, 0], axis=0)
        x, y, z = (np.take(vertices, part[:, 1], axis=0) - corner).T
        a, b, c = (np.take(vertices, part[:, 2], axis=0) - corner).T
        into = result[:, start : start + _CHUNK]
        into[0], into[1], into[2] = y * c - z * b, z * a - x * c, x * b - y * a
    return result


def inward_faces(
    vertices: NDArray[np.float64], faces: NDArray[np.integer], normals: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Find the faces of pieces whose normals point inwards.

    A convex surface pushed outwards grows. That holds for open tubes too, where volume and
    ray tests need a closed mesh: the growth of area is the integral of mean curvature (first
    variation of area). Pieces that can't tell follow what most of the area says.

    Returns
    -------
    inward : (m,) bool, whole pieces at a time
    """
    piece = face_pieces(faces, len(vertices))
    n_pieces = int(piece.max()) + 1
    stride = max(1, len(faces) // _SAMPLE)
    sample, piece_of_sample = faces[::stride], piece[::stride]
    area = _face_areas(vertices, sample)
    step = 1e-3 * np.sqrt(area.mean())
    pushed = _pushed_areas(vertices, normals, sample, step)
    area_of_piece = stride * np.bincount(piece_of_sample, weights=area, minlength=n_pieces)
    grown = stride * np.bincount(piece_of_sample, weights=pushed, minlength=n_pieces) / (2.0 * step)
    growth = grown / np.sqrt(np.where(area_of_piece > 0.0, area_of_piece, 1.0))
    decided = np.abs(growth) > _UNDECIDED
    most = float((area_of_piece * np.sign(growth))[decided].sum())
    inward = np.where(decided, growth < 0.0, most < 0.0)
    result: NDArray[np.bool_] = inward[piece]
    return result


def _pushed_areas(
    vertices: NDArray[np.float64], normals: NDArray[np.float64], faces: NDArray[np.integer], step: float
) -> NDArray[np.float64]:
    """Area of each face pushed outwards by a step less its area pushed inwards by it, (m,)."""
    found = [np.empty(0)]
    for start in range(0, len(faces), _CHUNK):
        corner = faces[start : start + _CHUNK].reshape(-1)
        there, way = vertices.take(corner, axis=0), step * normals.take(corner, axis=0)
        own = np.arange(len(corner)).reshape(-1, 3)
        found.append(_face_areas(there + way, own) - _face_areas(there - way, own))
    return np.concatenate(found)


def _face_areas(vertices: NDArray[np.float64], faces: NDArray[np.integer]) -> NDArray[np.float64]:
    crosses = _crosses(vertices, faces)
    result: NDArray[np.float64] = 0.5 * np.sqrt(np.einsum("ij,ij->j", crosses, crosses))
    return result
