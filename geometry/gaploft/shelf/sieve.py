"""Which tubes of a shelf could fit at all: all of them, along all slides and both ways round, at once."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from gaploft.donor.rings import STEP_MM
from gaploft.shelf.descriptor import HALF_WINDOW, N_COLUMNS, Outlines, Table, turn_free

Floats = NDArray[np.float64]

#: A tube has to reach so far along each flank, mm or diameters, as far as the flank itself goes.
_FLANK_MM, _FLANK_DIAMETERS = 15.0, 1.0
#: A seen station that a tube does not reach counts as being so far off, mm: a short overlap shows little.
UNSHOWN_MM = 0.03
#: Tubes that are gone through at once, and how many such lots at a time.
_AT_ONCE, _THREADS = 256, 2


@dataclass(frozen=True)
class Broken:
    """The broken tube, ready to be compared.

    ``outlines`` are unseen in the ``gap`` (numbers of sections); a tube has to cover the sections from
    ``first`` to ``last``.
    """

    outlines: Outlines
    gap: tuple[int, int]
    first: int
    last: int


@dataclass(frozen=True)
class Ways:
    """How n tubes lie best: slide (station of the tube less that of the broken one, in steps) and misfit (mm;
    infinite where a tube is too short), when their stations run with the broken tube's."""

    slide: Floats
    misfit_mm: Floats


def broken(outlines: Outlines, gap: tuple[int, int], radius_mm: float) -> Broken:
    """Say which sections a tube has to cover: those of the gap and some on either side."""
    flank = int(np.ceil(max(_FLANK_MM, 2.0 * _FLANK_DIAMETERS * radius_mm) / STEP_MM))
    seen = np.flatnonzero(outlines.seen)
    first, last = max(gap[0] - flank, int(seen[0])), min(gap[1] + flank, int(seen[-1]))
    return Broken(outlines, gap, min(gap[0], first), max(gap[1], last))


def sift(tube: Broken, tables: Sequence[Table]) -> tuple[Ways, Ways]:
    """Compare a broken tube with many whole ones.

    Parameters
    ----------
    tables : descriptors, (k, c) each

    Returns
    -------
    Ways of all of them as they are, and reversed: the slide is then that of the reversed tube.

    Notes
    -----
    The sum of squared differences along all slides is three correlations, done by Fourier transforms along
    the stations. Between whole slides the misfit's square is a parabola, as far as sections change evenly.
    """
    views = [_view(tube), _view(_from_behind(tube))]
    starts = range(0, len(tables), _AT_ONCE)
    with ThreadPoolExecutor(_THREADS) as pool:
        parts = list(pool.map(lambda i: _sift(views, tables[i : i + _AT_ONCE]), starts))
    slides, misfits = (np.concatenate([part[k] for part in parts], axis=1) for k in range(2))
    lengths = np.array([len(table) for table in tables])
    # Reversing the broken tube instead of the whole one counts stations from the other end.
    slides[1] = lengths - len(tube.outlines.seen) - slides[1]
    return Ways(slides[0], misfits[0]), Ways(slides[1], misfits[1])


@dataclass(frozen=True)
class _View:
    """The broken tube from one end: columns (k, c) and where they are known, both 0 where they are not."""

    columns: Floats
    known: Floats
    first: int
    last: int


def _from_behind(tube: Broken) -> Broken:
    n = len(tube.outlines.seen) - 1
    gap = n - tube.gap[1], n - tube.gap[0]
    return Broken(tube.outlines.reversed(), gap, n - tube.last, n - tube.first)


def _view(tube: Broken) -> _View:
    columns = turn_free(tube.outlines.table)
    seen = tube.outlines.seen.astype(float)
    known = np.repeat(seen[:, None], columns.shape[1], axis=1)
    window = np.convolve(seen, np.ones(2 * HALF_WINDOW + 1), "same")
    known[:, -1] = window > 2 * HALF_WINDOW + 0.5
    return _View(columns * known, known, tube.first, tube.last)


def _sift(views: Sequence[_View], tables: Sequence[Table]) -> tuple[Floats, Floats]:
    """Best slides and misfits, (2, n) each."""
    lengths = np.array([len(table) for table in tables])
    stacked = np.zeros((len(tables), int(lengths.max()), N_COLUMNS), dtype=np.float32)
    for row, table in zip(stacked, tables, strict=True):
        row[: len(table)] = table
    station = np.arange(stacked.shape[1])
    there = (station < lengths[:, None]).astype(float)
    bent = ((station >= HALF_WINDOW) & (station < lengths[:, None] - HALF_WINDOW)).astype(float)
    # Counted from the broken tube's own mean, columns are small and their squares don't drown differences.
    mean = views[0].columns.sum(axis=0) / np.maximum(views[0].known.sum(axis=0), 1.0)
    mean[-1] = 0.0
    columns = turn_free(stacked) - mean
    columns[..., :-1] *= there[..., None]
    columns[..., -1] *= bent
    n_steps = len(views[0].known)
    n = next_fast_len(n_steps + stacked.shape[1], real=True)
    own = rfft(columns, n, axis=1)
    squares = np.stack([(columns[..., :-1] ** 2).sum(axis=2), columns[..., -1] ** 2, there, bent], axis=2)
    own_squares = rfft(squares, n, axis=1)
    found = [_best(view, mean, own, own_squares, lengths, n) for view in views]
    return np.array([slide for slide, _ in found]), np.array([misfit for _, misfit in found])


def _best(
    view: _View,
    mean: Floats,
    own: NDArray[np.complex128],
    own_squares: NDArray[np.complex128],
    lengths: NDArray[np.int64],
    n: int,
) -> tuple[Floats, Floats]:
    """Best slide and misfit of each tube from one end."""
    columns = (view.columns - mean) * view.known
    query = rfft(columns, n, axis=0).conj()
    outline, bend = view.known[:, 0], view.known[:, -1]
    weights = [outline, bend, (columns[:, :-1] ** 2).sum(axis=1), columns[:, -1] ** 2]
    spectrum = (own_squares * rfft(np.stack(weights, axis=1), n, axis=0).conj()).sum(axis=2)
    spectrum -= 2.0 * np.einsum("ekc,kc->ek", own, query)
    slides = np.arange(-view.first, int(lengths.max()) - view.last)
    if not len(slides):
        return np.zeros(len(lengths)), np.full(len(lengths), np.inf)
    squares = irfft(spectrum, n, axis=1)[:, slides % n]
    summed = np.concatenate([[0.0], np.cumsum(outline)])
    ends = np.clip(lengths[:, None] - slides, 0, len(outline))
    shown = summed[ends] - summed[np.clip(-slides, 0, len(outline))]
    unshown = summed[-1] - shown
    total = (np.maximum(squares, 0.0) + UNSHOWN_MM**2 * unshown) / summed[-1]
    total[slides + view.last >= lengths[:, None]] = np.inf
    at = total.argmin(axis=1)
    offset, lowest = _lowest(total, at)
    return slides[at] + offset, np.sqrt(lowest)


def _lowest(total: Floats, at: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Offset and value of the lowest point of the parabola through a lowest value and its neighbours."""
    rows, last = np.arange(len(at)), total.shape[1] - 1
    middle = total[rows, at]
    before, after = total[rows, np.maximum(at - 1, 0)], total[rows, np.minimum(at + 1, last)]
    inside = (at > 0) & (at < last) & np.isfinite(before) & np.isfinite(after)
    before, after = np.where(inside, before, 0.0), np.where(inside, after, 0.0)
    curved = np.where(inside, before + after - 2.0 * np.where(inside, middle, 0.0), 0.0)
    offset = np.where(curved > 0.0, 0.5 * (before - after) / np.where(curved > 0.0, curved, 1.0), 0.0)
    value = middle - np.where(inside, 0.5 * curved * offset**2, 0.0)
    return offset, np.maximum(value, 0.0)
