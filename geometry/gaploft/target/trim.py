"""Layers that fit under a surface: refused where it is too tight for them, or made thinner there."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError
from gaploft.scan.model import Note
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface
from gaploft.target.field import grid_over, lowest_around, rising_at_most, smooth_field
from gaploft.target.fold import Room, room_below
from gaploft.target.places import Places, whole_degrees
from gaploft.target.readings import Over

Floats = NDArray[np.float64]

#: Trimmed layers take this share of what the surface has room for.
SHARE = 0.8
#: They rise from there by at most this much per mm.
_SLOPE = 0.25
#: Where they come within this share of the room, the corner between both is rounded off.
_ROUNDED = 0.2
_FINE_U, _FINE_V = 80, 720
_MOST_AROUND, _STEPS_A_RADIUS = 2880, 4


@dataclass(frozen=True)
class Trimmed:
    """Layers that fit.

    ``wanted`` is the depth that was asked for, ``cap`` what there is room for; None where it is never short.
    """

    wanted: Over
    cap: Over | None
    notes: tuple[Note, ...] = ()

    def depth(self, u: Floats, v: Floats) -> Floats:
        """Depth in mm at (u, v)."""
        return self.within(self.wanted)(u, v)

    def within(self, wanted: Over) -> Over:
        """Any depth, made to fit."""
        cap = self.cap
        if cap is None:
            return wanted
        return lambda u, v: _rounded_min(wanted(u, v), cap(u, v))

    def shortened(self, u: Floats, v: Floats) -> NDArray[np.bool_]:
        """Where layers were made thinner."""
        wanted = self.wanted(u, v)
        if self.cap is None:
            return np.zeros(wanted.shape, dtype=bool)
        return np.asarray(self.depth(u, v) < wanted - 1e-9)


def fitting(
    surface: TubeSurface, wanted: Over, places: Places, stations: tuple[float, float], *, trim: bool
) -> Trimmed:
    """Make a depth fit under a surface.

    Parameters
    ----------
    wanted : depth below the surface at (u, v), mm
    stations : stretch of the surface that matters
    trim : make layers thinner where there is too little room; else refuse them

    Raises
    ------
    EvidenceError
        There is too little room and ``trim`` is False; the sentence says where and how tight it is.

    Notes
    -----
    Thinner layers leave stock: the target lies higher there, so that nothing is cut too deep.
    """
    u, v = _flat(stations, (_FINE_U, _FINE_V))
    depth = wanted(u, v)
    most = float(depth.max())
    if most <= 0.0:
        return Trimmed(wanted, None)
    room = room_below(surface, u, v, most_mm=1.02 * most)
    tight = depth >= room.radius_mm
    if not tight.any():
        return Trimmed(wanted, None)
    worst = int((room.radius_mm - depth).argmin())
    station, angle = (float(x[0]) for x in places.named(u[worst : worst + 1], v[worst : worst + 1]))
    where = f"at station {station:.1f} mm, angle {whole_degrees(angle)} degrees"
    what = _tightness(room, worst)
    if not trim:
        raise EvidenceError(
            f"layers of {depth[worst]:.2f} mm can't be taken off {where}, where {what}: give thinner layers, "
            'or tight = "trim" in [layers]'
        )
    cap = _cap(surface, stations, most, float(room.radius_mm.min()))
    left = depth[worst] - Trimmed(wanted, cap).depth(u[worst : worst + 1], v[worst : worst + 1])[0]
    return Trimmed(
        wanted,
        cap,
        (
            Note(
                "layers_trimmed",
                f"layers are up to {left:.2f} mm thinner than asked for {where}, where {what}: the target "
                "stands higher there, work it by hand",
            ),
        ),
    )


def _flat(stations: tuple[float, float], shape: tuple[int, int]) -> tuple[Floats, Floats]:
    u, v = grid_over(stations, shape)
    return np.repeat(u.ravel(), len(v)), np.tile(v, len(u))


def _tightness(room: Room, worst: int) -> str:
    radius = float(room.radius_mm[worst])
    if room.bends[worst]:
        return f"the surface bends with a radius of {radius:.2f} mm"
    return f"the tube is only {2.0 * radius:.2f} mm thick"


def _cap(surface: TubeSurface, stations: tuple[float, float], most: float, tightest: float) -> Over:
    """The depth that there is room for, smooth and nowhere steep."""
    middle = (stations[0] + stations[1]) / 2.0
    v = np.arange(720) * (TURN_RAD / 720)
    around = TURN_RAD * float(np.linalg.norm(surface.derivatives(middle, v, 0, 1), axis=-1).max())
    n_v = int(np.clip(_STEPS_A_RADIUS * around / tightest, 360, _MOST_AROUND))
    n_u = max(9, int(np.ceil(stations[1] - stations[0])) + 1)
    u, v = _flat(stations, (n_u, n_v))
    # From here on there is more room than even rounding the corner asks for.
    enough = most / (SHARE * (1.0 - _ROUNDED))
    room = room_below(surface, u, v, most_mm=1.02 * enough).radius_mm.reshape(n_u, n_v)
    steps = ((stations[1] - stations[0]) / (n_u - 1), around / n_v)
    low = rising_at_most(SHARE * np.where(room < enough, room, 1.02 * enough), steps, _SLOPE)
    return smooth_field(lowest_around(low), stations)


def _rounded_min(one: Floats, cap: Floats) -> Floats:
    """The smaller of two with a rounded corner, never above either, and ``one`` itself well below the cap."""
    width = _ROUNDED * cap
    over = np.maximum(width - np.abs(one - cap), 0.0) / width
    return np.asarray(np.minimum(one, cap) - 0.25 * width * over**2)
