"""The correction: how far a donor's shape was changed so that it meets both flanks."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.donor.laid import Ground
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.surface.basis import TURN_RAD

Floats = NDArray[np.float64]

_STATIONS, _AROUND = 60, 72


@dataclass(frozen=True)
class Correction:
    """Distance of the surface from the placed donor along its normals, positive outwards.

    Attributes
    ----------
    at_mm : (k,) stations of the surface
    off_mm : (k, m) at even places around the tube
    max_mm, rms_mm : over the damage and what is distrusted beside it
    """

    at_mm: Floats
    off_mm: Floats
    max_mm: float
    rms_mm: float


def correction_of(fit: TubeFit, *, beyond_mm: float) -> Correction:
    """The correction over the damage and so much intact tube on both sides of it.

    Raises
    ------
    ValueError
        The fit has no donor.
    """
    if fit.shape is None:
        raise ValueError("a fit without a shape has no correction")
    first, last = fit.surface.range_u
    at = np.linspace(
        max(first, fit.rebuilt_mm[0] - beyond_mm), min(last, fit.rebuilt_mm[1] + beyond_mm), _STATIONS
    )
    v = np.arange(_AROUND) * (TURN_RAD / _AROUND)
    uu, vv = np.meshgrid(at, v, indexing="ij")
    points = fit.surface.evaluate(uu, vv).reshape(-1, 3)
    feet = Ground.of(fit.shape).feet(points, (uu.ravel(), vv.ravel()))
    off = feet.distance_mm.reshape(uu.shape)
    distance, rim = fit.outline.distance(uu, vv)
    within = off[distance < np.array(fit.margins_mm)[rim]]
    return Correction(
        at,
        off,
        float(np.abs(within).max(initial=0.0)),
        float(np.sqrt(np.mean(within**2))) if len(within) else 0.0,
    )
