"""What becomes of layers beyond the rim: they go on, run out, or end in a step."""

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.surface.basis import TURN_RAD
from gaploft.target.field import grid_over, smooth_field
from gaploft.target.readings import Over

Floats = NDArray[np.float64]

#: A ring exactly at the rim belongs to the intact side.
AT_RIM_MM = 1e-6
#: Grid that smooths how layers run out around a patch: so many steps over the way they run out on.
_STEPS_OUT, _ROUNDED_OFF = 16, 3


def from_rim_of(fit: TubeFit) -> Over:
    """Distance from the rim of the rebuilt zone in mm, negative inside, as a function of (u, v)."""
    margins = np.array(fit.margins_mm)

    def from_rim(u: Floats, v: Floats) -> Floats:
        u, v = np.broadcast_arrays(np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64))
        distance, rim = fit.outline.distance(u, v)
        return np.asarray(distance - margins[rim])

    return from_rim


def running_out(share: Floats) -> Floats:
    """From 1 at 0 to 0 at 1, without slope or bend at either; also beyond them."""
    t = np.clip(share, 0.0, 1.0)
    return np.asarray(1.0 - t**3 * (10.0 - t * (15.0 - 6.0 * t)))


def share_outside(fit: TubeFit, outside: str, from_rim: Over, stations: tuple[float, float]) -> Over | None:
    """What is left of the layers beyond the rim, a share at (u, v); None where they go on as they are.

    Parameters
    ----------
    outside : "same", "blend" or "step"
    from_rim : as :func:`from_rim_of` gives it
    stations : the target's ends

    Raises
    ------
    InputError
        Layers are to run out, and there is no overlap for it.

    Notes
    -----
    "blend" runs out by the polynomial ``1 - t^3 (10 - 15 t + 6 t^2)``, which has no slope and no bend at
    either end: from the rim to the target's ends, or around a patch over the shorter of both overlaps.
    """
    if outside == "same":
        return None
    if outside == "step":
        return lambda u, v: np.where(from_rim(u, v) < -AT_RIM_MM, 1.0, 0.0)
    lengths = np.array([fit.rebuilt_mm[0] - stations[0], stations[1] - fit.rebuilt_mm[1]])
    if lengths.min() < AT_RIM_MM:
        raise InputError(
            "layers can't run out beyond the rim over an overlap of 0 mm: give an overlap, or "
            'outside = "same" in [layers]'
        )
    if fit.outline.patch is not None:
        return _around_patch(fit, from_rim, stations, float(lengths.min()))
    middle = (fit.rebuilt_mm[0] + fit.rebuilt_mm[1]) / 2.0

    def share(u: Floats, v: Floats) -> Floats:
        return running_out(from_rim(u, v) / np.where(u > middle, lengths[1], lengths[0]))

    return share


def _around_patch(fit: TubeFit, from_rim: Over, stations: tuple[float, float], length: float) -> Over:
    """The distance from a ragged patch has ridges, which would show as creases: a spline rounds them off,
    and leaves the zone inside the rim and all beyond the length alone."""
    step = length / _STEPS_OUT
    rounded = _ROUNDED_OFF * step
    shape = (
        max(4, int(np.ceil((stations[1] - stations[0]) / step)) + 1),
        max(8, int(np.ceil(TURN_RAD * fit.radius_mm / step))),
    )
    distance = from_rim(*grid_over(stations, shape))
    return smooth_field(running_out((distance - rounded) / (length - 2.0 * rounded)), stations)
