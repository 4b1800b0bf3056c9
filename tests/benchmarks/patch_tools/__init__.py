"""General tools that could close a patch instead, each on the same scan with the same marks.

All are general-purpose libraries. Each is helped by the same margin around the marks, and where it starts
from a filled hole, by the same filling (see ``broken_patch`` and ``filling``).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from .broken_patch import MARGIN_MM, NoAnswer, PatchScan, Sheet
from .fairing import faired
from .height import over_plane
from .implicit import zero_level
from .poisson import screened_poisson

__all__ = ["MARGIN_MM", "TOOLS", "NoAnswer", "PatchScan", "PatchTool", "Sheet"]


@dataclass(frozen=True)
class PatchTool:
    """A tool's title in tables, the package it stands on, the call, whether it starts from the filling."""

    title: str
    package: str
    rebuild: Callable[[PatchScan], Sheet]
    fills: bool = False


#: Name -> tool.
TOOLS: Mapping[str, PatchTool] = {
    "fairing_2": PatchTool("fairing, k = 2", "libigl", partial(faired, k=2, smooth_rim=False), True),
    "fairing_3": PatchTool("fairing, k = 3", "libigl", partial(faired, k=3, smooth_rim=False), True),
    "fairing_2_smoothed": PatchTool(
        "fairing, k = 2, smoothed rim", "libigl", partial(faired, k=2, smooth_rim=True), True
    ),
    "fairing_3_smoothed": PatchTool(
        "fairing, k = 3, smoothed rim", "libigl", partial(faired, k=3, smooth_rim=True), True
    ),
    "poisson": PatchTool("screened Poisson", "open3d", screened_poisson),
    "height_plate": PatchTool(
        "RBF height, thin plate", "scipy", partial(over_plane, kernel="thin_plate_spline")
    ),
    "height_quintic": PatchTool("RBF height, quintic", "scipy", partial(over_plane, kernel="quintic")),
    "implicit_cubic": PatchTool("RBF implicit, cubic", "scipy", partial(zero_level, kernel="cubic"), True),
    "implicit_quintic": PatchTool(
        "RBF implicit, quintic", "scipy", partial(zero_level, kernel="quintic"), True
    ),
}
