"""One ring of scan points around a tube: its centre, direction and outline."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Angular bins in which a ring's outline is kept; 10 degrees each, fine enough to see a junction begin.
N_BINS = 36


@dataclass(frozen=True)
class Ring:
    """A ring of a tube: centre (3,), unit direction along the tube (3,), first axis across it (3,).

    ``outline_mm`` (N_BINS,) is the distance of the surface from the centre by angle about the
    direction, counted from ``across``; ``covered`` tells in which bins there are points.
    """

    centre: NDArray[np.float64]
    direction: NDArray[np.float64]
    across: NDArray[np.float64]
    outline_mm: NDArray[np.float64]
    covered: NDArray[np.bool_]

    @property
    def radius_mm(self) -> float:
        """Mean radius of the outline."""
        return float(self.outline_mm.mean())


def any_across(direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """A unit vector at right angles to ``direction``, always the same one for the same direction."""
    axis = np.eye(3)[np.argmin(np.abs(direction))]
    across = axis - (axis @ direction) * direction
    return across / np.linalg.norm(across)


def carried(across: NDArray[np.float64], direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """``across`` turned as little as possible to stand at right angles to a new direction."""
    kept = across - (across @ direction) * direction
    return kept / np.linalg.norm(kept)


def polar(
    points: NDArray[np.float64],
    centre: NDArray[np.float64],
    direction: NDArray[np.float64],
    across: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Distance along ``direction``, radius and angle of points about a centre."""
    offset = points - centre
    x, y = offset @ across, offset @ np.cross(direction, across)
    return offset @ direction, np.hypot(x, y), np.arctan2(y, x)


def bin_of(angle_rad: NDArray[np.float64]) -> NDArray[np.int64]:
    """Bin of an outline for each angle."""
    return np.floor((angle_rad + np.pi) * (N_BINS / (2.0 * np.pi))).astype(np.int64) % N_BINS


def binned_outline(
    angle_rad: NDArray[np.float64], radius_mm: NDArray[np.float64], fallback_mm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Median radius in each bin and which bins hold points; empty bins take the fallback."""
    order = np.lexsort((radius_mm, bin_of(angle_rad)))
    bins, radius = bin_of(angle_rad)[order], radius_mm[order]
    count = np.bincount(bins, minlength=N_BINS)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    covered = count > 0
    outline = fallback_mm.copy()
    outline[covered] = radius[(first + count // 2)[covered]]
    return outline, covered


def outline_centre(
    outline_mm: NDArray[np.float64], direction: NDArray[np.float64], across: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Centroid of the area inside an outline, relative to the centre it is drawn about, (3,)."""
    angle = (np.arange(N_BINS) + 0.5) * (2.0 * np.pi / N_BINS) - np.pi
    x, y = outline_mm * np.cos(angle), outline_mm * np.sin(angle)
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    area = cross.sum() / 2.0
    mean_x = ((x + np.roll(x, -1)) * cross).sum() / (6.0 * area)
    mean_y = ((y + np.roll(y, -1)) * cross).sum() / (6.0 * area)
    return mean_x * across + mean_y * np.cross(direction, across)
