"""What of a tube counts as damaged: marked vertices, the stations of the gap, the patch of one side."""

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.job import Damage
from gaploft.scan.model import Scan
from gaploft.tube.around import AroundMap
from gaploft.tube.spine import Spine

#: Marked vertices with no wider free sector than this, rad, go all the way round a tube.
_FREE_SECTOR = np.radians(60.0)


def damaged_vertices(scan: Scan, damage: Damage) -> NDArray[np.bool_] | None:
    """Mask over the scan's vertices of the one-sided damage; None when it goes all the way round."""
    if damage.source_vertices is None:
        return None
    n_source = len(scan.vertex_of_source)
    beyond = (damage.source_vertices < 0) | (damage.source_vertices >= n_source)
    if beyond.any():
        raise InputError(
            f"damaged vertex {int(damage.source_vertices[beyond][0])} is not in the scan, which has "
            f"{n_source} vertices numbered from 0: write the mask from this scan file"
        )
    mask = np.zeros(len(scan.vertices_mm), dtype=bool)
    index = scan.vertex_of_source[damage.source_vertices]
    mask[index[index >= 0]] = True
    return mask


def gap_between(u: NDArray[np.float64], marks: NDArray[np.float64]) -> tuple[float, float]:
    """The marked gap, drawn out to where the scan of the tube begins again if the marks lie within it."""
    found = []
    for side, mark in ((-1.0, marks[0]), (1.0, marks[1])):
        beyond = side * (u - mark)
        count = np.bincount(beyond[beyond >= 0.0].astype(int))
        begun = count >= 0.4 * np.median(count) if len(count) else count > 0
        first = int(np.argmax(begun)) if begun.any() else 0
        found.append(float(mark + side * first))
    return found[0], found[1]


def patch_on(
    scan: Scan, mask: NDArray[np.bool_], spine: Spine, around: AroundMap, largest_mm: float
) -> NDArray[np.float64]:
    """Station and angle of the damaged vertices, wherever the damage has left them."""
    u, angle, radius = spine.locate(scan.vertices_mm[mask])
    on = (u > spine.start_mm) & (u < spine.stop_mm) & (radius < 1.3 * largest_mm)
    if not on.any():
        raise InputError(
            "none of the damaged vertices lie on the tube at the damage points: mark the damage on this tube"
        )
    return np.column_stack([u[on], around(angle[on])])


def goes_round(v: NDArray[np.float64]) -> bool:
    """Whether damage at these angles, (k,) rad, goes all the way round its tube.

    It may lie at both rims of a gap alone, and is then all that is between them.
    """
    turn = np.sort(np.mod(v, 2.0 * np.pi))
    return bool(np.diff(turn, append=turn[0] + 2.0 * np.pi).max() < _FREE_SECTOR)
