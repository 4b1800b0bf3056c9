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
    odds : how likely it is among its rivals and itself
    rivals : other fillets that the scan does not rule out
    """

    pair: tuple[int, int]
    radius_mm: float
    centre_mm: Floats
    slope: Floats
    track: Track
    spread_mm: float
    kind: str
    typed: bool = False
    odds: float = 1.0
    rivals: "tuple[Fillet, ...]" = ()


@dataclass(frozen=True)
class Against:
    """Points against the whole surface.

    Attributes
    ----------
    distance, normal : signed distance, positive outside, and outward normal of the surface there
    part : number of the sheet, or the number of sheets plus that of the fillet
    """

    distance: Floats
    normal: Floats
    part: NDArray[np.int64]


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
        for k, fillet in enumerate(self.fillets):
            i, j = fillet.pair
            near = np.flatnonzero(near_both(feet[i], feet[j], float(fillet.track.radius.max())))
            if len(near) == 0:
                continue
            arc = fillet.track.against(points[near])
            # The fillet fills the hollow: where it counts, it stands outside of both sheets.
            better = arc.inside & (arc.distance < best[near])
            own = near[better]
            best[own], normal[own], part[own] = arc.distance[better], arc.normal[better], n + k
        return Against(best, normal, part)

    def spread(self, points: Floats) -> Floats:
        """Standard uncertainty of the surface along its normal at points of it, (n,) mm.

        From those of sheets and radii, and from the fillets that might be there instead.
        """
        n = len(self.sheets)
        found = self.against(points)
        feet = [sheet.feet(points) for sheet in self.sheets]
        spreads = np.stack([self._spread(k, foot.u, foot.v) for k, foot in enumerate(feet)])
        every = np.arange(len(points))
        spread = np.where(found.part < n, spreads[np.minimum(found.part, n - 1), every], 0.0)
        for k, fillet in enumerate(self.fillets):
            pair = list(fillet.pair)
            own = np.flatnonzero(found.part == n + k)
            arc = fillet.track.against(points[own])
            moved = (arc.shares * spreads[pair][:, own].T) ** 2
            grown = (arc.growth * fillet.spread_mm) ** 2
            spread[own] = np.sqrt(moved.sum(axis=1) + grown)
            # Where another fillet would reach and this one does not, a sheet is.
            near = np.flatnonzero(near_both(feet[pair[0]], feet[pair[1]], float(fillet.track.radius.max())))
            spread[near] = np.hypot(spread[near], self._rivalled(k, points[near], found.distance[near]))
        return spread

    def _rivalled(self, k: int, points: Floats, distance: Floats) -> Floats:
        """How far the rivals of fillet ``k`` are off the surface, by their odds, (n,) mm."""
        fillet = self.fillets[k]
        total = np.zeros(len(points))
        for rival in fillet.rivals:
            others = [rival if m == k else one for m, one in enumerate(self.fillets)]
            total += rival.odds * (self.with_fillets(tuple(others)).against(points).distance - distance) ** 2
        return np.sqrt(total)

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
