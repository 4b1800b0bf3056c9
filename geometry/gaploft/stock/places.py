"""Where on a target something lies, as along its rings and around them."""

import numpy as np
from numpy.typing import NDArray

from gaploft.stock.model import TargetSkin
from gaploft.target.rings import along_centres

Floats = NDArray[np.float64]


def station_and_angle(target: TargetSkin, at: Floats) -> tuple[float | None, float | None]:
    """Distance along the centres of the target's rings in mm, and degrees from their first line, of a place.

    (None, None) for a target that is no rings.
    """
    if target.shape is None:
        return None, None
    n_u, n_v = target.shape
    rings = target.vertices_mm[: n_u * n_v].reshape(n_u, n_v, 3)
    nearest = int(((rings.reshape(-1, 3) - at) ** 2).sum(axis=1).argmin())
    row = nearest // n_v
    centre = rings[row].mean(axis=0)
    first = rings[row, 0] - centre
    first /= np.linalg.norm(first)
    second = rings[row, n_v // 4] - centre
    second -= (second @ first) * first
    second /= np.linalg.norm(second)
    away = at - centre
    angle = float(np.degrees(np.arctan2(away @ second, away @ first)))
    return float(along_centres(rings)[row]), angle % 360.0
