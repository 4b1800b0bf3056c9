"""The points of one tube around its damage."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.tube.spine import Spine


@dataclass(frozen=True)
class TubePoints:
    """Scan points of one tube, with stations along its spine and angles about it.

    Attributes
    ----------
    points_mm, normals : (n, 3) float64
    u : (n,) stations along the spine, mm
    v : (n,) parameter around the tube, radians
    damaged : (n,) bool, inside the marked damage and never used
    gap_mm : stations at which the damage begins and ends
    flank_mm : outermost stations of the tube on both sides
    stopped_by : why each flank ends there
    radius_mm : mean radius near the damage
    tightest_mm : smallest radius of curvature of the mean section
    patch : (m, 2) station and angle of the damaged vertices where only one side is damaged, else None
    """

    points_mm: NDArray[np.float64]
    normals: NDArray[np.float64]
    u: NDArray[np.float64]
    v: NDArray[np.float64]
    damaged: NDArray[np.bool_]
    gap_mm: tuple[float, float]
    flank_mm: tuple[float, float]
    stopped_by: tuple[str, str]
    radius_mm: float
    tightest_mm: float
    patch: NDArray[np.float64] | None
    spine: Spine

    @property
    def all_round(self) -> bool:
        """Whether the damage goes all the way round the tube."""
        return self.patch is None

    @property
    def gap_length_mm(self) -> float:
        """Length of the damage along the spine."""
        return self.gap_mm[1] - self.gap_mm[0]
