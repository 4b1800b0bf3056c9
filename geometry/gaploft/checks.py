"""Argument checks for public functions: a wrong call by our own code is a ``ValueError``."""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray


def as_points(values: ArrayLike, *, dim: int = 3, name: str = "points") -> NDArray[np.float64]:
    """Return ``values`` as finite float64 of shape (n, dim), or raise ValueError."""
    points = np.asarray(values, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != dim:
        raise ValueError(f"{name} must have shape (n, {dim}), got {points.shape}")
    if not np.isfinite(points).all():
        raise ValueError(f"{name} holds coordinates that are not finite")
    return points


def as_vector(values: ArrayLike, *, dim: int = 3, name: str = "vector") -> NDArray[np.float64]:
    """Return ``values`` as finite float64 of shape (dim,), or raise ValueError."""
    vector = np.asarray(values, dtype=np.float64)
    if vector.shape != (dim,):
        raise ValueError(f"{name} must have shape ({dim},), got {vector.shape}")
    if not np.isfinite(vector).all():
        raise ValueError(f"{name} holds a number that is not finite")
    return vector


def as_faces(values: ArrayLike, n_vertices: int, *, name: str = "faces") -> NDArray[np.int32]:
    """Return ``values`` as int32 of shape (m, 3) that index ``n_vertices`` vertices, or raise ValueError."""
    faces = np.asarray(values)
    if faces.ndim != 2 or faces.shape[1] != 3:
        raise ValueError(f"{name} must have shape (m, 3), got {faces.shape}")
    if faces.dtype.kind not in "iu":
        raise ValueError(f"{name} must be whole numbers, got {faces.dtype}")
    if len(faces) and (faces.min() < 0 or faces.max() >= n_vertices):
        raise ValueError(f"{name} points at vertices outside 0 to {n_vertices - 1}")
    return faces.astype(np.int32, copy=False)


def as_positive(value: float, *, name: str = "value") -> float:
    """Return ``value`` as a finite float above zero, or raise ValueError."""
    number = float(value)
    if not math.isfinite(number) or number <= 0.0:
        raise ValueError(f"{name} must be a number above 0, got {value}")
    return number
