"""The smooth sheets that meet at a junction: trusted surface between its hollow fillets."""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from gaploft.patch.loops import half_edges
from gaploft.patch.settle import Laid

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

#: Where the surface is hollow with a smaller radius than this, mm, it is a fillet between tubes (common
#: practice, no source: fillets have 3 to 15 mm, tubes bend by hundreds).
HOLLOW_MM = 24.0
#: Curvature at a fillet's edge is smeared over so many spacings, which belong to no sheet.
_SMEARED = 3.0
#: A sheet has this share of all trusted nodes, or it is some corner.
_SMALLEST_SHARE = 0.04


def curvatures(laid: Laid) -> Floats:
    """Principal curvatures of the nodes, (n, 2) per mm, smaller first; convex ones are positive."""
    c = laid.stencil.coefficients
    a, b, d = -2.0 * c[:, 2], -c[:, 3], -2.0 * c[:, 4]
    middle, off = (a + d) / 2.0, np.hypot((a - d) / 2.0, b)
    return np.column_stack([middle - off, middle + off])


def find_sheets(laid: Laid, trusted: NDArray[np.bool_]) -> Indices:
    """Number of the sheet that each node belongs to, (n,); -1 for fillets, corners and what is lost."""
    n = len(laid.points)
    hollow = trusted & (curvatures(laid)[:, 0] < -1.0 / HOLLOW_MM)
    hollow &= _neighbours_agree(laid, hollow)
    smooth = trusted & ~hollow
    if hollow.any():
        away = cKDTree(laid.points[hollow]).query(laid.points)[0]
        smooth &= away > _SMEARED * laid.ground.spacing_mm
    edges = half_edges(laid.ground.faces)
    edges = edges[smooth[edges].all(axis=1)]
    graph = coo_matrix((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(n, n))
    piece = connected_components(graph, directed=False)[1]
    count = np.bincount(piece[smooth], minlength=piece.max() + 1)
    large = np.flatnonzero(count >= _SMALLEST_SHARE * smooth.sum())
    large = large[np.argsort(-count[large], kind="stable")]
    number = np.full(len(count), -1, dtype=np.int64)
    number[large] = np.arange(len(large))
    return np.where(smooth, number[piece], -1)


def _neighbours_agree(laid: Laid, flag: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether most of the nearest neighbours have a flag, too: single nodes are noise."""
    return np.asarray(flag[laid.stencil.near[:, :6]].mean(axis=1) >= 0.5)
