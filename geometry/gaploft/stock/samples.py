"""Heights of a part over a target, at samples close enough together that no low spot falls between them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.stock.refine import Skin
from gaploft.stock.volume import Measure, moments_above

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Samples:
    """A finely cut target and the part's height above it along its normals, NaN where it was not seen.

    ``area_mm2`` (n,) is each sample's share of the surface.
    """

    skin: Skin
    measure: Measure
    height_mm: Floats
    area_mm2: Floats

    @property
    def seen(self) -> Bools:
        """(n,) where the part was seen."""
        return np.isfinite(self.height_mm)

    def total_mm2(self) -> float:
        """Area of the target."""
        return float(self.measure.area.sum())

    def area_over(self, values: Floats, faces: Bools | None = None) -> float:
        """Area where values, linear between samples, are positive; exact for such, NaN counts as below."""
        share = self.shares_over(values)
        area = self.measure.area if faces is None else np.where(faces, self.measure.area, 0.0)
        return float(share @ area)

    def shares_over(self, values: Floats) -> Floats:
        """Share of each triangle where values are positive; triangles with a corner not seen have none."""
        corner = values[self.skin.faces]
        known = np.isfinite(corner).all(axis=1)
        share = np.zeros(len(corner))
        share[known] = moments_above(corner[known])[0]
        return share

    def volume_above(self) -> float:
        """Volume between target and part where the part lies above."""
        return self._volume(self.height_mm, 1.0)

    def volume_below(self) -> float:
        """Volume between target and part where the part lies below."""
        return self._volume(-self.height_mm, -1.0)

    def _volume(self, values: Floats, way: float) -> float:
        corner = values[self.skin.faces]
        known = np.isfinite(corner).all(axis=1)
        _, one, two, three = moments_above(corner[known])
        part = Measure(self.measure.area[known], way * self.measure.first[known], self.measure.second[known])
        return float(part.volume((one, two, three)).sum())


def samples_of(skin: Skin, measure: Measure, height_mm: Floats) -> Samples:
    """Samples with the area that belongs to each: a third of every triangle about it."""
    area = np.zeros(len(skin.points))
    for corner in range(3):
        area += np.bincount(skin.faces[:, corner], weights=measure.area / 3.0, minlength=len(area))
    return Samples(skin, measure, height_mm, area)


@dataclass(frozen=True)
class Neighbours:
    """For each place the points about it: (n, k) rows and distances; a row of ``count`` stands for none."""

    row: NDArray[np.intp]
    distance_mm: Floats
    count: int

    def part(self, which: slice | NDArray[np.intp]) -> "Neighbours":
        """Those of some of the places."""
        return Neighbours(self.row[which], self.distance_mm[which], self.count)

    def within(self, high_mm: float, low_mm: float = -1.0) -> "Neighbours":
        """The same without the points that are further off, or not beyond ``low_mm``."""
        near = (self.distance_mm <= high_mm) & (self.distance_mm > low_mm)
        row, distance = np.where(near, self.row, self.count), np.where(near, self.distance_mm, np.inf)
        most = max(1, int(near.sum(axis=1).max(initial=0)))
        order = np.argsort(distance, axis=1, kind="stable")[:, :most]
        return Neighbours(
            np.take_along_axis(row, order, axis=1), np.take_along_axis(distance, order, axis=1), self.count
        )

    def lowest(self, values: Floats) -> NDArray[np.bool_]:
        """Which places have the lowest value among their neighbours; places and points are the same here."""
        return np.asarray(values <= np.append(values, np.inf)[self.row].min(axis=1))

    def means(self, values: Floats, weights: Floats, low_mm: float, high_mm: float) -> tuple[Floats, Floats]:
        """Weighted means over the points from beyond ``low_mm`` up to ``high_mm``, and the weight of these.

        Points whose value is NaN don't count; the mean of none is 0.
        """
        known = np.isfinite(values)
        weight = np.append(np.where(known, weights, 0.0), 0.0)
        value = np.append(np.where(known, values, 0.0), 0.0)
        there = weight[self.row] * ((self.distance_mm > low_mm) & (self.distance_mm <= high_mm))
        total = there.sum(axis=1)
        return np.einsum("ij,ij->i", there, value[self.row]) / np.where(total > 0.0, total, 1.0), total


def neighbours(
    places: Floats, normals: Floats, points: Floats, point_normals: Floats, *, within_mm: float, most: int
) -> Neighbours:
    """The nearest ``most`` points within a distance of places (n, 3) that face within 60 degrees alike."""
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    distance, row = tree.query(
        places, k=max(2, min(most, len(points))), distance_upper_bound=within_mm, workers=-1
    )
    distance, row = np.atleast_2d(distance), np.atleast_2d(row)
    facing = np.vstack([point_normals, np.zeros(3)])[row]
    other = np.einsum("ijk,ik->ij", facing, normals) < 0.5
    row[other], distance[other] = len(points), np.inf
    return Neighbours(row, distance, len(points))
