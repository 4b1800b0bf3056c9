"""Sections of a tube at even stations, with outlines by angle: what tubes are compared by before they are
laid onto each other."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface
from gaploft.tube.frames import rotation_minimising_frames

Floats = NDArray[np.float64]

#: Distance between sections, mm, and directions in which an outline is kept.
STEP_MM, N_ANGLES = 3.0, 72
#: Places around a section from which its outline is drawn.
_FINE = 240


@dataclass(frozen=True)
class Rings:
    """Sections across a tube.

    Attributes
    ----------
    at_mm : (k,) stations, ``STEP_MM`` apart as near as the sections' own distance goes
    centres_mm : (k, 3) centroids of the sections
    axes : (k, 3, 3) rows: along the tube, and two directions across it that do not turn about it
    radius_mm : (k, m) distance of the outline from the centre, at even angles from the first direction
        towards the second
    points_mm : (k, m, 3) the outline itself
    seen : (k,) which of them are known, and not bridged
    """

    at_mm: Floats
    centres_mm: Floats
    axes: Floats
    radius_mm: Floats
    points_mm: Floats
    seen: NDArray[np.bool_]


def rings_of(
    surface: TubeSurface, range_mm: tuple[float, float], *, gap_mm: tuple[float, float] | None = None
) -> Rings:
    """Cut a tube's surface into sections.

    Parameters
    ----------
    range_mm : first and last station
    gap_mm : stations between which nothing is known

    Notes
    -----
    A section is the ring of one station; its centre is the middle of its outline by length, and outlines are
    read off by angle about it, which holds for sections that are star-shaped about their middle. That is
    near enough for a start: what follows lays surface onto surface.
    """
    count = max(2, int((range_mm[1] - range_mm[0]) / STEP_MM) + 1)
    at: Floats = range_mm[0] + STEP_MM * np.arange(count, dtype=np.float64)
    at = at[at <= range_mm[1] + 1e-9]
    v = np.arange(_FINE) * (TURN_RAD / _FINE)
    fine = surface.evaluate(at[:, None], v)
    lengths = np.linalg.norm(np.roll(fine, -1, axis=1) - np.roll(fine, 1, axis=1), axis=2)
    centres = np.einsum("ij,ijk->ik", lengths, fine) / lengths.sum(axis=1, keepdims=True)
    along = np.gradient(centres, axis=0) if len(at) > 2 else np.tile(centres[-1] - centres[0], (len(at), 1))
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    start = np.eye(3)[np.argmin(np.abs(along[0]))]
    start = start - (start @ along[0]) * along[0]
    first = rotation_minimising_frames(centres, along, start / np.linalg.norm(start))
    second = np.cross(along, first)
    arm = fine - centres[:, None]
    x, y = np.einsum("ijk,ik->ij", arm, first), np.einsum("ijk,ik->ij", arm, second)
    radius = _by_angle(np.mod(np.arctan2(y, x), TURN_RAD), np.hypot(x, y))
    angle = np.arange(N_ANGLES) * (TURN_RAD / N_ANGLES)
    across = np.cos(angle)[:, None] * first[:, None] + np.sin(angle)[:, None] * second[:, None]
    points = centres[:, None] + radius[..., None] * across
    seen = np.ones(len(at), dtype=bool)
    if gap_mm is not None:
        seen = (at < gap_mm[0]) | (at > gap_mm[1])
    return Rings(at, centres, np.stack([along, first, second], axis=1), radius, points, seen)


def _by_angle(angle: Floats, radius: Floats) -> Floats:
    """Radii (k, n) at their angles, read off at even angles, (k, m)."""
    order = np.argsort(angle, axis=1)
    angle, radius = np.take_along_axis(angle, order, 1), np.take_along_axis(radius, order, 1)
    angle = np.concatenate([angle[:, -1:] - TURN_RAD, angle, angle[:, :1] + TURN_RAD], axis=1)
    radius = np.concatenate([radius[:, -1:], radius, radius[:, :1]], axis=1)
    wanted = np.arange(N_ANGLES) * (TURN_RAD / N_ANGLES)
    return np.stack([np.interp(wanted, a, r) for a, r in zip(angle, radius, strict=True)])
