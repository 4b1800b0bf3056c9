"""The loops that marks and margin leave in a scan, and triangles over them.

Finding loops and the triangles of least area over one loop are the library's own parts for that
(``gaploft.patch.loops`` and ``filling``). Two loops are joined by a strip of the shortest cross edges: least
area would put a lid on each.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from gaploft.patch.filling import joined_loops, least_area
from gaploft.patch.loops import border_loops, pinched

from .broken_patch import Faces, Floats, NoAnswer, PatchScan

Loop = NDArray[np.int64]

#: A border that comes so near to the margin is the hole's, mm.
_BESIDE_MM = 2.0
_PINCH_ROUNDS = 20


def rim_and_lids(scan: PatchScan) -> tuple[Faces, Faces]:
    """Trusted facets (m, 3), and coarse triangles over the holes beside the margin, with the same vertices.

    Raises ``NoAnswer`` if there is no hole with trusted scan around it.
    """
    kept = _unpinched(scan)
    loops = [
        loop
        for loop in border_loops(kept, len(scan.damaged))
        if scan.away_mm[loop].min() < scan.margin_mm + _BESIDE_MM
    ]
    if not loops:
        raise NoAnswer("no trusted scan is left around the damage")
    lids = [_closed(scan.sheet.vertices, group) for group in _together(scan, kept, loops)]
    return kept, np.concatenate(lids)


def strip(points: Floats, one: Loop, two: Loop) -> Faces:
    """Triangles between two loops that run side by side, of least total length of the cross edges.

    The best way through the table of all cross edges, from the shortest one once around: H. Fuchs,
    Z. M. Kedem and S. P. Uselton, "Optimal surface reconstruction from planar contours", Communications of
    the ACM 20(10), 1977 (cited from memory), with the start held. Triangles run against ``one`` and along
    ``two``.
    """
    across = np.linalg.norm(points[one][:, None] - points[two][None], axis=2)
    first, second = np.unravel_index(across.argmin(), across.shape)
    one, two = (np.append(loop, loop[:1]) for loop in (np.roll(one, -first), np.roll(two, -second)))
    across = np.linalg.norm(points[one][:, None] - points[two][None], axis=2)
    n, m = across.shape
    cost = np.full((n + 1, m + 1), np.inf)  # with a wall before the first row and column
    cost[1, 1] = 0.0
    for step in range(1, n + m - 1):
        i = np.arange(max(0, step - m + 1), min(n, step + 1))
        j = step - i
        cost[i + 1, j + 1] = across[i, j] + np.minimum(cost[i, j + 1], cost[i + 1, j])
    faces, i, j = [], n - 1, m - 1
    while i or j:
        if cost[i, j + 1] <= cost[i + 1, j]:
            faces.append((one[i], one[i - 1], two[j]))
            i -= 1
        else:
            faces.append((one[i], two[j - 1], two[j]))
            j -= 1
    return np.array(faces, dtype=np.int64)


def _unpinched(scan: PatchScan) -> Faces:
    """Trusted facets without those where the border touches itself."""
    faces = scan.sheet.faces[scan.trusted[scan.sheet.faces].all(axis=1)]
    for _ in range(_PINCH_ROUNDS):
        odd = pinched(faces, len(scan.damaged))
        if len(odd) == 0:
            return faces
        faces = faces[~np.isin(faces, odd).any(axis=1)]
    raise NoAnswer("the border of the trusted scan is too ragged")


def _together(scan: PatchScan, kept: Faces, loops: list[Loop]) -> list[list[Loop]]:
    """Loops around one damage; all of them if the damage parts the scan in pieces."""
    n, faces = len(scan.damaged), scan.sheet.faces
    pieces = _labels(kept, n)
    if len({int(pieces[loop[0]]) for loop in loops}) > 1:
        return [loops]
    lost = _labels(faces[~scan.trusted[faces].all(axis=1)], n)
    names = [int(np.bincount(lost[loop]).argmax()) for loop in loops]
    return [
        [loop for loop, mine in zip(loops, names, strict=True) if mine == name] for name in sorted(set(names))
    ]


def _labels(faces: Faces, n: int) -> Loop:
    """Number of the piece of a mesh that each vertex belongs to."""
    pairs = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]]])
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.int64)


def _closed(points: Floats, loops: list[Loop]) -> Faces:
    """Triangles over one hole; its loops have the scan on their left."""
    if len(loops) == 2:
        return strip(points, loops[0], loops[1][::-1])
    chain = joined_loops(points, [loop[::-1] for loop in loops])
    faces = np.asarray(chain[least_area(points[chain])], dtype=np.int64)
    # the chain runs through its joins twice: what has both ends of one there is a mere edge
    return faces[(faces != np.roll(faces, 1, axis=1)).all(axis=1)]
