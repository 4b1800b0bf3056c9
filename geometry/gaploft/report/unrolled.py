"""A target unrolled: values at its vertices on an even grid of stations and angles."""

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from gaploft.report.shop_pictures import ShopArrays
from gaploft.target.model import Target
from gaploft.target.rings import along_centres

Floats = NDArray[np.float64]

#: No more rings and lines than a picture of the report can show. More would only keep Blender's window
#: waiting: the library that draws lets nothing else run while it fills the picture.
MOST_RINGS, MOST_LINES = 300, 200


class Unrolled:
    """An even grid over the unrolled target.

    Attributes
    ----------
    named : whether stations and angles are those of the bench, or counted from the target's first ring and
        line
    stations_mm, angles_deg : (k,) and (m,) of the grid; angles from 0 to 360
    """

    def __init__(self, target: Target, shop: ShopArrays) -> None:
        self._shape = target.shape
        self.named = shop.station_mm is not None and shop.angle_deg is not None
        if shop.station_mm is not None and shop.angle_deg is not None:
            self.rings_mm = self._grid(shop.station_mm).mean(axis=1)
            self._angles = self._grid(shop.angle_deg)
        else:
            self.rings_mm = along_centres(np.asarray(target.on_rings(target.vertices_mm), dtype=np.float64))
            around = np.arange(target.shape[1]) * (360.0 / target.shape[1])
            self._angles = np.broadcast_to(around, target.shape)
        ends = float(self.rings_mm[0]), float(self.rings_mm[-1])
        self.stations_mm = np.linspace(*ends, min(target.shape[0], MOST_RINGS))
        self.angles_deg = np.linspace(0.0, 360.0, min(target.shape[1], MOST_LINES) + 1)

    def _grid(self, values: NDArray[np.generic]) -> Floats:
        """Values at the vertices as rings; what stands along the rim of a patch beside them is left out."""
        rings, lines = self._shape
        return values[: rings * lines].reshape(self._shape).astype(np.float64)

    @cached_property
    def _backwards(self) -> bool:
        """Whether angles fall from vertex to vertex."""
        turn = np.unwrap(self._angles[0], period=360.0)
        return bool(turn[-1] < turn[0])

    @cached_property
    def _columns(self) -> tuple[NDArray[np.intp], Floats]:
        """For each ring that is used the place of the grid's angles among its vertices, (rings, m)."""
        rows = spread(self._shape[0], MOST_RINGS)
        turns = np.unwrap(self._angles[rows], axis=1, period=360.0)
        if self._backwards:
            turns = turns[:, ::-1]
        # A section that folds back has an angle twice; what lies on the way back is left out.
        turns = np.maximum.accumulate(turns, axis=1)
        n = self._shape[1]
        index = np.arange(3 * n, dtype=np.float64) - n
        places = np.empty((len(rows), len(self.angles_deg)))
        for k, ring in enumerate(turns):
            start = 360.0 * np.floor(ring[0] / 360.0)
            thrice = np.concatenate([ring - 360.0, ring, ring + 360.0]) - start
            places[k] = np.interp(self.angles_deg, thrice, index)
        return rows, places

    def sampled(self, values: NDArray[np.generic]) -> Floats:
        """Values at the vertices, (n,), brought to the grid, (stations, angles)."""
        rows, places = self._columns
        grid = self._grid(values)[rows]
        if self._backwards:
            grid = grid[:, ::-1]
        n = grid.shape[1]
        low = np.floor(places).astype(np.intp)
        share = places - low
        row = np.arange(len(rows))[:, None]
        around = grid[row, low % n] * (1.0 - share) + grid[row, (low + 1) % n] * share
        at = np.interp(self.stations_mm, self.rings_mm[rows], np.arange(len(rows), dtype=np.float64))
        first = np.minimum(at.astype(np.intp), max(len(rows) - 2, 0))
        part = (at - first)[:, None]
        return np.asarray(around[first] * (1.0 - part) + around[np.minimum(first + 1, len(rows) - 1)] * part)

    def column_at(self, row: int, angle_deg: float) -> int:
        """The vertex of a ring that is nearest to an angle."""
        off = np.mod(self._angles[row] - angle_deg + 180.0, 360.0) - 180.0
        return int(np.abs(off).argmin())


def spread(count: int, most: int) -> NDArray[np.intp]:
    """Places 0 to ``count - 1``, or ``most`` of them evenly spread from the first to the last."""
    return np.linspace(0.0, count - 1.0, min(count, most)).round().astype(np.intp)
