"""Where tubes meet: sheets and the fillets between them as one surface to measure against."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from gaploft.patch.rolling import Track, near_both
from gaploft.patch.sheet import Sheet

Floats = NDArray[np.float64]

#: Steps that bring points onto the surface.
_ONTO_STEPS, _FARTHEST_MM, _STILL_MM = 8, 50.0, 1e-6


@dataclass(frozen=True)
class Fillet:
    """A fillet between sheets ``pair``.

    Attributes
    ----------
    radius_mm, slope, centre_mm : radius at a place (3,), and how it changes from there, (3,) mm per mm
    spread_mm : standard uncertainty of the radius
    kind : see :func:`gaploft.patch.rolling.make_track`
    typed : the radius was given, and not told from the scan
    """

    pair: tuple[int, int]
    radius_mm: float
    centre_mm: Floats
    slope: Floats
    track: Track
    spread_mm: float
    kind: str
    typed: bool = False


@dataclass(frozen=True)
class Against:
    """Points against the whole surface.

    Attributes
    ----------
    distance, normal : signed distance, positive outside, and outward normal of the surface there
    part : number of the sheet, or the number of sheets plus that of the fillet
    spread_mm : standard uncertainty of the surface along its normal, from those of sheets and radii
    growth : (n,) how far the surface moves outward as the radius grows; 0 on sheets
    """

    distance: Floats
    normal: Floats
    part: NDArray[np.int64]
    spread_mm: Floats
    growth: Floats


@dataclass(frozen=True)
class Meeting:
    """Sheets that meet, with fillets between some of them; what is outside of all of them is outside.

    ``spreads`` give the standard uncertainty of each sheet at its parameters.
    """

    sheets: tuple[Sheet, ...]
    fillets: tuple[Fillet, ...] = ()
    spreads: tuple[Callable[[Floats, Floats], Floats], ...] = ()

    def against(self, points: Floats) -> Against:
        """Distance of points (n, 3) from the surface, and what part of it is theirs."""
        n = len(self.sheets)
        feet = [sheet.feet(points) for sheet in self.sheets]
        distance = np.stack([foot.distance for foot in feet])
        part = distance.argmin(axis=0)
        every = np.arange(len(points))
        best = distance[part, every]
        normal = np.stack([foot.normal for foot in feet])[part, every]
        spreads = np.stack([self._spread(k, foot.u, foot.v) for k, foot in enumerate(feet)])
        spread, growth = spreads[part, every], np.zeros(len(points))
        for k, fillet in enumerate(self.fillets):
            i, j = fillet.pair
            near = np.flatnonzero(near_both(feet[i], feet[j], float(fillet.track.radius.max())))
            if len(near) == 0:
                continue
            arc = fillet.track.against(points[near])
            # The fillet fills the hollow: where it counts, it stands outside of both sheets.
            better = arc.inside & (arc.distance < best[near])
            own, arc_part = near[better], better
            best[own], normal[own], part[own] = arc.distance[arc_part], arc.normal[arc_part], n + k
            growth[own] = arc.growth[arc_part]
            moved = (arc.shares[arc_part] * spreads[[i, j]][:, own].T) ** 2
            spread[own] = np.sqrt(moved.sum(axis=1) + (growth[own] * fillet.spread_mm) ** 2)
        return Against(best, normal, part, spread, growth)

    def onto(self, points: Floats) -> Floats:
        """Points moved onto the surface along its normals, (n, 3)."""
        for _ in range(_ONTO_STEPS):
            found = self.against(points)
            step = np.where(np.abs(found.distance) < _FARTHEST_MM, found.distance, 0.0)
            points = points - step[:, None] * found.normal
            if np.abs(step).max(initial=0.0) < _STILL_MM:
                break
        return points

    def with_fillets(self, fillets: tuple[Fillet, ...]) -> "Meeting":
        """The same sheets with other fillets."""
        return replace(self, fillets=fillets)

    def _spread(self, k: int, u: Floats, v: Floats) -> Floats:
        return np.asarray(self.spreads[k](u, v)) if self.spreads else np.zeros(len(u))


def touching_pairs(
    sheet_of: NDArray[np.int64], near: NDArray[np.int64], hollow: NDArray[np.bool_], rings: int
) -> list[tuple[int, int]]:
    """Pairs of sheets that a fillet lies between: both are within reach of the same hollow nodes.

    Parameters
    ----------
    sheet_of, near, hollow : (n,), (n, k), (n,) of nodes: their sheet or -1, their neighbours, hollow or not
    rings : rounds of neighbours that are within reach
    """
    n_sheets = int(sheet_of.max()) + 1
    seen = np.zeros((len(sheet_of), n_sheets), dtype=bool)
    own = np.flatnonzero(sheet_of >= 0)
    seen[own, sheet_of[own]] = True
    for _ in range(rings):
        seen |= seen[near].any(axis=1)
    both = [(i, j) for i, j in combinations(range(n_sheets), 2)]
    return [(i, j) for i, j in both if int((seen[:, i] & seen[:, j] & hollow).sum()) >= 6]
