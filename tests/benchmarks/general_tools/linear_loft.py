"""A linear loft: straight lines from ring to ring."""

import numpy as np

from .broken_scan import MARGIN_MM, BrokenScan, Patch, strip_faces
from .outlines import N_AROUND
from .rings import collars

#: Between the two rings straight lines are exact; the rows only keep the triangles short (mm).
_ROW_MM = 2.0
_STRETCH_MM = 10.0


def linear_loft(scan: BrokenScan) -> Patch:
    """Straight lines between the clean rings a margin beyond the damage."""
    first, last = (collar.ring(MARGIN_MM) for collar in collars(scan, stretch_mm=_STRETCH_MM, power=1))
    n_rows = max(2, round(np.linalg.norm(last - first, axis=1).mean() / _ROW_MM) + 1)
    share = np.linspace(0.0, 1.0, n_rows)[:, None, None]
    return Patch(((1 - share) * first + share * last).reshape(-1, 3), strip_faces(n_rows, N_AROUND))
