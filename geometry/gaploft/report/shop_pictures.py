"""What a rebuild gives the pictures of its report beside the target: plain arrays."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SignedMap:
    """Signed millimetres over the unrolled tube, on a grid of its own.

    Attributes
    ----------
    title : the words for the values
    station_mm, angle_deg : (k,) and (m,) even steps; angles from 0 to 360
    values_mm : (k, m)
    worst_mm, worst_at : the value furthest from zero over the rebuilt zone, and its station in mm and angle
        in degrees
    """

    title: str
    station_mm: Floats
    angle_deg: Floats
    values_mm: Floats
    worst_mm: float
    worst_at: tuple[float, float]


@dataclass(frozen=True)
class ShopArrays:
    """Values at the n vertices of a target, and the profile of a bed; each None where it is not known.

    Attributes
    ----------
    station_mm, angle_deg : (n,) places of the vertices, as from :meth:`gaploft.target.places.Places.named`
    wall_mm : (n,) thickness of the laminate, without paint and filler
    left_mm : (n,) what is left of it once the target is cut
    inner_mm : (n, 3) the inner surface of the tube below each vertex
    reach_left_mm : (n,) material that a tool leaves standing; 0 where it follows the target
    bed_beyond_mm, bed_depth_mm : (k,) distance from the hole's edge and depth below the outer surface, at the
        vertices of the bed
    bed_triangles : (m, 3) the bed's mesh
    ways : maps of where the shape comes from
    """

    station_mm: Floats | None = None
    angle_deg: Floats | None = None
    wall_mm: Floats | None = None
    left_mm: Floats | None = None
    inner_mm: Floats | None = None
    reach_left_mm: Floats | None = None
    bed_beyond_mm: Floats | None = None
    bed_depth_mm: Floats | None = None
    bed_triangles: NDArray[np.int32] | None = None
    ways: tuple[SignedMap, ...] = ()
