"""Mirror planes guessed from pairs of tubes: the plane that reflects one spine onto the other."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from gaploft.scan.mirrored import reflected
from gaploft.scan.model import Scan
from gaploft.tube.model import TubePoints
from gaploft.tube.near import some_of
from gaploft.tube.spine import Spine

Floats = NDArray[np.float64]

#: Spacing of the spine points that are laid over one another, and of the slides that are tried, mm.
_STEP_MM = 4.0
#: At least so much of the shorter spine has a partner; spines that part by more (rms) are no mirror images.
_OVERLAP, _APART_MM = 0.5, 6.0
#: Points of the scan by which planes are ranked, how near their partners lie (mm), and how they face.
_SAMPLES, _GROUND, _NEAR_MM, _SAME_WAY = 3_000, 100_000, 4.0, float(np.cos(np.radians(30.0)))


@dataclass(frozen=True)
class _Guess:
    point: Floats
    normal: Floats
    rms_mm: float


def guess_planes(scan: Scan, tube: TubePoints, others: Sequence[TubePoints]) -> list[tuple[Floats, Floats]]:
    """Guess planes in which a tube is the mirror image of another one, the most likely first.

    Parameters
    ----------
    scan : mended scan, mm, that all these tubes are of
    tube : the broken tube
    others : tubes that may be its opposite side's

    Returns
    -------
    list of (point, normal)
        (3,) mm and (3,) unit; ordered by the share of the scan that has a partner on the other side, less
        where the spines part. Empty where no spine is a mirror image of the tube's.

    Notes
    -----
    For pairs a, b about the mean of all of them, the reflection in a plane with normal n leaves
    ``sum |a - b|^2 + 4 n.sum(a b')n``, so that n is the eigenvector of the smallest eigenvalue of the
    symmetric part of ``sum(a b')``. Which points are pairs is tried: the other tube may be followed in the
    opposite sense, begin elsewhere, and be longer or shorter.
    """
    found = [guess for other in others for sense in (1.0, -1.0) if (guess := _between(tube, other, sense))]
    if not found:
        return []
    share = _Overlap(scan)
    ranked = sorted(
        ((share.of(guess) / (1.0 + guess.rms_mm / _APART_MM), -k) for k, guess in enumerate(found)),
        reverse=True,
    )
    return [(found[-k].point, found[-k].normal) for _, k in ranked]


def _between(tube: TubePoints, other: TubePoints, sense: float) -> _Guess | None:
    """The best plane between two spines that are followed in the same or in the opposite sense."""
    start, stop = tube.flank_mm
    u = np.linspace(start, stop, max(6, int((stop - start) / _STEP_MM)))
    u = u[(u <= tube.gap_mm[0]) | (u >= tube.gap_mm[1])]
    low, high = other.flank_mm
    least = _OVERLAP * min(stop - start, high - low)
    ends = (low - sense * stop, low - sense * start, high - sense * start, high - sense * stop)
    slide = np.arange(min(ends), max(ends), _STEP_MM)
    best = _best_slide(
        tube.spine.points(u), other, sense * u[None, :] + slide[:, None], least / (stop - start)
    )
    if best is None:
        return None
    # Once more, finely, about the best of them.
    slide = slide[best] + np.linspace(-_STEP_MM, _STEP_MM, 17)
    stations = sense * u[None, :] + slide[:, None]
    points, normals, rms, _ = _planes(tube.spine.points(u), other.spine, stations, other.flank_mm)
    k = int(np.argmin(rms))
    return _Guess(points[k], normals[k], float(rms[k])) if rms[k] < _APART_MM else None


def _best_slide(own: Floats, other: TubePoints, stations: Floats, least_share: float) -> int | None:
    """Number of the slide with the best plane among those with enough overlap."""
    _, _, rms, share = _planes(own, other.spine, stations, other.flank_mm)
    rms = np.where(share >= min(least_share, 1.0), rms, np.inf)
    return int(np.argmin(rms)) if np.isfinite(rms).any() else None


def _planes(
    own: Floats, spine: Spine, stations: Floats, ends: tuple[float, float]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Point, normal, rms and overlap of the plane for each slide: own (n, 3), partners' stations (m, n)."""
    there = spine.points(stations.ravel()).reshape(*stations.shape, 3)
    weight = ((stations >= ends[0]) & (stations <= ends[1])).astype(float)
    share = weight.mean(axis=1)
    weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1.0)
    middle = np.einsum("mn,mnk->mk", weight, (there + own) / 2.0)
    a, b = own - middle[:, None], there - middle[:, None]
    product = np.einsum("mn,mni,mnj->mij", weight, a, b)
    values, vectors = np.linalg.eigh((product + product.transpose(0, 2, 1)) / 2.0)
    apart = np.einsum("mn,mnk->m", weight, (a - b) ** 2)
    rms = np.sqrt(np.maximum(apart + 4.0 * values[:, 0], 0.0))
    return middle, vectors[:, :, 0], np.where(share > 0.0, rms, np.inf), share


class _Overlap:
    """How much of a scan has a partner on the other side of a plane."""

    def __init__(self, scan: Scan) -> None:
        n = len(scan.vertices_mm)
        numbers = np.arange(n, dtype=np.int64) ** 2
        ground, some = some_of(numbers, _GROUND / n), some_of(numbers, _SAMPLES / n)
        self.tree, self.ground_normals = KDTree(scan.vertices_mm[ground]), scan.normals[ground]
        self.points, self.normals = scan.vertices_mm[some], scan.normals[some]

    def of(self, guess: _Guess) -> float:
        """Share of the samples whose reflection lies on the scan and faces its way."""
        there = reflected(self.points, guess.point, guess.normal)
        facing = reflected(self.normals, np.zeros(3), guess.normal)
        distance, nearest = self.tree.query(there, distance_upper_bound=_NEAR_MM)
        near = np.flatnonzero(np.isfinite(distance))
        same = np.einsum("ij,ij->i", self.ground_normals[nearest[near]], facing[near]) > _SAME_WAY
        return float(same.sum() / len(self.points))
