"""Where a part lies low by more than its scan's noise explains."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import ndtri

from gaploft.stock.background import LEAST_NOISE_MM, Patches, expected_noise, spread_alone
from gaploft.stock.cells import Cells
from gaploft.stock.noise import Noise
from gaploft.stock.samples import Neighbours, Samples, neighbours

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Rows = NDArray[np.intp]

#: Radius of a disc of 2 mm^2, the smallest low spot that is looked for, and of wider ones. Amid surplus,
#: where its walls may be steep, one of that size is flat over less.
SMALL_MM, _AMID_MM = 0.8, 0.45
_DISCS_MM = (1.6, 3.0, 5.0)
#: How far from a disc's rim its surroundings begin and end.
CLEAR_MM, AROUND_MM = 0.4, 3.5
#: Discs so wide are also tested against zero alone: their own surroundings may be low, too.
_ALONE_MM = 3.0
#: How far noise goes together is known to some 20 %, and such a mean spreads in proportion to that.
_LENGTH_DOUBT = 1.25
#: A shallower mean is no low spot, whatever the scan can tell: machine and frame know no better.
LEAST_DEPTH_MM = 0.03
#: Noise may invent a low spot once in so many maps, for each size that is looked for.
_ONCE_IN = 100.0
#: Amid surplus nothing was meant to be at zero, so that a mean below it is believed at 95 %.
_AMID_SURPLUS, _SURPLUS_SHARE = 1.645, 0.5
#: A cell is quiet when its mean is within this many standard deviations of noise: so far off noise hardly
#: ever goes, and what is left out because it is large would pull the mean of the rest. Beyond three it
#: speaks of surplus.
_QUIET, _SURPLUS = 4.0, 3.0
#: How far what stands out is taken to slope away, mm.
_FOOT_MM = 1.5
#: Usual places that tell whether what is foretold is as good as it says.
_TRIED = 200
#: What is so little below the target is not low.
_BELOW_MM = 0.005


@dataclass(frozen=True)
class Level:
    """Discs of one size about patches: which patches are in each, and the mean height over them."""

    radius_mm: float
    patches: Patches
    normals: Floats
    discs: Neighbours
    mean_mm: Floats


def levels_of(samples: Samples, cells: Cells) -> tuple[Level, ...]:
    """Discs of the smallest size about all samples that are seen, and of the others about all cells."""
    skin, seen = samples.skin, samples.seen
    fine = Patches(skin.points[seen], samples.height_mm[seen], samples.area_mm2[seen])
    found = [_level(fine, skin.normals[seen], radius, most=40) for radius in (SMALL_MM, _AMID_MM)]
    return (*found, *(_level(cells, cells.normals, r, most=round(4.0 * r * r + 20)) for r in _DISCS_MM))


def _level(patches: Patches, normals: Floats, radius_mm: float, *, most: int) -> Level:
    discs = neighbours(
        patches.points, normals, patches.points, normals, within_mm=radius_mm, most=most
    ).within(radius_mm)
    mean = discs.means(patches.height_mm, patches.area_mm2, -1.0, radius_mm)[0]
    return Level(radius_mm, patches, normals, discs, mean)


def quiet_cells(cells: Cells, noise: Noise, low: Bools) -> Patches:
    """Cells that show no more than noise, NaN for the others; ``low`` (c,) are known to be more.

    Those at the foot of what stands out are none either: its slope would pass for noise, and its surroundings
    for low.
    """
    quiet = (np.abs(cells.height_mm) <= _QUIET * max(noise.scale_mm, LEAST_NOISE_MM)) & ~low
    if quiet.any() and not quiet.all():
        away = cKDTree(cells.points[~quiet]).query(cells.points, distance_upper_bound=_FOOT_MM)[0]
        quiet &= ~np.isfinite(away)
    return Patches(cells.points, np.where(quiet, cells.height_mm, np.nan), cells.area_mm2)


def find_seeds(samples: Samples, cells: Cells, levels: tuple[Level, ...], noise: Noise) -> tuple[Rows, Bools]:
    """Seen samples in the middle of a low place (rows among those seen), and cells that are part of one,
    (c,).

    Notes
    -----
    For each size of disc the means that are lowest among their neighbours are compared with what the quiet
    cells around say their noise is (see ``background``). One is low when it stands out by more than noise
    does once in a hundred maps, is more than 0.03 mm lower than its noise, and lies below the target. Cells
    of what was found no longer count as noise, and all is looked at once more.
    """
    low = np.zeros(len(cells.points), dtype=bool)
    cell_of = cells.cell_of[samples.seen]
    found: Rows = np.empty(0, dtype=np.intp)
    for _ in range(2):
        quiet, before = quiet_cells(cells, noise, low), low.copy()
        for k, level in enumerate(levels):
            rows = _low_discs(level, cells, quiet, noise)
            inside = np.unique(level.discs.row[rows][level.discs.distance_mm[rows] <= 0.6 * level.radius_mm])
            if k < 2:
                found = np.union1d(found, rows)
                inside = cell_of[inside]
            low[inside] = True
        if (low == before).all():
            break
    return found, low


def _low_discs(level: Level, cells: Cells, quiet: Patches, noise: Noise) -> Rows:
    """Rows of the discs that are low."""
    above = _SURPLUS * max(noise.scale_mm, LEAST_NOISE_MM)
    surplus = (cells.height_mm > above).astype(np.float64)
    rows = _lowest_discs(level, cells)
    outer = level.radius_mm + CLEAR_MM
    amid = _about(level, rows, cells).means(surplus, cells.area_mm2, outer, np.inf)[0] > _SURPLUS_SHARE
    if level.radius_mm < SMALL_MM:
        rows, amid = rows[amid], amid[amid]
    if len(rows) == 0:
        return rows
    needed = np.where(amid, _AMID_SURPLUS, _needed(float(cells.area_mm2 @ (1.0 - surplus)), level.radius_mm))
    left, spread = _left(level, rows, cells, quiet, noise)
    low = _stands_out(left, spread * np.where(amid, 1.0, _scatter(level, cells, quiet, noise)), needed)
    if level.radius_mm >= _ALONE_MM:
        alone = spread_alone(noise, level.patches, level.discs.part(rows))
        low |= _stands_out(level.mean_mm[rows], _LENGTH_DOUBT * alone, needed)
    return np.asarray(rows[low])


def _lowest_discs(level: Level, cells: Cells) -> Rows:
    """Rows of discs below zero that are lower than their neighbours, or lower against their surroundings."""
    whole = level.discs.means(level.mean_mm, level.patches.area_mm2, -1.0, level.radius_mm)[1]
    full = whole > 0.4 * np.pi * level.radius_mm**2
    low = np.flatnonzero(full & (level.mean_mm < -_BELOW_MM))
    around = _about(level, low, cells).means(
        cells.height_mm, cells.area_mm2, level.radius_mm + CLEAR_MM, level.radius_mm + 2.0
    )[0]
    contrast = np.full(len(level.mean_mm), np.inf)
    contrast[low] = level.mean_mm[low] - around
    lowest = level.discs.lowest(level.mean_mm) | level.discs.lowest(contrast)
    return np.asarray(low[lowest[low]])


def _scatter(level: Level, cells: Cells, quiet: Patches, noise: Noise) -> float:
    """By how much what is left at usual places scatters more than it should, 1 or more."""
    if np.isfinite(quiet.height_mm).mean() < 0.5:
        return 1.0
    usual = np.flatnonzero(np.abs(level.mean_mm) <= _SURPLUS * max(noise.scale_mm, LEAST_NOISE_MM))
    if len(usual) < _TRIED:
        return 1.0
    left, spread = _left(level, usual[:: len(usual) // _TRIED], cells, quiet, noise)
    return max(1.0, 1.4826 * float(np.median(np.abs(left / spread))))


def _about(level: Level, rows: Rows, cells: Cells) -> Neighbours:
    """Cells about some of the discs, from beyond their rims."""
    within = level.radius_mm + AROUND_MM
    points, normals = level.patches.points[rows], level.normals[rows]
    most = round(5.0 * within**2)
    about = neighbours(points, normals, cells.points, cells.normals, within_mm=within, most=most)
    return about.within(within, level.radius_mm + CLEAR_MM)


def _left(level: Level, rows: Rows, cells: Cells, quiet: Patches, noise: Noise) -> tuple[Floats, Floats]:
    """What is left of the means over some discs without the noise foretold in them, and its uncertainty."""
    about, discs = _about(level, rows, cells), level.discs.part(rows)
    expected, spread = expected_noise(noise, level.patches, discs, quiet, about)
    return level.mean_mm[rows] - expected, np.maximum(spread, 0.2 * LEAST_NOISE_MM)


def _needed(area_mm2: float, radius_mm: float) -> float:
    """Standard uncertainties that noise reaches in one of so many maps at any place."""
    places = max(1.0, 1.5 * area_mm2 / (np.pi * radius_mm**2))
    return -float(ndtri(1.0 / (_ONCE_IN * places)))


def _stands_out(left: Floats, spread: Floats, needed: Floats) -> Bools:
    return np.asarray(left < -np.maximum(needed * spread, LEAST_DEPTH_MM))
