"""Intact places that are as like a patch as can be found: its own outline, laid elsewhere on the scan."""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from gaploft.patch.fit import PatchFit
from gaploft.patch.jets import stencils
from gaploft.patch.loops import open_edges

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Indices = NDArray[np.int64]

#: Places at most, the sizes of the outline that are tried until some fit in, and how many of one size do.
_MOST, _SIZES, _ENOUGH = 5, (1.0, 0.75, 0.55, 0.4), 2
#: Middles of two places are at least this share of their width apart.
_APART = 0.45
_BINS = 36
#: Centres are looked for among so many nodes.
_CENTRES = 500
#: A place keeps this distance from what is lost and from the end of what is seen, mm.
_CLEAR_MM = 2.5


def outline_of(fit: PatchFit) -> tuple[Floats, float]:
    """Reach of the lost nodes from their middle in each direction, (36,) mm, and their width."""
    nodes, lost = fit.nodes, main_part(fit)
    middle = nodes.points[lost].mean(axis=0)
    centre = lost[int(np.linalg.norm(nodes.points[lost] - middle, axis=1).argmin())]
    second, frames = second_forms(fit)
    bins, away = _polar(nodes.points[lost], nodes.points[centre], _frame_at(fit, int(centre), second, frames))
    reach = np.zeros(_BINS)
    np.maximum.at(reach, bins, away)
    reach = np.maximum(reach, np.median(reach[reach > 0.0]) * 0.5)
    width = float(np.max(reach + np.roll(reach, _BINS // 2)))
    return reach + 0.5 * nodes.spacing_mm, width


def main_part(fit: PatchFit) -> Indices:
    """Lost nodes around the damage itself, without holes of the scan elsewhere."""
    near, lost = fit.nodes.pattern.near[:, :8], fit.lost
    rows, columns = np.repeat(np.arange(len(near)), 8), near.ravel()
    both = lost[rows] & lost[columns]
    graph = coo_matrix((np.ones(int(both.sum())), (rows[both], columns[both])), shape=(len(lost), len(lost)))
    piece = connected_components(graph, directed=False)[1]
    count = np.bincount(piece[lost], minlength=piece.max() + 1)
    return np.flatnonzero(lost & (piece == int(count.argmax())))


def blanked_places(fit: PatchFit) -> tuple[list[Bools], float, float]:
    """Nodes of each place, those most like the damage first; the share of its size they have; its width, mm.

    There is none where not even a small one fits into the intact scan.
    """
    outline, width = outline_of(fit)
    placed: list[Bools] = []
    size = _SIZES[0]
    for size in _SIZES:
        placed = _places(fit, size * outline, size * width)
        if len(placed) >= _ENOUGH:
            break
    return placed, size, width


def _places(fit: PatchFit, outline: Floats, width: float) -> list[Bools]:
    """Nodes within an outline laid about some node, none of them much over another."""
    nodes = fit.nodes
    second, frames = second_forms(fit)
    shut = _shut(fit)
    open_ = np.flatnonzero(~shut & ~fit.lost)
    if len(open_) == 0:
        return []
    tree = cKDTree(nodes.points[shut])
    room = tree.query(nodes.points[open_])[0]
    able = open_[room > 0.5 * outline.min()]
    able = able[:: max(1, len(able) // _CENTRES)]
    order = able[np.argsort(_unlike(fit, able, outline.max(), second), kind="stable")]
    found: list[Bools] = []
    centres: list[Floats] = []
    for node in order:
        centre = nodes.points[node]
        if any(np.linalg.norm(centre - other) < _APART * width for other in centres):
            continue
        inside = _inside(fit, int(node), outline, second, frames)
        if (inside & shut).any() or inside.sum() < 12:
            continue
        found.append(inside)
        centres.append(centre)
        if len(found) == _MOST:
            break
    return found


def second_forms(fit: PatchFit) -> tuple[Floats, Floats]:
    """Second-order coefficients and frames of the nodes as they lie in space."""
    nodes = fit.nodes
    found = stencils(
        nodes.points, nodes.normals, np.zeros_like(nodes.points), nodes.pattern.near, nodes.spacing_mm
    )
    return found.coefficients[:, 2:5], found.frame


def _frame_at(fit: PatchFit, node: int, second: Floats, frames: Floats) -> Floats:
    """Frame of a node, its first tangent along the direction of strongest curvature, (3, 3)."""
    a, b, c = 2.0 * second[node, 0], second[node, 1], 2.0 * second[node, 2]
    values, vectors = np.linalg.eigh(np.array([[a, b], [b, c]]))
    x, y = vectors[:, int(np.abs(values).argmax())]
    first = x * frames[node, 0] + y * frames[node, 1]
    return np.stack([first, np.cross(frames[node, 2], first), frames[node, 2]])


def _polar(points: Floats, centre: Floats, frame: Floats) -> tuple[Indices, Floats]:
    """Direction bin about a centre and distance from it; distances are straight, for both places alike."""
    off = points - centre
    angle = np.arctan2(off @ frame[1], off @ frame[0])
    return (np.floor((angle + np.pi) / (2.0 * np.pi) * _BINS).astype(np.int64) % _BINS), np.linalg.norm(
        off, axis=1
    )


def _shut(fit: PatchFit) -> Bools:
    """Nodes that no blank may hold: lost, near to lost, or near to the end of what is seen."""
    nodes = fit.nodes
    near = nodes.pattern.near
    border = np.zeros(len(near), dtype=bool)
    border[open_edges(fit.ground.faces, len(near)).ravel()] = True
    bad = fit.lost | border
    return cKDTree(nodes.points[bad]).query(nodes.points)[0] < _CLEAR_MM if bad.any() else bad


def _unlike(fit: PatchFit, able: Indices, radius: float, second: Floats) -> Floats:
    """How different the surface around each node is from that around the damage, (k,)."""
    nodes = fit.nodes
    middle = nodes.points[main_part(fit)].mean(axis=0)[None, :]
    a, b, c = 2.0 * second[:, 0], second[:, 1], 2.0 * second[:, 2]
    mean, off = -(a + c) / 2.0, np.hypot((a - c) / 2.0, b)
    features = np.column_stack([mean - off, mean + off, np.minimum(mean - off, 0.0), np.abs(mean)])
    centres = np.concatenate([nodes.points[able], middle])
    pairs = cKDTree(centres).sparse_distance_matrix(cKDTree(nodes.points), radius, output_type="coo_matrix")
    count = np.bincount(pairs.row, minlength=len(centres))
    means = np.stack(
        [
            np.bincount(pairs.row, features[pairs.col, k], minlength=len(centres)) / np.maximum(count, 1)
            for k in range(features.shape[1])
        ],
        axis=1,
    )
    usual = means.std(axis=0) + 1e-9
    return np.asarray((((means[:-1] - means[-1]) / usual) ** 2).sum(axis=1))


def _inside(fit: PatchFit, node: int, outline: Floats, second: Floats, frames: Floats) -> Bools:
    """Nodes within the outline about a node, those of the surface around it alone."""
    nodes = fit.nodes
    bins, away = _polar(nodes.points, nodes.points[node], _frame_at(fit, node, second, frames))
    inside = away < outline[bins]
    # What another wall of the part has within the same reach does not hang together with the middle.
    reached = np.zeros(len(inside), dtype=bool)
    reached[node] = True
    near = nodes.pattern.near[:, :8]
    for _ in range(len(inside)):
        more = inside & reached[near].any(axis=1) & ~reached
        if not more.any():
            break
        reached |= more
    return reached
