"""Lines of a section drawn through evenly spread places, however a mesh is cut into triangles."""

import numpy as np
from numpy.typing import NDArray

from gaploft.target.cut import Cut

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Places lie so far apart, mm, but there are no fewer and no more of them on a line.
_STEP_MM, _FEWEST, _MOST = 0.25, 8, 400


def even_lines(cut: Cut, values: Floats) -> tuple[Floats, Indices]:
    """Values along the lines of a cut at even steps, and which places are joined.

    Parameters
    ----------
    cut : lines through a mesh
    values : (n, c) at the vertices of the mesh; the first three of each are where it lies, mm

    Returns
    -------
    (m, c), and (k, 2) numbers of the places that are joined, in the direction of ``cut.pieces``
    """
    carried = cut.carried(values)
    found, pieces, count = [np.empty((0, values.shape[1]))], [np.empty((0, 2), dtype=np.intp)], 0
    for line in cut.lines:
        places = carried[line]
        along = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(places[:, :3], axis=0), axis=1)))
        if not along[-1] > 0.0:
            continue
        steps = int(np.clip(np.ceil(along[-1] / _STEP_MM), _FEWEST, _MOST))
        at = np.linspace(0.0, along[-1], steps + 1)
        even = np.column_stack([np.interp(at, along, column) for column in places.T])
        closed = line[0] == line[-1]
        even = even[:-1] if closed else even
        follows = count + np.arange(len(even))
        joined = np.column_stack([follows, np.roll(follows, -1)])
        found.append(even)
        pieces.append(joined if closed else joined[:-1])
        count += len(even)
    return np.concatenate(found), np.concatenate(pieces)


def turning(outline: Floats, outward: Floats, raised_mm: Floats, pieces: Indices) -> Floats:
    """Curvature of lines raised along their normals, (m,), 1/mm, positive where they are convex.

    Parameters
    ----------
    outline, outward : (m, 2) places and outward unit normals; outwards is on the left along ``pieces``
    raised_mm : (m,) how far each place is raised
    pieces : (k, 2) which places are joined

    Notes
    -----
    From how normals turn, and not from the places: these lie on facets, whose corners would be all that a
    second difference sees. 0 at the ends of an open line.
    """
    count = len(outline)
    before, after = np.full(count, -1), np.full(count, -1)
    before[pieces[:, 1]], after[pieces[:, 0]] = pieces[:, 0], pieces[:, 1]
    inner = np.flatnonzero((before >= 0) & (after >= 0))
    last, following = before[inner], after[inner]
    back = np.linalg.norm(outline[inner] - outline[last], axis=1)
    on = np.linalg.norm(outline[following] - outline[inner], axis=1)
    (x, y), (p, q) = outward[last].T, outward[following].T
    turn = np.arctan2(x * q - y * p, x * p + y * q)
    bend = (raised_mm[following] - raised_mm[inner]) / on - (raised_mm[inner] - raised_mm[last]) / back
    curvature = np.zeros(count)
    curvature[inner] = -(turn + 2.0 * bend) / (back + on)
    return curvature
