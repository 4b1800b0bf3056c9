"""Blank patches: intact places like the damage are blanked in its outline, rebuilt, and compared."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.errors import EvidenceError
from gaploft.patch.base import PatchSurface
from gaploft.patch.fair import fair_fit
from gaploft.patch.field import fitted, spread_at
from gaploft.patch.fit import PatchFit
from gaploft.patch.jets import stencils
from gaploft.patch.joined import refitted
from gaploft.patch.settle import Cloud, settled

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Indices = NDArray[np.int64]

#: Blanks at most, and the sizes of the outline that are tried until some fit in.
_MOST, _ENOUGH = 5, 2
_SIZES = (1.0, 0.75, 0.55, 0.4)
_BINS = 36
#: Centres are looked for among so many nodes.
_CENTRES = 500
#: A blank keeps this distance from what is lost and from the end of what is seen, mm.
_CLEAR_MM = 2.5
#: Middles of two blanks are at least this share of their width apart.
_APART = 0.45
_CLOSE_MM = 2.2
_SPREAD_NODES = 40
_FAIR_ROUNDS = 5


@dataclass(frozen=True)
class BlankPatch:
    """One blanked place: its nodes, errors of the rebuilt surface there, and what was expected of them."""

    nodes: Indices
    error_mm: Floats
    expected_mm: Floats


@dataclass(frozen=True)
class Blanks:
    """All blanks.

    ``size`` is the share of the damage's own size that fitted in; ``unlike`` by how much the curvature of the
    patch changes more than that of the blanks, on no tubes.
    """

    patches: tuple[BlankPatch, ...]
    size: float
    width_mm: float
    unlike: float = 1.0

    @property
    def errors(self) -> Floats:
        """Errors of all blanks, mm."""
        return np.concatenate([patch.error_mm for patch in self.patches])

    @property
    def scale(self) -> float:
        """By how much expected errors have to grow for 95 % of the real ones to lie within 1.96 of them."""
        share = np.concatenate([np.abs(p.error_mm) / p.expected_mm for p in self.patches])
        return self.unlike * float(max(1.0, np.quantile(share, 0.95) / 1.96))


def blank_patches(fit: PatchFit, tick: Callable[[float], None]) -> Blanks:
    """Blank places that are as like the damage as can be found, and rebuild them.

    Raises
    ------
    EvidenceError
        No blank of any size fits into the intact scan.
    """
    outline, width = _outline(fit)
    placed: list[Bools] = []
    size = _SIZES[0]
    for size in _SIZES:
        placed = _places(fit, size * outline, size * width)
        if len(placed) >= _ENOUGH:
            break
    if not placed:
        raise EvidenceError(
            f"no intact place beside the damage is large enough to test a patch of {width:.0f} mm on: scan "
            "more of what is around it"
        )
    reference = _reference(fit)
    found = []
    for k, nodes in enumerate(placed):
        blank = _rebuilt(fit, nodes, reference)
        if blank is not None:
            found.append(blank)
        tick((k + 1) / len(placed))
    if not found:
        raise EvidenceError(
            "no blanked place beside the damage could be rebuilt: scan more of what is around it"
        )
    unlike = 1.0 if fit.laid is None else _changes_more(fit, found)
    return Blanks(tuple(found), size, width, unlike)


def _changes_more(fit: PatchFit, found: list[BlankPatch]) -> float:
    """How many times more the curvature changes over the patch than over its blanks, at least 1.

    A surface that changes as little as it can is off by as much as the true one changes more: what plain
    places came back with says little of a place that bends in and out.
    """
    second, _ = _forms(fit)
    a, b, c = 2.0 * second[:, 0], second[:, 1], 2.0 * second[:, 2]
    mean, off = (a + c) / 2.0, np.hypot((a - c) / 2.0, b)

    def change(nodes: Indices) -> float:
        return float(np.sqrt(np.var(mean[nodes] - off[nodes]) + np.var(mean[nodes] + off[nodes])))

    usual = float(np.mean([change(patch.nodes) for patch in found]))
    return max(1.0, change(main_part(fit)) / max(usual, 1e-6))


def _reference(fit: PatchFit) -> Floats:
    """Nodes on a surface that follows the scan closely, (n, 3)."""
    nodes = fit.nodes
    if fit.laid is not None:
        cloud = Cloud(fit.region.points, np.ones(len(fit.region.points)))
        assert fit.way is not None
        laid = settled(fit.laid, cloud, fit.seen.weights, fit.way, min(_CLOSE_MM, fit.stiff_mm), rounds=2)
        return laid.points
    close = fitted(nodes, fit.seen, fit.density_mm4, _CLOSE_MM)
    return np.asarray(nodes.points + close.values[:, None] * nodes.normals)


def _frame_at(fit: PatchFit, node: int, second: Floats, frames: Floats) -> Floats:
    """Frame of a node, its first tangent along the direction of strongest curvature, (3, 3)."""
    a, b, c = 2.0 * second[node, 0], second[node, 1], 2.0 * second[node, 2]
    values, vectors = np.linalg.eigh(np.array([[a, b], [b, c]]))
    x, y = vectors[:, int(np.abs(values).argmax())]
    first = x * frames[node, 0] + y * frames[node, 1]
    return np.stack([first, np.cross(frames[node, 2], first), frames[node, 2]])


def _outline(fit: PatchFit) -> tuple[Floats, float]:
    """Reach of the lost nodes from their middle in each direction, (36,) mm, and their width."""
    nodes, lost = fit.nodes, main_part(fit)
    middle = nodes.points[lost].mean(axis=0)
    centre = lost[int(np.linalg.norm(nodes.points[lost] - middle, axis=1).argmin())]
    second, frames = _forms(fit)
    bins, away = _polar(nodes.points[lost], nodes.points[centre], _frame_at(fit, int(centre), second, frames))
    reach = np.zeros(_BINS)
    np.maximum.at(reach, bins, away)
    reach = np.maximum(reach, np.median(reach[reach > 0.0]) * 0.5)
    width = float(np.max(reach + np.roll(reach, _BINS // 2)))
    return reach + 0.5 * nodes.spacing_mm, width


def main_part(fit: PatchFit) -> Indices:
    """Lost nodes around the damage itself, without holes of the scan elsewhere."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    near, lost = fit.nodes.pattern.near[:, :8], fit.lost
    rows, columns = np.repeat(np.arange(len(near)), 8), near.ravel()
    both = lost[rows] & lost[columns]
    graph = coo_matrix((np.ones(int(both.sum())), (rows[both], columns[both])), shape=(len(lost), len(lost)))
    piece = connected_components(graph, directed=False)[1]
    count = np.bincount(piece[lost], minlength=piece.max() + 1)
    return np.flatnonzero(lost & (piece == int(count.argmax())))


def _forms(fit: PatchFit) -> tuple[Floats, Floats]:
    """Second-order coefficients and frames of the nodes as they lie in space."""
    nodes = fit.nodes
    found = stencils(
        nodes.points, nodes.normals, np.zeros_like(nodes.points), nodes.pattern.near, nodes.spacing_mm
    )
    return found.coefficients[:, 2:5], found.frame


def _polar(points: Floats, centre: Floats, frame: Floats) -> tuple[Indices, Floats]:
    """Direction bin about a centre and distance from it; distances are straight, for both places alike."""
    off = points - centre
    angle = np.arctan2(off @ frame[1], off @ frame[0])
    return (np.floor((angle + np.pi) / (2.0 * np.pi) * _BINS).astype(np.int64) % _BINS), np.linalg.norm(
        off, axis=1
    )


def _places(fit: PatchFit, outline: Floats, width: float) -> list[Bools]:
    """Nodes of each blank, those most like the damage first, none of them much over another."""
    nodes = fit.nodes
    second, frames = _forms(fit)
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


def _shut(fit: PatchFit) -> Bools:
    """Nodes that no blank may hold: lost, near to lost, or near to the end of what is seen."""
    nodes = fit.nodes
    near = nodes.pattern.near
    border = np.zeros(len(near), dtype=bool)
    from gaploft.patch.loops import open_edges

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


def _rebuilt(fit: PatchFit, blank: Bools, reference: Floats) -> BlankPatch | None:
    """Rebuild one blank without its points; None where what is left does not determine it."""
    nodes = fit.nodes
    out = blank[fit.seen.owner]
    weights = np.where(out, 0.0, fit.seen.weights)
    where = np.flatnonzero(blank)
    try:
        if fit.joined is not None:
            joined = refitted(fit.joined, fit.region, out)
            heights = joined.meeting.against(fit.region.points).distance
            offset = np.column_stack([fit.seen.offset[:, :2], heights])
            seen = replace(fit.seen, offset=offset, weights=weights)
            field = fitted(nodes, seen, fit.density_mm4, fit.field.stiff_mm)
            against = joined.meeting.against(reference[where])
            # The field stands on nodes that the other fit put there: heights carry over.
            error = against.distance - field.values[where]
            spread, base = field, against.spread_mm
        else:
            assert fit.laid is not None
            assert fit.way is not None
            cloud = Cloud(fit.region.points, np.ones(len(out)))
            laid = settled(fit.laid, cloud, weights, fit.way, fit.stiff_mm, rounds=_FAIR_ROUNDS)
            again = fair_fit(
                fit.region,
                laid,
                fit.trusted & ~out,
                weights,
                fit.noise_mm,
                fit.density_mm4,
                fit.way,
                fit.stiff_mm,
            )
            surface: PatchSurface = again.surface
            error = surface.against(reference[where]).distance
            spread, base = again.field, np.zeros(len(where))
    except (EvidenceError, np.linalg.LinAlgError):
        return None
    some = where[:: max(1, len(where) // _SPREAD_NODES)]
    known = spread_at(spread, some, fit.density_mm4)
    nearest = cKDTree(nodes.points[some]).query(nodes.points[where])[1]
    return BlankPatch(where, error, np.hypot(known[nearest], base))
