"""Places on a tube as a person at the bench names them: a station along it and an angle around it."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from gaploft.errors import InputError
from gaploft.job import Reading
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface

Floats = NDArray[np.float64]

_STATIONS, _AROUND = 160, 720
#: A tube that leans less than this from the Z axis takes its zero from the X axis.
_ALONG_Z = np.cos(np.radians(20.0))
#: A reading may lie this far off the surface, mm or as a share of the tube's radius: a finger's width.
_FURTHEST_MM, _FURTHEST_SHARE = 3.0, 0.25


def whole_degrees(angle_deg: float) -> int:
    """An angle as people are told it, 0 to 359."""
    return round(float(angle_deg)) % 360


@dataclass(frozen=True)
class Places:
    """Stations and angles on the surface of one tube.

    Stations count in mm along the tube from the 'from' end of the damage towards its 'to' end. Angles count
    in degrees about the centre of the section there, clockwise as seen looking that way. Zero is the side
    that faces the Z axis of the scan, or its X axis where the tube itself runs along Z, or the side on which
    ``zero_mm`` lies.

    Attributes
    ----------
    surface : the tube's surface
    start_u : its parameter along the tube at station 0
    zero_mm : (3,) a place in the scan's frame that angles count from, or None
    """

    surface: TubeSurface
    start_u: float
    zero_mm: Floats | None = None

    @cached_property
    def _rings(self) -> tuple[CubicSpline, CubicSpline]:
        """Centres of the sections along the tube, and the unit vectors along it there."""
        u = np.linspace(*self.surface.range_u, _STATIONS)
        v = np.arange(_AROUND) * (TURN_RAD / _AROUND)
        points = self.surface.evaluate(u[:, None], v)
        steps = np.linalg.norm(np.roll(points, -1, axis=1) - np.roll(points, 1, axis=1), axis=2)
        centres = np.einsum("ij,ijk->ik", steps, points) / steps.sum(axis=1, keepdims=True)
        spine = CubicSpline(u, centres)
        return spine, spine.derivative()

    @cached_property
    def _zero(self) -> Floats:
        """The direction that zero faces, before it is turned square to the tube."""
        if self.zero_mm is None:
            along = self._along(np.array([np.mean(self.surface.range_u)]))[0]
            return np.array([1.0, 0.0, 0.0] if abs(along[2]) > _ALONG_Z else [0.0, 0.0, 1.0])
        u = np.linspace(*self.surface.range_u, _STATIONS)
        centres = self._rings[0](u)
        nearest = int(((centres - self.zero_mm) ** 2).sum(axis=1).argmin())
        away = self.zero_mm - centres[nearest]
        along = self._along(u[nearest : nearest + 1])[0]
        across = away - (away @ along) * along
        if np.linalg.norm(across) < 1e-6 * (1.0 + np.linalg.norm(away)):
            raise InputError(
                "the place from which angles count lies on the tube's centreline: give one on its surface"
            )
        return np.asarray(across)

    def _along(self, u: Floats) -> Floats:
        slope = self._rings[1](u)
        return np.asarray(slope / np.linalg.norm(slope, axis=-1, keepdims=True))

    def _axes(self, u: Floats) -> tuple[Floats, Floats, Floats]:
        """Centres, and the unit vectors at 0 and 90 degrees, each (..., 3)."""
        along = self._along(u)
        first = self._zero - np.einsum("...k,k->...", along, self._zero)[..., None] * along
        first /= np.linalg.norm(first, axis=-1, keepdims=True)
        return self._rings[0](u), first, np.cross(along, first)

    def named(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Stations in mm and angles in degrees, 0 to 360, of places (u, v) of any one shape."""
        u, v = np.broadcast_arrays(np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64))
        centre, first, second = self._axes(u)
        away = self.surface.evaluate(u, v) - centre
        angle = np.degrees(np.arctan2((away * second).sum(-1), (away * first).sum(-1)))
        return u - self.start_u, np.mod(angle, 360.0)

    def found(self, readings: Sequence[Reading], of: str) -> tuple[Floats, Floats]:
        """Places (u, v) of readings, (n,) each.

        Raises
        ------
        InputError
            A reading lies beyond the stretch of tube that is known, or off its surface; ``of`` says what
            was read.
        """
        u, v = np.empty(len(readings)), np.empty(len(readings))
        by_point = np.array([reading.point_mm is not None for reading in readings], dtype=bool)
        if by_point.any():
            points = np.array([r.point_mm for r in readings if r.point_mm is not None], dtype=np.float64)
            u[by_point], v[by_point] = self._at_points(points, of)
        named = ~by_point
        if named.any():
            stations = np.array([r.station_mm for r in readings])[named]
            angles = np.array([r.angle_deg for r in readings])[named]
            u[named], v[named] = self._at_names(stations, angles, of)
        return u, v

    def _at_names(self, stations: Floats, angles: Floats, of: str) -> tuple[Floats, Floats]:
        first, last = (bound - self.start_u for bound in self.surface.range_u)
        outside = (stations < first) | (stations > last)
        if outside.any():
            raise InputError(
                f"a reading of {of} is at station {stations[outside][0]:g} mm, but the tube is known from "
                f"{first:.1f} to {last:.1f} mm beyond the 'from' end of the damage: check the station"
            )
        u = stations + self.start_u
        v: Floats = np.linspace(0.0, TURN_RAD, _AROUND + 1)
        found = np.unwrap(np.radians(self.named(u[:, None], v)[1]), axis=1)
        turning = np.sign(found[:, -1] - found[:, 0])
        # One turn of v is one turn of the angle; the wanted one is counted on from the first of them.
        way = np.mod(turning * (np.radians(angles) - found[:, 0]), TURN_RAD)
        turned = turning[:, None] * (found - found[:, :1])
        return u, np.array([np.interp(w, row, v) for w, row in zip(way, turned, strict=True)])

    def _at_points(self, points: Floats, of: str) -> tuple[Floats, Floats]:
        u = np.linspace(*self.surface.range_u, _STATIONS)
        v = np.arange(_AROUND) * (TURN_RAD / _AROUND)
        grid = self.surface.evaluate(u[:, None], v).reshape(-1, 3)
        nearest = np.array([int(((grid - point) ** 2).sum(axis=1).argmin()) for point in points])
        feet = self.surface.project(points, u[nearest // _AROUND], v[nearest % _AROUND], steps=6)
        away = np.linalg.norm(points - self.surface.evaluate(feet.u, feet.v), axis=1)
        radius = float(np.linalg.norm(grid - np.repeat(self._rings[0](u), _AROUND, axis=0), axis=1).mean())
        furthest = max(_FURTHEST_MM, _FURTHEST_SHARE * radius)
        if (away > furthest).any():
            worst = int(away.argmax())
            place = ", ".join(f"{x:.1f}" for x in points[worst])
            raise InputError(
                f"a reading of {of} at ({place}) mm lies {away[worst]:.1f} mm off the tube, at most "
                f"{furthest:.1f} mm are allowed: check its place and the unit"
            )
        return feet.u, feet.v
