"""How far a place on the tube is from its damage."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from gaploft.tube.model import TubePoints


@dataclass(frozen=True)
class Outline:
    """The damage on the unrolled tube: all round between two stations, or a patch of damaged points."""

    gap_mm: tuple[float, float]
    radius_mm: float
    patch: KDTree | None

    @property
    def n_rims(self) -> int:
        """Two rims where the tube is broken through, one around a patch."""
        return 2 if self.patch is None else 1

    def distance(
        self, u: NDArray[np.float64], v: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
        """Distance from the damage in mm along the surface (negative inside) and which rim it is from."""
        if self.patch is None:
            middle = (self.gap_mm[0] + self.gap_mm[1]) / 2.0
            rim = (u > middle).astype(np.int8)
            return np.where(rim == 1, u - self.gap_mm[1], self.gap_mm[0] - u), rim
        places = np.column_stack([u.ravel(), self.radius_mm * np.mod(v.ravel(), 2.0 * np.pi)])
        distance = self.patch.query(places)[0].reshape(u.shape)
        return distance, np.zeros(u.shape, dtype=np.int8)


def damage_outline(tube: TubePoints) -> Outline:
    """Outline of a tube's damage."""
    if tube.patch is None:
        return Outline(tube.gap_mm, tube.radius_mm, None)
    turn = 2.0 * np.pi * tube.radius_mm
    u, s = tube.patch[:, 0], tube.radius_mm * tube.patch[:, 1]
    unrolled = np.concatenate([np.column_stack([u, s + k * turn]) for k in (-1.0, 0.0, 1.0)])
    return Outline(tube.gap_mm, tube.radius_mm, KDTree(unrolled))
