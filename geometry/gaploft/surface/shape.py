"""The shape of an intact tube, known beforehand: what a spare section or a stored tube brings along."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, RegularGridInterpolator

from gaploft.surface.arc import Arc
from gaploft.surface.basis import DEGREE, TURN_RAD, TubeBasis, clamped_knots, wrapped
from gaploft.surface.model import TubeSurface
from gaploft.surface.raised import raised_surface
from gaploft.surface.sweep import N_MOVES, Sweep

Floats = NDArray[np.float64]

#: Signs of the six moves of a section that is seen from its other end.
_SEEN_FROM_BEHIND = np.array([1.0, -1.0, 1.0, -1.0, -1.0, 1.0])


@dataclass(frozen=True)
class Shape:
    """A tube as moves and heights on a sweep, and how well it is known.

    Attributes
    ----------
    sweep : the swept section
    solution : (n_u, 6 + n_v) moves of the section and heights above it, mm
    known_at : (k,) stations
    spread_mm : (k, l) standard uncertainty along the normal, at ``known_at`` and l even places around
    """

    sweep: Sweep
    solution: Floats
    known_at: Floats
    spread_mm: Floats

    @property
    def range_u(self) -> tuple[float, float]:
        """First and last station, mm."""
        return self.sweep.basis.range_u

    @cached_property
    def surface(self) -> TubeSurface:
        """The tube's outer surface."""
        return raised_surface(self.sweep, self.solution)

    def spread(self, u: Floats, v: Floats) -> Floats:
        """Standard uncertainty along the normal at places on the tube, mm."""
        angles = np.linspace(0.0, TURN_RAD, self.spread_mm.shape[1] + 1)
        closed = np.concatenate([self.spread_mm, self.spread_mm[:, :1]], axis=1)
        places = np.stack([np.clip(u, self.known_at[0], self.known_at[-1]), wrapped(v)], axis=-1)
        return np.asarray(RegularGridInterpolator((self.known_at, angles), closed)(places))

    def moved(self, matrix: Floats) -> "Shape":
        """The same tube carried by a rigid motion (4, 4) without reflection."""
        arc, turn = self.sweep.arc, matrix[:3, :3]
        carried = replace(
            arc,
            origin=turn @ arc.origin + matrix[:3, 3],
            tangent=turn @ arc.tangent,
            normal=turn @ arc.normal,
        )
        return replace(self, sweep=replace(self.sweep, arc=carried))

    def reflected(self) -> "Shape":
        """The mirror image in the plane of the tube's own arc."""
        return self._flipped(self.sweep.arc, along=False)

    def reversed(self) -> "Shape":
        """The same tube in the same place with stations that count the other way, and turns as well."""
        arc = self.sweep.arc
        return self._flipped(replace(arc, tangent=-arc.tangent, start_mm=-arc.start_mm), along=True)

    def _flipped(self, arc: Arc, *, along: bool) -> "Shape":
        """The section turned over about the arc's normal; with the stations reversed or not."""
        basis = self.sweep.basis
        way = slice(None, None, -1) if along else slice(None)
        if along:
            basis = TubeBasis(-basis.knots_u[::-1], basis.knots_v)
        section = _other_way_round(self.sweep.section, 0) * [1.0, -1.0]
        moves = _SEEN_FROM_BEHIND * self.sweep.moved_mm[way]
        heights = _other_way_round(self.solution[way, N_MOVES:], 1)
        solution = np.hstack([_SEEN_FROM_BEHIND * self.solution[way, :N_MOVES], heights])
        n = self.spread_mm.shape[1]
        return Shape(
            replace(self.sweep, arc=arc, basis=basis, section=section, moved_mm=moves),
            solution,
            -self.known_at[::-1] if along else self.known_at,
            self.spread_mm[way][:, (-np.arange(n)) % n],
        )

    def restricted(self, start_mm: float, stop_mm: float) -> "Shape":
        """The stretch between two stations, drawn out to the next knots; exact."""
        basis = self.sweep.basis
        inner = basis.knots_u[DEGREE : basis.n_u + 1]
        first = int(np.clip(np.searchsorted(inner, start_mm, side="right") - 1, 0, len(inner) - 2))
        last = int(np.clip(np.searchsorted(inner, stop_mm), first + 1, len(inner) - 1))
        if (first, last) == (0, len(inner) - 1):
            return self
        fewer = TubeBasis(clamped_knots(inner[first], inner[last], last - first), basis.knots_v)
        u = np.linspace(*fewer.range_u, 4 * fewer.n_u)
        design = BSpline.design_matrix(u, fewer.knots_u, DEGREE).toarray()
        rows = np.hstack([self.sweep.moved_mm, self.solution])
        cut = np.linalg.lstsq(design, BSpline(basis.knots_u, rows, DEGREE)(u), rcond=None)[0]
        return replace(
            self,
            sweep=replace(self.sweep, basis=fewer, moved_mm=cut[:, :N_MOVES]),
            solution=cut[:, N_MOVES:],
        )


def _other_way_round(coefficients: Floats, axis: int) -> Floats:
    """Periodic coefficients of the same spline of the opposite angle."""
    n = coefficients.shape[axis]
    return np.take(coefficients, (DEGREE - 1 - np.arange(n)) % n, axis=axis)
