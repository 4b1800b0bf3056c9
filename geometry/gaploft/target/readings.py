"""From readings at a few places of a tube to a thickness all over it."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator
from scipy.spatial.distance import pdist

from gaploft.errors import InputError
from gaploft.job import Thickness
from gaploft.target.places import Places, whole_degrees

Floats = NDArray[np.float64]
#: A value in mm at places (u, v) of any one shape.
Over = Callable[[Floats, Floats], Floats]

#: Readings closer than this are of one place, mm.
_SAME_PLACE_MM = 0.5


def thickness_over(thickness: Thickness, places: Places, *, of: str) -> Over:
    """Thickness as a function of (u, v): the same all over, or drawn smoothly through readings.

    Parameters
    ----------
    thickness : a number of mm, or readings
    places : stations and angles of the tube
    of : what the thickness is of, for sentences about it

    Raises
    ------
    InputError
        A reading lies outside the tube, or two that differ are of the same place.

    Notes
    -----
    Multiquadrics about a constant (R. L. Hardy, J. Geophys. Res. 76(8), 1971; cited from memory) on the
    unrolled tube taken as a cylinder in space, so that the map closes around the tube. They go exactly
    through the readings and are smooth; nothing is made thinner than the thinnest or thicker than the
    thickest of them, since what lies beyond was not read.
    """
    if not isinstance(thickness, tuple):
        value = float(thickness)
        return lambda u, v: np.full(np.broadcast_shapes(np.shape(u), np.shape(v)), value)
    u, v = places.found(thickness, of)
    values = np.array([reading.value_mm for reading in thickness])
    if len(values) == 1:
        return thickness_over(float(values[0]), places, of=of)
    radius = _radius(places)
    rolled = _rolled(places, u, v, radius)
    apart = pdist(rolled)
    if apart.min() < _SAME_PLACE_MM:
        one, other = (int(k[apart.argmin()]) for k in np.triu_indices(len(values), 1))
        station, angle = places.named(u[one : one + 1], v[one : one + 1])
        raise InputError(
            f"two readings of {of} are of the same place, station {station[0]:.1f} mm and angle "
            f"{whole_degrees(angle[0])} degrees ({values[one]:g} and {values[other]:g} mm): keep one of them"
        )
    through = RBFInterpolator(rolled, values, kernel="multiquadric", epsilon=1.0 / radius, degree=0)
    low, high = float(values.min()), float(values.max())

    def over(u: Floats, v: Floats) -> Floats:
        u, v = np.broadcast_arrays(np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64))
        found = through(_rolled(places, u.ravel(), v.ravel(), radius))
        return np.clip(found, low, high).reshape(u.shape)

    return over


def _radius(places: Places) -> float:
    """Mean radius of the tube, mm."""
    u = np.linspace(*places.surface.range_u, 9)[:, None]
    ring = places.surface.evaluate(u, np.arange(48) * (2.0 * np.pi / 48))
    return float(np.linalg.norm(ring - ring.mean(axis=1, keepdims=True), axis=2).mean())


def _rolled(places: Places, u: Floats, v: Floats, radius: float) -> Floats:
    """Places on a cylinder in space, (n, 3), so that distances are nearly those along the tube."""
    station, angle = places.named(u, v)
    turn = np.radians(angle)
    return np.column_stack([station, radius * np.cos(turn), radius * np.sin(turn)])
