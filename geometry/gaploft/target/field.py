"""Values on an even grid over a stretch of tube, as smooth functions of (u, v)."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, minimum_filter

from gaploft.surface.basis import TURN_RAD

Floats = NDArray[np.float64]


def grid_over(stations: tuple[float, float], shape: tuple[int, int]) -> tuple[Floats, Floats]:
    """Places of an even grid, (n_u, 1) and (n_v,): both ends along the tube, one turn around it."""
    v = np.asarray(np.arange(shape[1]) * (TURN_RAD / shape[1]), dtype=np.float64)
    return np.linspace(*stations, shape[0])[:, None], v


def smooth_field(values: Floats, stations: tuple[float, float]) -> Callable[[Floats, Floats], Floats]:
    """A cubic B-spline with the values of a grid as its coefficients, not through them.

    It has two continuous derivatives, closes around the tube, is a mean of the sixteen values around a place,
    and goes on beyond the ends as it is there.
    """
    n_u, n_v = values.shape
    # Mirrored beyond the ends and wrapped around the tube, by as much as the spline looks.
    padded = np.pad(np.pad(values, ((3, 3), (0, 0)), mode="edge"), ((0, 0), (3, 3)), mode="wrap")
    scale = (n_u - 1) / (stations[1] - stations[0])

    def field(u: Floats, v: Floats) -> Floats:
        u, v = np.broadcast_arrays(np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64))
        along = np.clip((u - stations[0]) * scale, 0.0, n_u - 1.0) + 3.0
        around = np.mod(v, TURN_RAD) * (n_v / TURN_RAD) + 3.0
        places = np.stack([along.ravel(), around.ravel()])
        found = map_coordinates(padded, places, order=3, prefilter=False, mode="nearest")
        return np.asarray(found).reshape(u.shape)

    return field


def rising_at_most(values: Floats, step_mm: tuple[float, float], slope: float) -> Floats:
    """The largest grid of values below these that rises by at most ``slope`` along either way."""
    found = values
    for axis, step in enumerate(step_mm):
        found = _rising(found, step * slope, axis, wraps=axis == 1)
    return found


def _rising(values: Floats, rise: float, axis: int, *, wraps: bool) -> Floats:
    n = values.shape[axis]
    along = np.moveaxis(values, axis, 0)
    if wraps:
        along = np.concatenate([along, along, along])
    ramp = rise * np.arange(len(along))[:, None]
    up = np.minimum.accumulate(along - ramp, axis=0) + ramp
    down = (np.minimum.accumulate((along + ramp)[::-1], axis=0))[::-1] - ramp
    found = np.minimum(up, down)
    return np.moveaxis(found[n : 2 * n] if wraps else found, 0, axis)


def lowest_around(values: Floats) -> Floats:
    """The least of the values up to two steps away, so that the spline of them lies below all of these."""
    return np.asarray(minimum_filter(values, size=5, mode=("nearest", "wrap")))
