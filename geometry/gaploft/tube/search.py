"""Looking for tubes at places of a scan: the cloud in which rings are looked for, and what is tried."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from gaploft.scan.model import Scan
from gaploft.tube.cloud import Cloud, mesh_cloud
from gaploft.tube.follow import tube_through
from gaploft.tube.model import TubePoints
from gaploft.tube.near import some_of, sparse_points
from gaploft.tube.pointer import ring_at

Floats = NDArray[np.float64]

#: Points of a scan that show where its tubes run.
_SPARSE = 100_000
#: Room around a place in which its ring is looked for, mm; frame tubes are 10 to 80 mm across (common
#: practice, no source). So many points of it tell, and more take long where there is no tube.
_ROOM_MM, _IN_ROOM = 110.0, 3_000
#: A patch that shows the axis is as wide as a tube at most, mm.
_PATCH_MM = 80.0
#: Places are drawn from so many, at most so many are tried, and they lie that far apart (mm).
_DRAWN, _TRIED, _APART_MM = 4_000, 200, (8.0, 30.0)
#: A place lies on a tube that was found if it is as near to its points as this, as a share of its radius.
_COVERED = 0.4
#: Points tried around the place that was given, where the nearest has no ring.
_TRIED_NEAR = 16


class Search:
    """A scan as it is searched: a thin cloud for rings, and points for following tubes."""

    def __init__(self, scan: Scan) -> None:
        self.scan = scan
        self.cloud = mesh_cloud(scan.vertices_mm, scan.faces)
        self.tree = KDTree(self.cloud.points_mm)
        n = len(scan.vertices_mm)
        share = min(1.0, _SPARSE / n)
        ends = scan.vertices_mm[scan.faces[:: max(1, len(scan.faces) // 10_000), :2]]
        edge = float(np.median(np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1)))
        self.near = sparse_points(scan, some_of(np.arange(n) ** 2, share), edge / float(np.sqrt(share)))

    def tube_at(self, place: Floats) -> TubePoints | None:
        """The tube through the ring at a place on the scan, followed both ways; None if there is none."""
        index = np.sort(np.array(self.tree.query_ball_point(place, _ROOM_MM), dtype=np.int64))
        if len(index) == 0:
            return None
        share = min(1.0, _IN_ROOM / len(index))
        index = index[some_of(index**2, share)]
        spacing = self.cloud.spacing_mm / float(np.sqrt(share))
        local = Cloud(self.cloud.points_mm[index], self.cloud.normals[index], spacing)
        ring = ring_at(local, place, patch_mm=_PATCH_MM)
        return None if ring is None else tube_through(self.scan, self.near, ring)

    def around(self, place: Floats) -> Iterator[Floats]:
        """The point of the scan nearest to a place, then some more around it."""
        nearest = float(self.tree.query(place)[0])
        near = np.array(self.tree.query_ball_point(place, 1.5 * nearest + 15.0), dtype=np.int64)
        distance = np.linalg.norm(self.cloud.points_mm[near] - place, axis=1)
        near = near[np.lexsort((near, distance))]
        yield from self.cloud.points_mm[near[:: max(1, len(near) // _TRIED_NEAR)]]

    def places(self) -> "Places":
        """Places spread over all of the scan."""
        numbers = np.arange(len(self.cloud.points_mm), dtype=np.int64)
        picked = np.flatnonzero(some_of(numbers**2, _DRAWN / len(numbers)))
        mixed = (picked.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(11)
        area = len(numbers) * self.cloud.spacing_mm**2
        apart = float(np.clip(np.sqrt(area / _TRIED), *_APART_MM))
        places = self.cloud.points_mm[picked[np.argsort(mixed, kind="stable")]]
        return Places(places, apart, 3.0 * self.cloud.spacing_mm)


class Places:
    """Places to try one after the other, in an order that has nothing to do with where they lie.

    ``apart_mm`` is how far they keep from those that were tried.
    """

    def __init__(self, points_mm: Floats, apart_mm: float, least_room_mm: float) -> None:
        self._points, self._apart, self._least_room = points_mm, apart_mm, least_room_mm
        self._free = np.ones(len(points_mm), dtype=bool)

    def __iter__(self) -> Iterator[Floats]:
        for _ in range(_TRIED):
            if not self._free.any():
                return
            place = self._points[np.argmax(self._free)]
            self._free &= np.linalg.norm(self._points - place, axis=1) > self._apart
            yield place

    @property
    def done(self) -> float:
        """Share of the places that needn't be tried any more."""
        return 1.0 - float(self._free.mean())

    def leave_out(self, tube: TubePoints) -> None:
        """Pass over the places that lie on a tube, or so near to it that they tell of nothing else."""
        limit = max(self._least_room, _COVERED * tube.radius_mm)
        distance = KDTree(tube.points_mm[::3]).query(self._points, distance_upper_bound=limit)[0]
        self._free &= ~(distance < limit)
