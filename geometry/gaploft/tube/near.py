"""The part of a scan that lies near the damage, and no more of it than is needed."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from gaploft.job import Damage
from gaploft.scan.model import Scan
from gaploft.tube.seed import Nearby

#: More points than this around the damage tell no more of where the tube runs.
_MOST_NEARBY = 200_000
#: The first rings are looked for this close to the damage points, mm; frame tubes are 10 to 80 mm across
#: (common practice, no source).
_SEED_REACH_MM = 90.0
#: Points that are worked on at once.
_PART = 1 << 14
_FACES_AT_ONCE = 1 << 19


def scan_near(scan: Scan, keep: NDArray[np.bool_]) -> Nearby:
    """The kept part of the scan with its faces."""
    vertex = np.flatnonzero(keep)
    number = np.full(len(scan.vertices_mm), -1, dtype=np.int32)
    number[vertex] = np.arange(len(vertex), dtype=np.int32)
    whole = keep.take(scan.faces[:, 0])
    for corner in (1, 2):
        whole &= keep.take(scan.faces[:, corner])
    # In parts and each into its place: the numbers of all faces at once would take as much again as the scan.
    faces = np.empty((int(whole.sum()), 3), dtype=np.int32)
    done = 0
    for start in range(0, len(whole), _FACES_AT_ONCE):
        part = scan.faces[start : start + _FACES_AT_ONCE][whole[start : start + _FACES_AT_ONCE]]
        faces[done : done + len(part)] = number.take(part)
        done += len(part)
    del number, whole
    few = faces[:: max(1, len(faces) // 10_000)]
    some = np.linalg.norm(scan.vertices_mm[vertex[few[:, 0]]] - scan.vertices_mm[vertex[few[:, 1]]], axis=1)
    edge = float(np.median(some)) if len(some) else 0.0
    return Nearby(scan.vertices_mm[vertex], scan.normals[vertex], faces, vertex, edge)


def sparse_points(scan: Scan, keep: NDArray[np.bool_], edge_mm: float) -> Nearby:
    """Points of the kept part of the scan, without faces and no more of them than the flanks need."""
    vertex = np.flatnonzero(keep)
    share = min(1.0, _MOST_NEARBY / max(len(vertex), 1))
    vertex = vertex[some_of(vertex, share)]
    spacing = edge_mm / float(np.sqrt(share))
    return Nearby(scan.vertices_mm[vertex], scan.normals[vertex], np.empty((0, 3), np.int32), vertex, spacing)


def some_of(numbers: NDArray[np.integer], share: float) -> NDArray[np.bool_]:
    """Pick a share of whole numbers, always the same ones, (n,) bool.

    A multiplicative hash picks them (Knuth, *The Art of Computer Programming* 3, section 6.4; from memory),
    so that no row or column of a regular scan is preferred.
    """
    if share >= 1.0:
        return np.ones(len(numbers), dtype=bool)
    hashed = (numbers.astype(np.uint64) * np.uint64(2654435761)) & np.uint64(0xFFFFFFFF)
    return np.asarray(hashed < np.uint64(share * 2.0**32))


def seed_reach(scan: Scan, damage: Damage) -> float:
    """How far around the damage the first rings can lie, mm: a mark is within a radius of the centreline."""
    nearest = max(
        min(float(_squared(part - mark).min()) for part in _parts(scan.vertices_mm))
        for mark in (damage.from_mm, damage.to_mm)
    )
    return max(_SEED_REACH_MM, 2.5 * float(np.sqrt(nearest)))


def distance_from_segment(
    points: NDArray[np.float64], a: NDArray[np.float64], b: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Distance of points from the segment between ``a`` and ``b``, (n,)."""
    axis = b - a
    found = [np.empty(0)]
    for part in _parts(points):
        offset = part - a
        share = np.clip(offset @ axis / (axis @ axis), 0.0, 1.0)
        found.append(np.sqrt(_squared(offset - share[:, None] * axis)))
    return np.concatenate(found)


def _parts(points: NDArray[np.float64]) -> Iterator[NDArray[np.float64]]:
    """Points in parts that stay in the cache of the processor."""
    for start in range(0, len(points), _PART):
        yield points[start : start + _PART]


def _squared(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.einsum("ij,ij->i", vectors, vectors))
