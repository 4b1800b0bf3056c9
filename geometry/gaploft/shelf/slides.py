"""Where a whole tube could lie on a broken one: all slides and all turns about the tube at once."""

import numpy as np
from numpy.typing import NDArray
from scipy.fft import fft, ifft, irfft, next_fast_len, rfft

from gaploft.shelf.descriptor import HALF_WINDOW, N_WAVES, Outlines
from gaploft.shelf.sieve import UNSHOWN_MM, Broken
from gaploft.surface.basis import TURN_RAD

Floats = NDArray[np.float64]

#: Turns about the tube that are tried, and starts that are told at most.
_TURNS, _MOST = 120, 3
#: How the columns that are compared turn: waves of the outline, and bend.
_ORDER = np.append(np.arange(N_WAVES + 1), -1)
#: Starts that lie within so many sections and turns of a better one are the same.
_SAME_SLIDE, _SAME_TURN = 4, 8


def starts(tube: Broken, whole: Outlines) -> list[tuple[float, float]]:
    """Slides and turns at which outlines and bend of two tubes agree best, the best first.

    Returns
    -------
    Slide (section of the whole tube less that of the broken one) and turn (its angle less that on
    the broken one, radians); none where the tube does not reach across the gap and some of both flanks.

    Notes
    -----
    Both are complex numbers that a turn about the tube turns: all slides are one correlation along the
    stations, and all turns of each slide a short sum.
    """
    columns, known = _columns(whole)
    steps = len(known) + len(tube.outlines.seen)
    slides = np.arange(-tube.first, len(whole.seen) - tube.last)
    if not len(slides):
        return []
    n = next_fast_len(steps)
    mine, seen = _columns(tube.outlines)
    agreed = ifft(fft(columns, n, axis=0) * fft(mine, n, axis=0).conj(), axis=0)[slides % n]
    # What either has where the other is seen.
    theirs = _correlated(seen, np.abs(columns) ** 2, n)[slides % n].sum(axis=1)
    own = _correlated(np.abs(mine) ** 2, known, n)[slides % n].sum(axis=1)
    shown = _correlated(seen[:, :1], known[:, :1], n)[slides % n, 0]
    turn = np.arange(_TURNS) * (TURN_RAD / _TURNS)
    # An angle of the whole tube is that of the broken one and the turn; directions in space turn back.
    both = (agreed @ np.exp(1j * _ORDER[:, None] * turn)).real
    unshown = tube.outlines.seen.sum() - shown
    total = (theirs + own)[:, None] - 2.0 * both + (UNSHOWN_MM**2 * unshown)[:, None]
    return [(float(slides[i]), float(turn[j])) for i, j in _lowest(total, _MOST)]


def _columns(outlines: Outlines) -> tuple[NDArray[np.complex128], Floats]:
    """Waves and bend of all sections, (k, 10), and where they are known, both 0 where they are not."""
    n = len(outlines.seen)
    columns = np.zeros((n, len(_ORDER)), dtype=np.complex128)
    known = np.zeros((n, len(_ORDER)))
    inner = slice(HALF_WINDOW, n - HALF_WINDOW)
    columns[:, :-1], known[:, :-1] = outlines.waves_mm, outlines.seen[:, None]
    if n > 2 * HALF_WINDOW:
        columns[inner, -1] = outlines.bend_mm
        window = np.convolve(outlines.seen, np.ones(2 * HALF_WINDOW + 1), "valid")
        known[inner, -1] = window > 2 * HALF_WINDOW + 0.5
    columns *= known
    return columns, known


def _correlated(mine: Floats, theirs: Floats, n: int) -> Floats:
    """Sums along all slides of products of columns."""
    return np.asarray(irfft(rfft(theirs, n, axis=0) * rfft(mine, n, axis=0).conj(), n, axis=0))


def _lowest(total: Floats, most: int) -> list[tuple[int, int]]:
    """Places of the lowest values that lie apart from each other."""
    left, places = total.copy(), []
    turns = np.arange(total.shape[1])
    for _ in range(most):
        slide, turn = np.unravel_index(int(left.argmin()), left.shape)
        if not np.isfinite(left[slide, turn]):
            break
        places.append((int(slide), int(turn)))
        apart = np.abs((turns - turn + _TURNS // 2) % _TURNS - _TURNS // 2)
        left[max(0, slide - _SAME_SLIDE) : slide + _SAME_SLIDE + 1, apart <= _SAME_TURN] = np.inf
    return places
