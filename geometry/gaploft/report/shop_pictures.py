"""What the shop's side of a rebuild gives the pictures of its report: plain arrays."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


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
