"""Irregular triangles over an unrolled tube, and noise for them: where a scan begins.

Everything is seeded; lengths are millimetres. ``along_mm`` runs along the tube, ``around`` is a share
of one turn, 0 to 1.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]


def unrolled_triangles(
    length_mm: float,
    perimeter_mm: float,
    *,
    edge_mm: float,
    rng: np.random.Generator,
) -> tuple[Floats, Floats, Faces]:
    """Cover an unrolled tube with irregular triangles, closed across its seam.

    Returns ``along_mm`` (n,), ``around`` (n,) in [0, 1), and faces (m, 3). The first and the last
    row of vertices lie exactly on the two ends.
    """
    plane = scattered(length_mm, perimeter_mm, edge_mm=edge_mm, rng=rng)
    return plane[:, 0], plane[:, 1] / perimeter_mm, periodic_delaunay(plane, perimeter_mm, edge_mm)


def scattered(
    length_mm: float,
    perimeter_mm: float,
    *,
    edge_mm: float,
    rng: np.random.Generator,
) -> Floats:
    """Scatter points over an unrolled tube, (n, 2): a triangular lattice, shuffled and warped."""
    n_around = max(8, round(perimeter_mm / edge_mm))
    n_along = max(3, round(length_mm / (edge_mm * np.sqrt(0.75))) + 1)
    row, column = np.meshgrid(np.arange(n_along), np.arange(n_around), indexing="ij")
    lattice = np.stack(
        [
            length_mm * row / (n_along - 1),
            perimeter_mm * ((column + 0.5 * (row % 2) + rng.random((n_along, 1))) % n_around) / n_around,
        ],
        axis=-1,
    )
    lattice += rng.uniform(-0.27, 0.27, lattice.shape) * edge_mm
    plane = lattice.reshape(-1, 2)
    plane = plane + _warp(plane, perimeter_mm, amplitude_mm=0.6 * edge_mm, rng=rng)
    plane[:n_around, 0], plane[-n_around:, 0] = 0.0, length_mm
    inside = np.clip(plane[:, 0], 0.2 * edge_mm, length_mm - 0.2 * edge_mm)
    plane[n_around:-n_around, 0] = inside[n_around:-n_around]
    plane[:, 1] %= perimeter_mm
    return plane


def _warp(plane: Floats, period_mm: float, *, amplitude_mm: float, rng: np.random.Generator) -> Floats:
    """A smooth random shift with wavelengths near 12 mm, periodic in the second coordinate."""
    turns = rng.integers(0, max(2, round(period_mm / 10.0)), 12)
    waves = np.stack([rng.normal(0.0, 0.4, 12), 2 * np.pi * turns / period_mm])
    phase = plane @ waves + rng.uniform(0, 2 * np.pi, 12)
    return np.asarray(np.cos(phase) @ rng.normal(0.0, amplitude_mm / np.sqrt(6.0), (12, 2)))


def periodic_delaunay(plane: Floats, period_mm: float, edge_mm: float) -> Faces:
    """Delaunay triangles of points on a cylinder, each once: the plane is padded across the seam."""
    pad = 6.0 * edge_mm
    low = np.flatnonzero(plane[:, 1] < pad)
    high = np.flatnonzero(plane[:, 1] > period_mm - pad)
    shift = np.array([0.0, period_mm])
    padded = np.concatenate([plane, plane[low] + shift, plane[high] - shift])
    index = np.concatenate([np.arange(len(plane)), low, high])
    corners = Delaunay(padded).simplices
    middle = padded[corners, 1].mean(axis=1)
    corners = corners[(middle >= 0.0) & (middle < period_mm)]
    first, second, third = (padded[corners[:, i]] for i in range(3))
    edge, other = second - first, third - first
    turned = edge[:, 0] * other[:, 1] - edge[:, 1] * other[:, 0]
    # a right-handed (along, around) pair points inwards: outward faces turn the other way
    corners[turned > 0] = corners[turned > 0][:, ::-1]
    return index[corners].astype(np.int32)


def compacted(points: Floats, faces: Faces) -> tuple[Floats, Faces]:
    """Drop vertices no face uses."""
    index, renumbered = np.unique(faces, return_inverse=True)
    return points[index], renumbered.reshape(-1, 3).astype(np.int32)


def vertex_normals(points: Floats, faces: Faces) -> Floats:
    """Area-weighted outward unit normals."""
    corner = points[faces]
    face_normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    summed = np.stack(
        [
            np.bincount(faces.ravel(), np.repeat(face_normal[:, axis], 3), minlength=len(points))
            for axis in range(3)
        ],
        axis=1,
    )
    return np.asarray(summed / np.linalg.norm(summed, axis=1, keepdims=True))


def correlated_noise(
    points_mm: Floats,
    *,
    rms_mm: float,
    correlation_mm: float,
    rng: np.random.Generator,
    white_share: float = 0.0,
) -> Floats:
    """Noise of exactly ``rms_mm`` with covariance ``exp(-d**2 / (2 correlation_mm**2))``.

    Random Fourier features in space [1]_, so that there is no seam; ``white_share`` of the
    variance is independent from point to point.

    References
    ----------
    .. [1] A. Rahimi and B. Recht, "Random features for large-scale kernel machines", NIPS 20, 2007.
    """
    waves = rng.normal(0.0, 1.0 / correlation_mm, (3, 160))
    phases = rng.uniform(0.0, 2 * np.pi, 160)
    smooth = np.concatenate(
        [
            np.cos(part @ waves + phases).sum(axis=1)
            for part in np.array_split(points_mm, len(points_mm) // 20000 + 1)
        ]
    )
    white = rng.normal(size=len(points_mm))
    noise = np.sqrt(1.0 - white_share) * _scaled(smooth) + np.sqrt(white_share) * _scaled(white)
    return rms_mm * _scaled(noise)


def _scaled(values: Floats) -> Floats:
    """Mean 0, rms 1."""
    centred = values - values.mean()
    return np.asarray(centred / np.sqrt(np.mean(centred**2)))
