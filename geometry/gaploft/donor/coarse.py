"""A first placement of one tube on another: all slides, all turns and both directions are tried."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.donor.rings import N_ANGLES, STEP_MM, Rings
from gaploft.errors import EvidenceError

Floats = NDArray[np.float64]

#: A donor has to cover so much of each flank, mm or radii.
_COVERED_MM, _COVERED_RADII = 12.0, 0.7
#: Starts that lie within so many sections and directions of a better one are the same.
_SAME_SLIDE, _SAME_TURN = 4, 5
#: A start whose sections lie so many times further apart than the best one's is not followed up.
_WORSE, _WORSE_MM = 3.0, 0.3


@dataclass(frozen=True)
class Start:
    """One way to lay a donor onto a tube.

    Attributes
    ----------
    matrix : (4, 4) rigid motion that carries the donor into the frame of the tube
    reversed : the donor's stations run against the tube's
    off_mm : distance of its sections from the tube's, root mean square
    """

    matrix: Floats
    reversed: bool
    off_mm: float


def starts(tube: Rings, donor: Rings, *, most: int = 8) -> tuple[Start, ...]:
    """Find the ways in which a donor could lie on a tube, the best first.

    Parameters
    ----------
    tube : sections of the broken tube; those not seen are bridged and don't count
    donor : sections of the whole one

    Raises
    ------
    EvidenceError
        The donor is too short to cover the damage with some of both flanks.

    Notes
    -----
    For each slide by whole sections, and each turn by whole directions, the rigid motion that brings the
    donor's outlines closest to the tube's is known in closed form (S. Umeyama, IEEE PAMI 13(4), 1991, without
    scale): all turns at once, since the correlation of outlines around the tube is a product of their
    Fourier transforms.
    """
    ways = [(reverse, *_all_slides(tube, donor, reverse)) for reverse in (False, True)]
    if not any(len(slides) for _, slides, _, _ in ways):
        raise EvidenceError(
            f"the donor's tube is {np.ptp(donor.at_mm):.0f} mm long, too short to cover the damage and "
            "some of the intact tube on both sides of it: scan a longer spare section"
        )
    found = []
    for reverse, _, matrices, off in ways:
        for slide, turn in _lowest(off, most):
            found.append((float(off[slide, turn]), reverse, matrices[slide, turn]))
    found.sort(key=lambda way: way[0])
    limit = max(_WORSE * found[0][0], found[0][0] + _WORSE_MM)
    return tuple(Start(matrix, reverse, off) for off, reverse, matrix in found[:most] if off <= limit)


def _all_slides(tube: Rings, donor: Rings, reverse: bool) -> tuple[Floats, Floats, Floats]:
    """Slides (s,), and for each with each turn the motion (s, m, 4, 4) and what it leaves (s, m) mm."""
    outline = donor.points_mm
    if reverse:
        outline = outline[::-1][:, (-np.arange(N_ANGLES)) % N_ANGLES]
    seen = np.flatnonzero(tube.seen)
    slides = np.array(_useful(tube, len(outline)))
    if not len(slides):
        return slides, np.zeros((0, N_ANGLES, 4, 4)), np.zeros((0, N_ANGLES))
    mine, theirs = np.fft.rfft(tube.points_mm, axis=1), np.fft.rfft(outline, axis=1)
    parts = []
    for slide in slides:
        i = seen[(seen + slide >= 0) & (seen + slide < len(outline))]
        a, b = tube.points_mm[i], outline[i + slide]
        middle_a, middle_b = a.mean(axis=(0, 1)), b.mean(axis=(0, 1))
        spectrum = np.einsum("iwa,iwb->wab", mine[i].conj(), theirs[i + slide])
        n = len(i) * N_ANGLES
        cross = np.fft.irfft(spectrum, N_ANGLES, axis=0) - n * np.outer(middle_a, middle_b)
        size = ((a - middle_a) ** 2).sum() + ((b - middle_b) ** 2).sum()
        parts.append((cross, middle_a, middle_b, size, n))
    cross, middle_a, middle_b, size, counted = (np.array(part) for part in zip(*parts, strict=True))
    left, strength, right = np.linalg.svd(cross)
    sign = np.linalg.det(left) * np.linalg.det(right)
    total = strength[..., 0] + strength[..., 1] + sign * strength[..., 2]
    off = np.sqrt(np.maximum(size[:, None] - 2.0 * total, 0.0) / counted[:, None])
    left[..., 2] *= sign[..., None]
    matrix = np.zeros((*off.shape, 4, 4))
    matrix[..., :3, :3] = left @ right
    matrix[..., :3, 3] = middle_a[:, None] - np.einsum("smij,sj->smi", matrix[..., :3, :3], middle_b)
    matrix[..., 3, 3] = 1.0
    return slides, matrix, off


def _useful(tube: Rings, n_donor: int) -> list[int]:
    """Slides at which the donor covers the gap and some of both flanks."""
    hidden = np.flatnonzero(~tube.seen)
    first, last = (hidden[0], hidden[-1]) if len(hidden) else (len(tube.seen) // 2,) * 2
    radius = float(tube.radius_mm[tube.seen].mean())
    margin = int(np.ceil(max(_COVERED_MM, _COVERED_RADII * radius) / STEP_MM))
    low = min(margin, first)
    high = min(margin, len(tube.seen) - 1 - last)
    return [
        slide
        for slide in range(-len(tube.seen) + 1, n_donor)
        if first - low + slide >= 0 and last + high + slide < n_donor
    ]


def _lowest(off: Floats, most: int) -> list[tuple[int, int]]:
    """Places (slide, turn) of the lowest values that lie apart from each other."""
    left, places = off.copy(), []
    turns = np.arange(off.shape[1])
    for _ in range(most if off.size else 0):
        slide, turn = np.unravel_index(int(left.argmin()), left.shape)
        if not np.isfinite(left[slide, turn]):
            break
        places.append((int(slide), int(turn)))
        away = np.abs((turns - turn + N_ANGLES // 2) % N_ANGLES - N_ANGLES // 2)
        near = slice(max(0, slide - _SAME_SLIDE), slide + _SAME_SLIDE + 1)
        left[near, away <= _SAME_TURN] = np.inf
    return places
