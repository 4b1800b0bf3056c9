"""Where each point of a surface was moved by hand, and which of them have left what may be moved."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Moves:
    """What the hand did to each point.

    Attributes
    ----------
    way_mm : (n, 3) from where a point was computed to where it is; nothing where it was not moved
    moved : (n,) bool
    outward_mm : (n,) the part of the way along the outward normal; negative is inwards
    """

    way_mm: Floats
    moved: NDArray[np.bool_]
    outward_mm: Floats


def moves(
    computed_mm: ArrayLike, changed_mm: ArrayLike, normals: ArrayLike, *, still_mm: float | None = None
) -> Moves:
    """Compare the same points before and after.

    Parameters
    ----------
    computed_mm, changed_mm : array_like, shape (n, 3), millimetres
    normals : array_like, shape (n, 3)
        Outward unit normals of the computed surface.
    still_mm : float, millimetres, optional
        A point moved by no more than this was not moved. Without it, the rounding of single
        precision at the size of the coordinates, since that is how meshes are kept and edited.

    Raises
    ------
    ValueError
        The arrays' shapes differ, or are not (n, 3).
    """
    before, after, unit = (np.asarray(a, dtype=np.float64) for a in (computed_mm, changed_mm, normals))
    if before.shape != (len(before), 3) or after.shape != before.shape or unit.shape != before.shape:
        raise ValueError(f"{before.shape}, {after.shape}, {unit.shape}: points or normals do not match")
    if still_mm is None:
        still_mm = float(4.0 * np.finfo(np.float32).eps * np.abs(before).max(initial=0.0))
    way = after - before
    moved = np.linalg.norm(way, axis=1) > still_mm
    way = np.where(moved[:, None], way, 0.0)
    return Moves(way, moved, np.einsum("ij,ij->i", way, unit))


def beyond_band(found: Moves, band95_mm: ArrayLike, zone: ArrayLike) -> Floats:
    """How far each point of the rebuilt zone lies outside of its band, (n,) mm; 0 elsewhere.

    Parameters
    ----------
    band95_mm : array_like, shape (n,), millimetres
        Half width of the 95 % band along the normal.
    zone : array_like, shape (n,)
        0 intact overlap, 1 rebuilt.

    Raises
    ------
    ValueError
        There is not one value for each point.
    """
    band, rebuilt = np.asarray(band95_mm, dtype=np.float64), np.asarray(zone) == 1
    if band.shape != found.moved.shape or rebuilt.shape != found.moved.shape:
        raise ValueError(
            f"band {band.shape} and zone {rebuilt.shape} must have one value for each of {len(found.moved)} "
            "points"
        )
    return np.where(found.moved & rebuilt, np.maximum(np.abs(found.outward_mm) - band, 0.0), 0.0)


def strayed(found: Moves, band95_mm: ArrayLike, zone: ArrayLike) -> NDArray[np.bool_]:
    """Points that are not where work by hand may put them, (n,) bool.

    That is out of their band in the rebuilt zone, or moved at all on the intact overlap. Raises as
    :func:`beyond_band`.
    """
    beyond = beyond_band(found, band95_mm, zone)
    return np.asarray((beyond > 0.0) | (found.moved & (np.asarray(zone) == 0)))
