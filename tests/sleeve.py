"""A cylinder in quads with a rebuilt zone and overlap on both sides, for what is done by hand on it."""

import numpy as np

RADIUS_MM, STEP_MM, N_V, OVERLAP_MM = 16.0, 1.0, 100, 10.0


def sleeve(gap_mm, radius_mm=RADIUS_MM, step_mm=STEP_MM):
    """Points, normals, zone and quads in rings from 10 mm before to 10 mm past the gap, and stations."""
    stations = np.arange(-OVERLAP_MM, gap_mm + OVERLAP_MM + step_mm / 2, step_mm)
    u, v = np.meshgrid(stations, 2 * np.pi * np.arange(N_V) / N_V, indexing="ij")
    normals = np.stack([np.cos(v), np.sin(v), 0 * v], axis=2).reshape(-1, 3)
    points = radius_mm * normals + np.outer(u.ravel(), [0, 0, 1])
    i, j = (a.ravel() for a in np.meshgrid(np.arange(len(stations) - 1), np.arange(N_V), indexing="ij"))
    k = (j + 1) % N_V
    quads = np.column_stack([i * N_V + j, i * N_V + k, (i + 1) * N_V + k, (i + 1) * N_V + j])
    zone = ((u > -1e-9) & (u < gap_mm + 1e-9)).astype(int).ravel()
    return points, normals, zone, quads, u.ravel()
