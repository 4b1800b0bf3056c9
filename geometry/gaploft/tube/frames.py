"""Frames that travel along a spine without spinning about it."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_points, as_vector

_EPS = 1e-12  # relative length below which a direction is rounding and nothing else


def rotation_minimising_frames(
    points: ArrayLike, tangents: ArrayLike, first_normal: ArrayLike
) -> NDArray[np.float64]:
    """Carry a normal along a curve with the least rotation about the tangent.

    Parameters
    ----------
    points : array_like, shape (n, 3), any unit
        Stations on the curve, in order, no two neighbours equal, n >= 1.
    tangents : array_like, shape (n, 3)
        Tangents of the curve at the stations; only their direction counts.
    first_normal : array_like, shape (3,)
        Direction at the first station; its part along the first tangent is taken off.

    Returns
    -------
    normals : (n, 3) float64
        Unit normals, each perpendicular to its tangent; the second normal is ``cross(tangent, normal)``.

    Raises
    ------
    ValueError
        Wrong shapes, a value that is not finite, neighbouring stations that coincide, a tangent of
        length zero, a curve that turns back on itself between two stations, or a ``first_normal`` along the
        first tangent.

    Notes
    -----
    Double reflection [1]_: the frame is mirrored in the plane half way between two stations, then in
    the plane that takes the mirrored tangent to the next one. The angle error of the
    last frame falls with the fourth power of the station distance, which holds for exact tangents.

    References
    ----------
    .. [1] W. Wang, B. Jüttler, D. Zheng, Y. Liu, "Computation of rotation minimizing frames", ACM
       Transactions on Graphics 27(1), 2008, article 2.
    """
    stations, unit_tangents, normal = _checked(points, tangents, first_normal)
    steps = _double_reflections(stations, unit_tangents)
    normals = np.empty_like(stations)
    normals[0] = normal
    for i, step in enumerate(steps):  # each needs the one before; stations are hundreds
        normals[i + 1] = step @ normals[i]
    # rounding only: the reflections keep right angles and lengths
    normals -= np.sum(normals * unit_tangents, axis=1, keepdims=True) * unit_tangents
    return normals / np.linalg.norm(normals, axis=1, keepdims=True)


def _checked(
    points: ArrayLike, tangents: ArrayLike, first_normal: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    stations = as_points(points, name="points")
    directions = as_points(tangents, name="tangents")
    normal = as_vector(first_normal, name="first_normal")
    if len(stations) == 0 or len(directions) != len(stations):
        raise ValueError(
            f"points and tangents must be as many, n >= 1, not {len(stations)} and {len(directions)}"
        )
    lengths = np.linalg.norm(directions, axis=1, keepdims=True)
    if not (lengths > 0.0).all():
        raise ValueError("a tangent has length zero")
    directions = directions / lengths
    across = normal - (normal @ directions[0]) * directions[0]
    length = np.linalg.norm(across)
    if not length > _EPS * np.linalg.norm(normal):
        raise ValueError("first_normal lies along the first tangent")
    return stations, directions, across / length


def _double_reflections(stations: NDArray[np.float64], tangents: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the (n - 1, 3, 3) rotations from each frame to the next."""
    chords = np.diff(stations, axis=0)
    lengths = np.linalg.norm(chords, axis=1)
    if not (lengths > _EPS * max(np.ptp(stations, axis=0).max(), np.finfo(float).tiny)).all():
        raise ValueError("neighbouring stations coincide")
    first = _reflection(chords / lengths[:, None])
    mirrored = np.einsum("nij,nj->ni", first, tangents[:-1])
    turns = tangents[1:] - mirrored
    lengths = np.linalg.norm(turns, axis=1)
    if not (lengths > _EPS).all():
        raise ValueError("the curve turns back on itself between two stations")
    return _reflection(turns / lengths[:, None]) @ first


def _reflection(units: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the (n, 3, 3) mirrors in the planes across unit vectors (n, 3)."""
    return np.eye(3) - 2.0 * units[:, :, None] * units[:, None, :]
