"""A broken tube that swells where it is broken, and a whole one of the same kind: both in closed form."""

import bpy  # noqa: TID251 - only the extension's tests import this
import numpy as np

from blender_scan import add_scan

NOISE_MM, LENGTH_MM = 0.015, 240.0
#: The swell lies in the damage, where no flank tells of it.
FROM_MM, TO_MM, SWELL_MM = 95.0, 145.0, 0.4
#: Where the mirror plane of a pair lies, along x.
PLANE_MM = 50.0
#: From the tube's own frame to that of the spare section's scan.
TURN = np.array([[0.36, 0.48, -0.8], [-0.8, 0.6, 0.0], [0.48, 0.64, 0.6]])
SHIFT_MM = np.array([310.0, -40.0, 75.0])


def radius_mm(u, v, swell_mm=SWELL_MM):
    """Radius of the tube at stations in mm and angles in radians."""
    swell = swell_mm * np.exp(-(((u - 120.0) / 14.0) ** 2))
    return 15.0 - 0.012 * u + 1.4 * np.cos(2.0 * v) + 0.5 * np.cos(3.0 * v + 0.4) + swell


def tube(stations, *, seed, n_around=100, cut=None, swell_mm=SWELL_MM):
    """Vertices in mm and quads of the tube over stations, with noise; without what lies within ``cut``."""
    rng = np.random.default_rng(seed)
    u, v = np.meshgrid(stations, 2 * np.pi * np.arange(n_around) / n_around, indexing="ij")
    radius = radius_mm(u, v, swell_mm) + rng.normal(0.0, NOISE_MM, u.shape)
    vertices = np.stack([radius * np.cos(v), radius * np.sin(v), u], axis=2).reshape(-1, 3)
    i, j = (a.ravel() for a in np.meshgrid(np.arange(len(u) - 1), np.arange(n_around), indexing="ij"))
    k = (j + 1) % n_around
    quads = np.column_stack(
        [i * n_around + j, i * n_around + k, (i + 1) * n_around + k, (i + 1) * n_around + j]
    )
    if cut is None:
        return vertices, quads
    inside = (u.ravel() > cut[0]) & (u.ravel() < cut[1])
    quads = quads[~inside[quads].any(axis=1)]
    used = np.unique(quads)
    return vertices[used], np.searchsorted(used, quads)


def add_broken(swell_mm=SWELL_MM):
    """The broken tube as the scan of the scene, marked."""
    stations = np.arange(0.0, LENGTH_MM, 2.2)
    scan = add_scan(*tube(stations, seed=5, cut=(FROM_MM, TO_MM), swell_mm=swell_mm))
    bpy.ops.gaploft.mark_damage(from_point=(0.0, 0.0, FROM_MM), to_point=(0.0, 0.0, TO_MM))
    return scan


def add_pair():
    """The broken tube and its opposite side in one scan, marked; the mirror plane lies across x at 50 mm."""
    broken = tube(np.arange(0.0, LENGTH_MM, 2.2), seed=5, cut=(FROM_MM, TO_MM))
    vertices, quads = tube(np.arange(0.0, LENGTH_MM, 2.1), seed=6)
    vertices, quads = vertices * [-1.0, 1.0, 1.0] + [2.0 * PLANE_MM, 0.0, 0.0], quads[:, ::-1]
    scan = add_scan(np.vstack([broken[0], vertices]), np.vstack([broken[1], quads + len(broken[0])]))
    bpy.ops.gaploft.mark_damage(from_point=(0.0, 0.0, FROM_MM), to_point=(0.0, 0.0, TO_MM))
    return scan


def spare_arrays(*, mirrored=False, swell_mm=SWELL_MM):
    """The whole tube as another scan shows it: cut elsewhere, in another pose, and mirrored or not."""
    vertices, quads = tube(np.arange(20.5, 225.0, 2.1), seed=6, swell_mm=swell_mm)
    if mirrored:
        vertices, quads = vertices * [-1.0, 1.0, 1.0], quads[:, ::-1]
    return vertices @ TURN.T + SHIFT_MM, quads


def on_spare(points_mm):
    """Places of the tube, (..., 3) mm, in the frame of the spare section's scan."""
    return np.asarray(points_mm) @ TURN.T + SHIFT_MM


def add_spare(**how):
    """The spare section as an object, chosen for the damage and used."""
    spare = add_scan(*spare_arrays(**how), name="spare")
    ways = bpy.context.scene.gaploft.damage.ways
    ways.donor, ways.donor_mirrored, ways.donor_on = spare, how.get("mirrored", False), True
    ways.use = "DONOR"
    return spare


def off_truth_mm(points):
    """How far points (n, 3) lie outside the original tube, in mm along its radius."""
    return np.hypot(points[:, 0], points[:, 1]) - radius_mm(
        points[:, 2], np.arctan2(points[:, 1], points[:, 0])
    )
