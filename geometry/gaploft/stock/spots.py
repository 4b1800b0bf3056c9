"""Low spots as connected places: how large, how deep and where."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from gaploft.stock.background import Patches, expected_noise
from gaploft.stock.cells import Cells, cells_of
from gaploft.stock.noise import Noise
from gaploft.stock.samples import Samples, neighbours
from gaploft.stock.seeds import AROUND_MM, SMALL_MM, find_seeds, levels_of, quiet_cells

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Below this much noise, single heights are as good as means.
NO_NOISE_MM = 0.001
#: Heights are averaged over this radius to find outlines and depths, unless the spot is deeper than so many
#: of the standard uncertainties of single ones.
_FINE_MM, _DEEP = 0.5, 8.0
#: An outline runs where a place is low by this many standard uncertainties.
_SURE = 2.0
#: Outlines are looked for this far from what stands out as low.
_OUTWARD_MM = 3.0
#: What noise tears apart by less than this is one spot, and one of less than this area is none.
_TORN_MM, _LEAST_MM2 = 1.0, 1.0


@dataclass(frozen=True)
class Spot:
    """One low spot: area, depth and the sample where it is lowest."""

    area_mm2: float
    depth_mm: float
    lowest: int


def find_spots(samples: Samples, noise: Noise) -> tuple[Floats, tuple[Spot, ...]]:
    """Mean heights over 2 mm^2 about each sample, and the low spots that noise does not explain.

    Returns
    -------
    mean_mm : (n,), NaN where the part was not seen
    spots : the deepest first

    Notes
    -----
    ``seeds`` says where there is one. Its outline runs where the part goes below zero, or with noise: below
    two standard uncertainties of a place. The area within is exact for heights that are linear between
    samples.
    """
    seen = samples.seen
    cells = cells_of(samples)
    levels = levels_of(samples, cells)
    mean = samples.height_mm.copy()
    if noise.scale_mm > NO_NOISE_MM:
        mean[seen] = levels[0].mean_mm
    found, low = find_seeds(samples, cells, levels, noise)
    if not low.any():
        return mean, ()
    seed = np.append(low, False)[cells.cell_of]
    seed[np.flatnonzero(seen)[found]] = True
    depth, over = _depths(samples, cells, noise, low, seed)
    return mean, _outlined(samples, depth, over, seed)


def _depths(samples: Samples, cells: Cells, noise: Noise, low: Bools, seed: Bools) -> tuple[Floats, Floats]:
    """Depth below zero about what stands out, less the noise foretold there, (n,); the same less what is not
    sure of it, by which outlines are drawn."""
    points, raw = samples.skin.points, samples.height_mm
    depth, over = np.full(len(raw), -np.inf), np.full(len(raw), -np.inf)
    near = cKDTree(points[seed]).query(points, distance_upper_bound=_OUTWARD_MM, workers=-1)[0]
    there = np.flatnonzero(samples.seen & np.isfinite(near))
    if noise.scale_mm <= NO_NOISE_MM:
        depth[there] = over[there] = -raw[there]
        return depth, over
    seen = np.flatnonzero(samples.seen)
    patches = Patches(points[seen], raw[seen], samples.area_mm2[seen])
    normals = samples.skin.normals
    discs = neighbours(
        points[there], normals[there], patches.points, normals[seen], within_mm=_FINE_MM, most=24
    )
    about = neighbours(
        points[there],
        normals[there],
        cells.points,
        cells.normals,
        within_mm=SMALL_MM + AROUND_MM,
        most=110,
    ).within(SMALL_MM + AROUND_MM, SMALL_MM)
    quiet = quiet_cells(cells, noise, low)
    expected, u_fine = expected_noise(noise, patches, discs, quiet, about)
    fine = discs.means(patches.height_mm, patches.area_mm2, -1.0, _FINE_MM)[0] - expected
    # A single height has all of its own noise; what it shares with its surroundings is foretold alike.
    u_single = np.hypot(u_fine, noise.white_mm)
    deep = raw[there] - expected < -_DEEP * u_single
    near_deep = np.zeros(len(raw), dtype=bool)
    if deep.any():
        away = cKDTree(points[there[deep]]).query(points[there], distance_upper_bound=_TORN_MM)[0]
        near_deep[there[np.isfinite(away)]] = True
    single = near_deep[there]
    depth[there] = -fine
    over[there] = np.where(single, expected - raw[there] - _SURE * u_single, -fine - _SURE * u_fine)
    return depth, over


def _outlined(samples: Samples, depth: Floats, over: Floats, seed: Bools) -> tuple[Spot, ...]:
    """Connected places where ``over`` is positive and that hold a seed, torn ones put together."""
    label = _joined(pieces(samples.skin.faces, over > 0.0), samples.skin.points, seed)
    if label.max(initial=-1) < 0:
        return ()
    of_face = label[samples.skin.faces].max(axis=1)
    inside = of_face >= 0
    covered = (samples.shares_over(over) * samples.measure.area)[inside]
    area = np.bincount(of_face[inside], covered, minlength=int(label.max()) + 1)
    order = np.lexsort((-depth, label))
    order = order[label[order] >= 0]
    lowest = order[np.flatnonzero(np.diff(label[order], prepend=-1))]
    spots = [Spot(float(area[label[k]]), float(depth[k]), int(k)) for k in lowest.tolist()]
    spots = [spot for spot in spots if spot.area_mm2 >= _LEAST_MM2]
    return tuple(sorted(spots, key=lambda spot: (-spot.depth_mm, spot.lowest)))


def pieces(faces: NDArray[np.int32], inside: Bools) -> NDArray[np.intp]:
    """Number of the connected piece of each vertex that is inside, -1 for the others."""
    ends = faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    ends = ends[inside[ends].all(axis=1)]
    return _components(ends, inside)


def _joined(label: NDArray[np.intp], points: Floats, seed: Bools) -> NDArray[np.intp]:
    """Labels 0, 1, ... of the pieces that hold a seed; those hardly a millimetre apart are one."""
    inside = np.flatnonzero(np.isin(label, np.unique(label[seed & (label >= 0)])) & (label >= 0))
    result = np.full(len(label), -1, dtype=np.intp)
    if len(inside) == 0:
        return result
    pairs = cKDTree(points[inside]).query_pairs(_TORN_MM, output_type="ndarray")
    result[inside] = _components(pairs, np.ones(len(inside), dtype=bool))
    return result


def _components(ends: NDArray[np.integer], inside: Bools) -> NDArray[np.intp]:
    n = len(inside)
    graph = coo_matrix((np.ones(len(ends), dtype=np.int8), (ends[:, 0], ends[:, 1])), shape=(n, n))
    label = connected_components(graph, directed=False)[1].astype(np.intp)
    label[~inside] = -1
    return label
