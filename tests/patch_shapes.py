"""Meshes and tubes with everything known, for the tests of patches."""

import numpy as np
from scipy.spatial import Delaunay

from closed_surfaces import cylinder, spline_of
from gaploft.patch.region import cut_out
from gaploft.patch.sheet import Sheet
from gaploft.surface.model import TubeSurface


def edges_of(faces):
    """All edges, smaller number first, once for each face that has them, (3 m, 2)."""
    return np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)


def euler(faces):
    """Vertices less edges plus faces: 1 for a disc, 0 for a ring, 2 for a sphere."""
    return len(np.unique(faces)) - len(np.unique(edges_of(faces), axis=0)) + len(faces)


def assert_manifold(faces):
    """No edge has more than two faces, and both run through it in opposite ways."""
    directed = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    assert (directed[:, 0] != directed[:, 1]).all()
    assert np.unique(directed, axis=0, return_counts=True)[1].max() == 1
    assert np.unique(edges_of(faces), axis=0, return_counts=True)[1].max() <= 2


def areas(points, faces):
    """Area of each face."""
    corner = points[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    return 0.5 * np.linalg.norm(across, axis=1)


def triangles_over(flat):
    """Anticlockwise Delaunay triangles over points (n, 2)."""
    faces = Delaunay(flat).simplices.astype(np.int32)
    one, two = flat[faces[:, 1]] - flat[faces[:, 0]], flat[faces[:, 2]] - flat[faces[:, 0]]
    wrong = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0] < 0.0
    faces[wrong] = faces[wrong][:, ::-1]
    return faces


def scattered(width, height, step, rng):
    """Points about a step apart over a rectangle around 0, corners and sides included, (n, 2)."""
    n, m = round(width / step) + 1, round(height / step) + 1
    x, y = np.meshgrid(np.linspace(-width / 2, width / 2, n), np.linspace(-height / 2, height / 2, m))
    inner = np.pad(np.ones((m - 2, n - 2)), 1)
    jitter = rng.uniform(-0.3 * step, 0.3 * step, (2, m, n)) * inner
    return np.column_stack([(x + jitter[0]).ravel(), (y + jitter[1]).ravel()])


def sheet(width=40.0, height=40.0, step=1.0, seed=0):
    """A flat rectangle in the plane z = 0: points (n, 3) and faces, normals up."""
    flat = scattered(width, height, step, np.random.default_rng(seed))
    return np.column_stack([flat, np.zeros(len(flat))]), triangles_over(flat)


def rolled(radius, width=40.0, height=40.0, step=1.0, seed=0):
    """Part of a cylinder along y, its ridge at the origin: points, faces, and outward normals."""
    flat, faces = sheet(width, height, step, seed)
    turn = flat[:, 0] / radius
    normals = np.column_stack([np.sin(turn), np.zeros(len(flat)), np.cos(turn)])
    points = radius * normals + [0.0, 0.0, -radius]
    points[:, 1] = flat[:, 1]
    return points, faces, normals


def tube(radius, length=100.0, axis="z", spans=64):
    """A round straight tube about the origin as a spline surface, its ends half a length away.

    With 64 spans the spline is off by less than 1e-6 of its radius.
    """
    surface = spline_of(cylinder(radius).point, length, 12, spans)
    net = surface.coefficients - [0.0, 0.0, length / 2]
    turned = {"z": net, "x": net[..., [2, 0, 1]], "y": net[..., [1, 2, 0]]}[axis]
    return Sheet(TubeSurface(surface.basis, turned).turned_outward())


def bent(height, noise_mm, *, side_mm=70.0, half_mm=10.0, seed=2):
    """A square bent by a height over (x, y) with a round damage in its middle.

    Returns the region around the damage, with noise, and points of the truth where the damage is.
    """
    points, faces = sheet(side_mm, side_mm, 1.2)
    points[:, 2] = height(points[:, :2])
    corner = points[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    normals = np.zeros_like(points)
    np.add.at(normals, faces.ravel(), np.repeat(across, 3, axis=0))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    scan = points + np.random.default_rng(seed).normal(0.0, noise_mm, len(points))[:, None] * normals
    damaged = np.hypot(points[:, 0], points[:, 1]) < half_mm
    return cut_out(scan, faces, normals, damaged, 40.0), points[damaged]
