"""Clean rings: smooth outlines of the tube beyond the damage, where the ring-based tools start.

All that is done here helps the general tools: noise is smoothed away, stray points are dropped, holes in
a ring are bridged, and the slope along the tube comes from a stretch of the flank, not from two rows.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .broken_scan import MARGIN_MM, BrokenScan, trusted
from .outlines import N_AROUND, centre_of, directions, smooth_ring

Floats = NDArray[np.float64]

#: Half the width of one slice (mm), and how many a collar is read from.
_SLICE_MM, _N_SLICES = 1.5, 7
_FEWEST_IN_SLICE = 40


class NoRings(Exception):
    """The flank has no clean outline to start from."""


@dataclass(frozen=True)
class Collar:
    """The smoothed flank beside the damage, in polar coordinates about a straight line.

    ``origin`` lies on the line at the mark; ``outward`` points away from the damage; ``across`` (2, 3)
    spans the section; ``powers`` (3, N_AROUND) are radius, slope and curvature along at evenly spaced
    angles, as powers of the distance beyond the mark.
    """

    origin: Floats
    outward: Floats
    across: Floats
    powers: Floats

    def ring(self, beyond_mm: float) -> Floats:
        """The (N_AROUND, 3) outline at a distance beyond the mark, mm."""
        return self.origin + beyond_mm * self.outward + self._flat(beyond_mm) @ self.across

    def centre(self, beyond_mm: float) -> Floats:
        """Centroid of the area inside that outline, (3,)."""
        return self.origin + beyond_mm * self.outward + centre_of(self._flat(beyond_mm)) @ self.across

    def _flat(self, beyond_mm: float) -> Floats:
        radius = self.powers[0] + beyond_mm * self.powers[1] + beyond_mm**2 * self.powers[2]
        return np.asarray(radius[:, None] * directions().T)


def collars(scan: BrokenScan, *, stretch_mm: float = 24.0, power: int = 2) -> tuple[Collar, Collar]:
    """The collars at the 'from' and the 'to' mark, with angles counted alike.

    They are read from ``stretch_mm`` of flank beyond the margin, as a polynomial along it of degree
    ``power``, 1 or 2: a short straight one gives the better ring, a long curved one the better slope.

    Raises
    ------
    NoRings
        A flank is too short or has too few points.
    """
    axis = (scan.to_mm - scan.from_mm) / scan.gap_mm
    reference = np.eye(3)[np.argmin(np.abs(axis))]
    points = scan.vertices[trusted(scan)]
    return (
        _read(points, _line(points, scan.from_mm, -axis, stretch_mm), -1.0, reference, power),
        _read(points, _line(points, scan.to_mm, axis, stretch_mm), 1.0, reference, power),
    )


@dataclass(frozen=True)
class _Line:
    """The straight line of one flank: its point at the mark, its way outward, where it is sliced."""

    origin: Floats
    outward: Floats
    stations: Floats


def _line(points: Floats, mark: Floats, outward: Floats, stretch_mm: float) -> _Line:
    """Fit one flank's line to the centres of its slices."""
    along = (points - mark) @ outward
    near = along[(along > 0.0) & (along < MARGIN_MM + stretch_mm)]
    if len(near) == 0 or near.max() < MARGIN_MM + 3.0 * _SLICE_MM:
        raise NoRings("a flank is too short for clean rings")
    line = _Line(mark, outward, np.linspace(MARGIN_MM + _SLICE_MM, near.max() - _SLICE_MM, _N_SLICES))
    for _ in range(4):
        across = _across(line.outward, np.eye(3)[np.argmin(np.abs(line.outward))])
        centres = [
            line.origin + at * line.outward + centre_of(_slice(points, line, at) @ across.T) @ across
            for at in line.stations
        ]
        middle = np.mean(centres, axis=0)
        way = np.linalg.svd(np.array(centres) - middle)[2][0]
        way = way * np.sign(way @ line.outward)
        line = _Line(middle - ((middle - mark) @ way) * way, way, line.stations)
    return line


def _read(points: Floats, line: _Line, forward: float, reference: Floats, power: int) -> Collar:
    """The collar about a line: smooth rings at its stations, and a polynomial along."""
    across = _across(forward * line.outward, reference)
    rings = []
    for at in line.stations:
        flat = _slice(points, line, at) @ across.T
        rings.append(smooth_ring(np.arctan2(flat[:, 1], flat[:, 0]), np.hypot(*flat.T)))
    powers = np.zeros((3, N_AROUND))
    powers[: power + 1] = np.polynomial.polynomial.polyfit(line.stations, np.array(rings), power)
    return Collar(line.origin, line.outward, across, powers)


def _across(forward: Floats, reference: Floats) -> Floats:
    first = reference - (reference @ forward) * forward
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(forward, first)])


def _slice(points: Floats, line: _Line, station: float) -> Floats:
    """Offsets from the line of the points in one slice."""
    offset = points - line.origin
    along = offset @ line.outward
    near = np.abs(along - station) < _SLICE_MM
    offset = offset[near] - along[near, None] * line.outward
    away = np.linalg.norm(offset, axis=1)
    offset = offset[away < 2.5 * np.median(away)] if len(away) else offset
    if len(offset) < _FEWEST_IN_SLICE:
        raise NoRings(f"a slice of the flank holds {len(offset)} points")
    return np.asarray(offset)
