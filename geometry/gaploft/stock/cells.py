"""Samples gathered into cells of about a millimetre."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.stock.background import Patches
from gaploft.stock.samples import Samples

Floats = NDArray[np.float64]

_CELL_MM = 1.0


@dataclass(frozen=True)
class Cells(Patches):
    """Means over cells: place, height and normal; ``cell_of`` (n,) is -1 for samples that were not seen."""

    normals: Floats
    cell_of: NDArray[np.intp]


def cells_of(samples: Samples) -> Cells:
    """Gather the samples that were seen; two sides of a thin edge don't share a cell."""
    seen = np.flatnonzero(samples.seen)
    points, normals = samples.skin.points[seen], samples.skin.normals[seen]
    place = np.floor((points - points.min(axis=0)) / _CELL_MM).astype(np.int64)
    side = (normals > 0.0).astype(np.int64)
    key = np.ravel_multi_index(tuple(place.T), tuple(place.max(axis=0) + 1)) * 8 + side @ np.array([1, 2, 4])
    _, group = np.unique(key, return_inverse=True)
    weight = samples.area_mm2[seen]
    area = np.bincount(group, weight).astype(np.float64)

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(group, weight * values) / area)

    middle = np.column_stack([mean(points[:, k]) for k in range(3)])
    summed = np.column_stack([mean(normals[:, k]) for k in range(3)])
    unit = summed / np.maximum(np.linalg.norm(summed, axis=1, keepdims=True), 1e-12)
    cell_of = np.full(len(samples.height_mm), -1, dtype=np.intp)
    cell_of[seen] = group
    return Cells(middle, mean(samples.height_mm[seen]), area, unit, cell_of)
