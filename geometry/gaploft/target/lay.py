"""How a surface without rings lies in space: its own directions, for views and sections of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: Where normals cancel out but for less than this share, as all round a tube, a surface has no outside of its
#: own.
_ONE_SIDED = 0.2
#: Spans that differ by less than this share are alike: which of them is longer would be left to rounding.
_ALIKE = 0.02


@dataclass(frozen=True)
class Lay:
    """Own directions of a surface.

    Attributes
    ----------
    middle_mm : (3,) mean place of its area
    ways : (3, 3) rows of unit length: along it, where it is longest; across; and up, which is outwards
    low_mm, high_mm : (3,) its bounds along these ways, from the middle
    closed : it closes around something, so that no direction is outwards
    """

    middle_mm: Floats
    ways: Floats
    low_mm: Floats
    high_mm: Floats
    closed: bool = False

    def placed(self, points_mm: Floats) -> Floats:
        """Points, (n, 3), as how far along, across and up they lie of the middle."""
        return np.asarray((points_mm - self.middle_mm) @ self.ways.T)

    @property
    def spans_mm(self) -> Floats:
        """Length, width and height, (3,)."""
        return self.high_mm - self.low_mm


def lay_of(vertices_mm: ArrayLike, triangles: ArrayLike) -> Lay:
    """Find a surface's own directions from its triangles.

    Parameters
    ----------
    vertices_mm : (n, 3), mm
    triangles : (k, 3), anticlockwise seen from outside

    Notes
    -----
    Up is the mean normal; of a surface that closes around something, which has none, the direction in
    which its area spreads least. Along is that in which it spreads most of all those square to it, with the
    sign that makes its largest coordinate positive; where it spreads alike all round, the axis of coordinates
    that is nearest.

    Raises
    ------
    ValueError
        There is no triangle with an area.
    """
    points = np.asarray(vertices_mm, dtype=np.float64)
    corner = points[np.asarray(triangles, dtype=np.int64)]
    crosses = 0.5 * np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    areas = np.linalg.norm(crosses, axis=1)
    total = float(areas.sum())
    if not total > 0.0:
        raise ValueError(f"{len(corner)} triangles without an area lie no way in space")
    centres = corner.mean(axis=1)
    middle = np.asarray(areas @ centres / total)
    off = centres - middle
    spread = (off * areas[:, None]).T @ off / total
    outward = crosses.sum(axis=0)
    closed = bool(np.linalg.norm(outward) <= _ONE_SIDED * total)
    up = _signed(np.linalg.eigh(spread)[1][:, 0]) if closed else outward / np.linalg.norm(outward)
    along = _longest(spread, up)
    ways = np.stack([along, np.cross(up, along), up])
    placed = (points[np.unique(triangles)] - middle) @ ways.T
    return Lay(middle, ways, placed.min(axis=0), placed.max(axis=0), closed)


def _longest(spread: Floats, up: Floats) -> Floats:
    """The unit vector square to ``up`` along which a spread, (3, 3), is largest."""
    nearest = np.eye(3)[np.argmin(np.round(np.abs(up), 6))]
    first = nearest - (nearest @ up) * up
    first /= np.linalg.norm(first)
    plane = np.stack([first, np.cross(up, first)])
    sizes, ways = np.linalg.eigh(plane @ spread @ plane.T)
    if sizes[1] - sizes[0] <= 2.0 * _ALIKE * sizes[1]:  # squares differ by twice as much
        return np.asarray(first)
    return _signed(ways[:, 1] @ plane)


def _signed(way: Floats) -> Floats:
    return np.asarray(way if way[np.argmax(np.abs(way))] > 0.0 else -way)
